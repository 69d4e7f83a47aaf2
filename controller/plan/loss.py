"""What a night puts at stake: in shares of each tree's fruit, for people, and in money, for the plan.

Fleece is taken to be on, vents shut and strings sound, as in the outlook; what of that is not so, no figure
here knows.

``stake_of`` weighs everything that forecast and model leave open, and lets the strings answer it.  That takes
40 predictions.  ``night_loss`` judges one prediction, and is made for many in one plan: a tree that its
strings can hold is as uncertain as its probe and its crown are uneven; one that they cannot hold is as
uncertain as the weather.  Fruit decides, not air: it follows with its lag and lies below the air round it
under a clear sky.  Hold temperatures by risk follow, and who is given up last.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from controller.crop.dose import dose_k_h, lost_share
from controller.crop.exposure import fruit_below_air_k
from controller.crop.limits import TissueLimits, tissue_limits
from controller.crop.risk import EQUAL_SHIFTS, Risk, crop_onset_c, night_risk
from controller.physics import FloatArray
from controller.plan.slots import SLOT_S, colder, margin_k, slots_of
from controller.site.model import Site
from controller.thermal.drive import Inputs
from controller.thermal.model import Stepper
from controller.thermal.parameters import Parameters
from controller.thermal.predict import Heat, Prediction, predict
from controller.weather.forecast import Forecast

# What is lost by then is this night's; the next one has its own forecast.
NIGHT_S = 24 * 3600.0
# Of a tree that is held: 0.25 K for a probe good to 0.5 K (DS18B20 datasheet, taken as two deviations) and
# 0.5 K within the crown (own assumption: a kelvin from best to worst place) [K].
HELD_SPREAD_K = 0.56
# Hold temperatures tried for a tree whose risk decides [K].
HOLD_STEP_K = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """What of the weather decides over fruit, by slot (K,): cloud, and the spread of its temperature."""

    cloud_frac: FloatArray
    spread_k: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """Hold temperatures of each tree [°C], (N,), and what they save in a day against the usual ones."""

    hold_c: FloatArray
    saves: float


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
    onset_c = np.array([crop_onset_c(each) for each in _limits(site, now)])
    steps = 1 + round(NIGHT_S / SLOT_S)

    def share(heat: Heat) -> dict[str, float]:
        fruit_c = predict(parameters, start, inputs, heat).fruit_temp_c[:, :steps]
        lost = lost_share(dose_k_h(fruit_c, onset_c, SLOT_S)).mean(0)
        return {tree.name: float(each) for tree, each in zip(site.trees, lost, strict=True)}

    return Stake(held=share(Heat.HELD), free=share(Heat.NONE))


def night_loss(
    site: Site, prediction: Prediction, weather: Weather, now: datetime, *, held: bool = True
) -> Risk:
    """Return what a predicted day is expected to cost in fruit and wood.

    ``held`` is false for a prediction without heat, as uncertain as the weather throughout.
    """
    wide_k = np.hypot(weather.spread_k, HELD_SPREAD_K)[:, None]
    spread_k = np.where(prediction.short, wide_k, HELD_SPREAD_K) if held else wide_k
    below_k = fruit_below_air_k(weather.cloud_frac)[:, None]
    return night_risk(
        site.trees,
        _limits(site, now),
        fruit_temp_c=prediction.fruit_temp_c[1:] - below_k,
        tree_temp_c=prediction.tree_temp_c[1:],
        spread_k=spread_k,
        step_s=prediction.step_s,
    )


def held_by_risk(
    site: Site,
    parameters: Parameters,
    start: FloatArray,
    inputs: Inputs,
    stepper: Stepper,
    weather: Weather,
    price: FloatArray,
    now: datetime,
) -> Held:
    """Return the hold temperatures at which heat and expected loss together cost least, within limits.

    Parameters
    ----------
    site, parameters, start, inputs, stepper
        The house, its state and what comes.
    weather
        What decides over fruit.
    price
        Price of a kilowatt-hour in each slot, (K,).
    now
        The present: it gives the stages of fruit.

    Notes
    -----
    Only trees whose ``hold`` is "risk" move; all of them step together, as neighbours warm each other little.
    """
    ranges_c = np.array([tree.hold_range_c for tree in site.trees])
    usual_c = np.asarray(parameters.hold_c, dtype=np.float64)
    if not (ranges_c[:, 1] > ranges_c[:, 0]).any():
        return Held(hold_c=usual_c, saves=0.0)
    steps = round(float(np.max(ranges_c[:, 1] - ranges_c[:, 0])) / HOLD_STEP_K)
    tried_c = [np.minimum(ranges_c[:, 0] + HOLD_STEP_K * k, ranges_c[:, 1]) for k in range(steps + 1)]

    def cost_of(hold_c: FloatArray) -> FloatArray:
        found = predict(parameters, start, inputs, Heat.HELD, stepper=stepper, hold_c=hold_c)
        heat = (found.string_w * price[:, None]).sum(0) * inputs.step_s / 3.6e6
        return np.asarray(heat + night_loss(site, found, weather, now).loss)

    costs = np.array([cost_of(hold_c) for hold_c in tried_c])
    if not np.isfinite(costs).all():  # what cannot be weighed stays as it is
        return Held(hold_c=usual_c, saves=0.0)
    best = costs.argmin(0)
    moves = ranges_c[:, 1] > ranges_c[:, 0]
    hold_c = np.where(moves, np.array(tried_c)[best, np.arange(len(best))], usual_c)
    return Held(hold_c=hold_c, saves=float((cost_of(usual_c) - cost_of(hold_c)).sum()))


def last_first(names: Sequence[str], loss: FloatArray, lacks_w: FloatArray) -> tuple[str, ...]:
    """Return the trees that cannot be held, the one to be given up last first.

    By what is expected to be lost for each watt that is missing: there the next watt saves most.
    """
    short = np.flatnonzero(lacks_w > 0.0)
    return tuple(names[i] for i in sorted(short.tolist(), key=lambda i: -loss[i] / lacks_w[i]))


def _limits(site: Site, now: datetime) -> tuple[TissueLimits, ...]:
    """Return what each tree can stand, how far it has hardened being unknown here."""
    latitude_deg = site.place.latitude_deg
    return tuple(tissue_limits(t, now, latitude_deg=latitude_deg, chilled_h=np.nan) for t in site.trees)
