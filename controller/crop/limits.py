"""The temperatures that decide for a tree: what to hold, and below what fruit, blossom and wood are lost."""

from dataclasses import dataclass
from datetime import datetime

from controller.crop.hardening import leaf_limit_c, wood_limit_c
from controller.crop.season import FRUIT_STAGES, Stage, stages_at
from controller.site.handbook import CROPS, CropKind
from controller.site.model import Tree

# Above the fruit's damage temperature, a person may order heat off: 0.5 K for the probe (DS18B20 datasheet)
# and 0.5 K because ripe fruit can be that much colder than air under thin fleece (BAMS 23(1):16, 1942, less
# what the fleece keeps off).
HAND_OFF_MARGIN_K = 1.0
# Air to hold while blossom or fruitlets hang [°C]: common practice, no source.
TENDER_HOLD_C = 1.0

# Fruit temperature at which damage begins [°C], the warm (careful) end of each published range.
# Puffer & Turrell 1967 in Snyder & de Melo-Abreu 2005, FAO ENRS 10 vol. 1 (from memory): oranges, mandarins
# and grapefruit green -1.9..-1.4, half-ripe -2.2..-1.7, ripe -2.8..-2.2; lemons button -1.4..-0.8, green
# -1.9..-1.4, tree-ripe -1.4..-0.8.  Open blossom of any fruit tree dies at -0.6 in 30 min (R. Morris,
# xtremehorticulture.blogspot.com 2016/12); the FAO table's -2.8 for lemon buds contradicts it, and the warmer
# stands.  Fruitlets of every kind are taken as button lemons, no other source found.
_FRUIT_C: dict[Stage, float] = {
    Stage.BLOSSOM: -0.6,
    Stage.FRUITLET: -0.8,
    Stage.GREEN: -1.4,
    Stage.HALF_RIPE: -1.7,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CropLimits:
    """Limits of one tree [°C]: air to hold, fruit damage, and the air below which no order keeps heat off."""

    hold_c: float
    fruit_damage_c: float
    hand_off_floor_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueLimits:
    """Limits of one tree at a date [°C], None where nothing of the kind hangs.

    ``fruit_c`` and ``tender_c`` (blossom and fruitlets) are temperatures of the tissue, ``leaf_c`` and
    ``wood_c`` of the air kept for 4 h.
    """

    stages: tuple[Stage, ...]
    fruit_c: float | None
    tender_c: float | None
    leaf_c: float
    wood_c: float


def limits_of(tree: Tree) -> CropLimits:
    """Return the limits of a tree from its kind and its own hold temperature."""
    damage_c = CROPS[tree.kind].fruit_damage_c
    return CropLimits(
        hold_c=tree.hold_or_default_c,
        fruit_damage_c=damage_c,
        hand_off_floor_c=damage_c + HAND_OFF_MARGIN_K,
    )


def stage_limit_c(kind: CropKind, stage: Stage) -> float:
    """Return the temperature at which damage of blossom or fruit begins [°C]."""
    return CROPS[kind].fruit_damage_c if stage is Stage.RIPE else _FRUIT_C[stage]


def tissue_limits(tree: Tree, at: datetime, *, latitude_deg: float, chilled_h: float) -> TissueLimits:
    """Return what each tissue of a tree can stand at a time.

    Parameters
    ----------
    tree
        Its kind, fruit count and how late its season runs.
    at, latitude_deg
        Aware time, and where: they give the stage.
    chilled_h
        Hours at or below 10 °C in the last 500 [h]; NaN or 0 for a tree not hardened.
    """
    stages = stages_at(tree.kind, at, latitude_deg=latitude_deg, later_days=tree.season_later_days)
    fruit_c = [stage_limit_c(tree.kind, stage) for stage in stages if stage in FRUIT_STAGES]
    tender_c = [stage_limit_c(tree.kind, stage) for stage in stages if stage not in FRUIT_STAGES]
    return TissueLimits(
        stages=stages,
        fruit_c=max(fruit_c, default=None) if tree.fruit_count else None,
        tender_c=max(tender_c, default=None),
        leaf_c=leaf_limit_c(tree.kind, chilled_h),
        wood_c=wood_limit_c(tree.kind, chilled_h),
    )


def hold_at_c(tree: Tree, at: datetime, *, latitude_deg: float) -> float:
    """Return the air temperature to hold at a time [°C]: the tree's own, or +1 °C under blossom or fruitlets.

    A hold temperature set in the site file stands as it is.
    """
    if tree.hold_c is not None:
        return tree.hold_c
    stages = stages_at(tree.kind, at, latitude_deg=latitude_deg, later_days=tree.season_later_days)
    tender = Stage.BLOSSOM in stages or Stage.FRUITLET in stages
    return max(tree.hold_or_default_c, TENDER_HOLD_C) if tender else tree.hold_or_default_c
