"""The temperatures that decide for a tree: what to hold, and below what fruit is lost."""

from dataclasses import dataclass

from controller.site.handbook import CROPS
from controller.site.model import Tree

# Above the fruit's damage temperature, a person may order heat off: 0.5 K for the probe (DS18B20 datasheet)
# and 0.5 K because ripe fruit can be that much colder than air under thin fleece (BAMS 23(1):16, 1942, less
# what the fleece keeps off).
HAND_OFF_MARGIN_K = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CropLimits:
    """Limits of one tree [°C]: air to hold, fruit damage, and the air below which no order keeps heat off."""

    hold_c: float
    fruit_damage_c: float
    hand_off_floor_c: float


def limits_of(tree: Tree) -> CropLimits:
    """Return the limits of a tree from its kind and its own hold temperature."""
    damage_c = CROPS[tree.kind].fruit_damage_c
    return CropLimits(
        hold_c=tree.hold_or_default_c,
        fruit_damage_c=damage_c,
        hand_off_floor_c=damage_c + HAND_OFF_MARGIN_K,
    )
