"""What vents should do with the coming hours: keep warmth, open early, dry the air, cool the night.

It is advice to the guard, which shuts a vent against heat and frost whatever is asked here.  The forecast can
ask for four things, and the first that applies to a quarter of an hour counts:

keep    a string will heat within five hours: the soil keeps the afternoon's warmth
early   shut, the house would soon be hot: open below the ceiling and not at it
night   a warm night: let the house cool to about 10-11 °C, as growers do in summer (common practice)
dry     the day is mild and the air outside holds less water than the damp air inside
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from controller.crop.season import Stage, stages_at
from controller.physics import FloatArray, saturation_vapour_pressure_kpa
from controller.plan.slots import utc_of
from controller.site.model import Site
from controller.thermal.sunlight import sun_altitude_deg

# So long before the first heat of a night the house keeps the afternoon's warmth [s]: shutting at two instead
# of late left trees 0.2-0.4 K warmer at dawn (computed beforehand on another model of such a house).
BANK_S = 5 * 3600.0
# Shut, the house would be this hot within this time: vents open early.  Growth stops at about 35 °C (NSW
# DPI Primefact 749).
HOT_C, HOT_WITHIN_S = 32.0, 2 * 3600.0
# A night is warm when the air outside stays above this through the coming hours [°C, s]: own choice, well
# above the frost lock.
WARM_NIGHT_C, WARM_NIGHT_S = 7.0, 12 * 3600.0
# The house's air is taken as this damp where nobody measures it: a shut house over moist soil (own
# assumption); drying is worth opening when the air outside holds this much less vapour [kPa].
DAMP_SHARE, DRIER_KPA = 0.95, 0.1
# By day the sun is above this [°].
DAY_DEG = 5.0


class Airing(StrEnum):
    """What vents should do; ``plain`` leaves them to the house's temperature."""

    PLAIN = "plain"
    KEEP = "keep"
    EARLY = "early"
    NIGHT = "night"
    DRY = "dry"


@dataclass(frozen=True, slots=True, kw_only=True)
class VentAsk:
    """What is asked of vents now: the airing, whether blossom or fruitlets hang, and vapour outside [kPa]."""

    airing: Airing
    tender: bool
    outside_kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AiringPlan:
    """What is asked of vents by slot of the plan."""

    airing: tuple[Airing, ...]
    outside_kpa: tuple[float | None, ...]  # None where it is not known
    tender: bool

    def ask(self, slot: int) -> VentAsk | None:
        """Return what is asked in a slot; None beyond the plan."""
        if not 0 <= slot < len(self.airing):
            return None
        known_kpa = self.outside_kpa[slot]
        return VentAsk(
            airing=self.airing[slot],
            tender=self.tender,
            outside_kpa=math.nan if known_kpa is None else known_kpa,
        )


def airing_of(
    site: Site,
    *,
    at_s: FloatArray,
    outside_c: FloatArray,
    dew_point_c: FloatArray,
    house_c: FloatArray,
    heats: NDArray[np.bool_],
    slot_s: float,
) -> AiringPlan:
    """Return what vents should do through the coming day.

    Parameters
    ----------
    site
        Where the house stands and what grows in it.
    at_s
        Ends of the slots, UTC seconds since 1970, shape (K,).
    outside_c, dew_point_c
        Air and dew point outside [°C], (K,).
    house_c
        The house with its vents shut [°C], (K,).
    heats
        Whether any string heats in each slot, (K,).
    slot_s
        Length of a slot [s].

    Notes
    -----
    A dew point that is not known (NaN) dries nothing.
    """
    outside_kpa = saturation_vapour_pressure_kpa(dew_point_c)
    inside_kpa = DAMP_SHARE * saturation_vapour_pressure_kpa(house_c)
    day = sun_altitude_deg(at_s, site.place.latitude_deg, site.place.longitude_deg) > DAY_DEG
    lock_c = max((vent.lock_below_c for vent in site.vents), default=0.0)
    keep = _within(heats, BANK_S, slot_s)
    early = _within(house_c > HOT_C, HOT_WITHIN_S, slot_s)
    night = ~day & ~_within(~(outside_c > WARM_NIGHT_C), WARM_NIGHT_S, slot_s)
    dry = day & (inside_kpa - outside_kpa > DRIER_KPA) & (outside_c > lock_c)
    order = (Airing.KEEP, Airing.EARLY, Airing.NIGHT, Airing.DRY)
    which = np.select([keep, early, night, dry], [0, 1, 2, 3], default=-1)
    return AiringPlan(
        airing=tuple(Airing.PLAIN if each < 0 else order[each] for each in which.tolist()),
        outside_kpa=tuple(kpa if math.isfinite(kpa) else None for kpa in outside_kpa.tolist()),
        tender=_is_tender(site, float(at_s[0])),
    )


def _within(true: NDArray[np.bool_], time_s: float, slot_s: float) -> NDArray[np.bool_]:
    """Return for each slot whether something is true in it or within a time after it."""
    ahead = round(time_s / slot_s)
    counted = np.concatenate([[0], np.cumsum(true)])
    first = np.arange(len(true))
    return np.asarray(counted[np.minimum(first + ahead, len(true))] > counted[first])


def _is_tender(site: Site, at_s: float) -> bool:
    at = utc_of(at_s)
    return any(
        {Stage.BLOSSOM, Stage.FRUITLET}
        & set(
            stages_at(tree.kind, at, latitude_deg=site.place.latitude_deg, later_days=tree.season_later_days)
        )
        for tree in site.trees
    )
