"""What the coming day puts at stake: the share of each tree's fruit that is expected to be lost.

Over everything that forecast and model leave open, with the strings there are and without heat.  Fleece is
taken to be on, vents shut and strings sound, as in the outlook; what of that is not so, no figure here knows.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from controller.crop.dose import dose_k_h, lost_share
from controller.crop.limits import tissue_limits
from controller.crop.risk import EQUAL_SHIFTS, crop_onset_c
from controller.physics import FloatArray
from controller.plan.slots import SLOT_S, colder, margin_k, slots_of
from controller.site.model import Site
from controller.thermal.drive import Inputs
from controller.thermal.parameters import Parameters
from controller.thermal.predict import Heat, predict
from controller.weather.forecast import Forecast

# What is lost by then is this night's; the next one has its own forecast.
HORIZON_S = 24 * 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stake:
    """Expected share of each tree's fruit lost within a day, 0 to 1; NaN where nobody can tell."""

    held: Mapping[str, float]
    free: Mapping[str, float]


def stake_of(
    site: Site, forecast: Forecast, parameters: Parameters, start: FloatArray, fine: Inputs, now: datetime
) -> Stake:
    """Return what is at stake with each tree held as far as its strings reach, and without heat.

    Parameters
    ----------
    site, forecast, parameters, now
        What stands there, what is expected, what is known of the house, the present.
    start
        The state to start from.
    fine
        Inputs from now on in steps of 300 s, whole slots of them.

    Notes
    -----
    The outside is shifted as a whole, by equally probable amounts of its spread and the model's, and the
    strings answer each shift: a heated tree is lost only where its heat no longer suffices.
    """
    slots = slots_of(fine)
    views = [colder(slots, margin_k(slots, forecast, -shift)).outside_temp_c for shift in EQUAL_SHIFTS]
    inputs = replace(slots, outside_temp_c=np.stack(views))
    limits = [
        tissue_limits(tree, now, latitude_deg=site.place.latitude_deg, chilled_h=0.0) for tree in site.trees
    ]
    onset_c = np.array([crop_onset_c(each) for each in limits])
    steps = 1 + round(HORIZON_S / SLOT_S)

    def share(heat: Heat) -> dict[str, float]:
        fruit_c = predict(parameters, start, inputs, heat).fruit_temp_c[:, :steps]
        lost = lost_share(dose_k_h(fruit_c, onset_c, SLOT_S)).mean(0)
        return {tree.name: float(each) for tree, each in zip(site.trees, lost, strict=True)}

    return Stake(held=share(Heat.HELD), free=share(Heat.NONE))
