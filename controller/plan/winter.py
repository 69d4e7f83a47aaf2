"""What a whole winter of given weather would cost to hold."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.plan.size import unlimited
from controller.plan.slots import utc_of
from controller.site.model import Site
from controller.site.tariff import price_per_kwh_at
from controller.thermal.inputs import STEP_S, Inputs, inputs_of
from controller.thermal.parameters import Parameters, parameters_of
from controller.thermal.predict import J_PER_KWH, Heat, initial_state, predict
from controller.thermal.record import ALONG_TIME
from controller.thermal.thermostat import cycled
from controller.weather.forecast import Forecast

# By day the grower airs: with the sun on the house and no frost outside, this many house volumes an hour,
# or what the vents move if that is more (own assumption; without it the soil would bank too much heat).
AIRED_SUN_W_M2 = 150.0
AIRED_ABOVE_C = 6.0
AIR_CHANGES_PER_H = 20.0
# The thermostats' band, as the guard's, and how often they look.
BAND_K, LOOK_S = 0.5, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Winter:
    """What holding every tree through a winter takes."""

    source: str
    frost_nights: int
    outside_min_c: float
    energy_kwh: tuple[float, ...]  # of each tree, held exactly
    thermostat_kwh: tuple[float, ...]  # of each tree, by thermostats with the strings that there are
    cost: float
    currency: str
    price_per_kwh: float  # paid in the mean
    cents_per_fruit: float  # NaN where nothing hangs


def winter_of(site: Site, weather: Forecast) -> Winter:
    """Return what it takes to hold every tree through weather, strings as large as needed.

    Parameters
    ----------
    site
        The site; what its house is like follows from its materials.
    weather
        Hourly weather of a winter, without holes.

    Notes
    -----
    Trees stay covered; the price is that of strings that hold them exactly.
    """
    parameters = parameters_of(site)
    start = utc_of(weather.at_s[0])
    inputs = inputs_of(
        weather, site, parameters, start, horizon_s=float(weather.at_s[-1] - weather.at_s[0]) - STEP_S
    )
    aired = (inputs.sun_w_m2 > AIRED_SUN_W_M2) & (inputs.outside_temp_c > AIRED_ABOVE_C)
    flow_m3_s = max(
        sum(vent.flow_m3_s for vent in site.vents), AIR_CHANGES_PER_H / 3600.0 * site.house.volume_m3
    )
    inputs = inputs_of(
        weather,
        site,
        parameters,
        start,
        horizon_s=inputs.steps * STEP_S,
        vent_m3_s=np.where(aired, flow_m3_s, 0.0),
    )
    begin = initial_state(
        parameters,
        house_temp_c=float(inputs.outside_temp_c[0]),
        outside_temp_c=float(inputs.outside_temp_c[0]),
        deep_temp_c=float(inputs.deep_temp_c[0]),
    )
    held = predict(unlimited(parameters), begin, inputs, Heat.HELD)
    energy_kwh, prices = held.energy_kwh, price_per_kwh_at(site, held.at_s[:-1])
    cost = float((held.string_w.sum(1) * prices).sum()) * STEP_S / J_PER_KWH
    fruit = sum(tree.fruit_count for tree in site.trees)
    return Winter(
        source=weather.source,
        frost_nights=_frost_nights(weather.at_s, weather.outside_temp_c),
        outside_min_c=float(weather.outside_temp_c.min()),
        energy_kwh=tuple(energy_kwh.tolist()),
        thermostat_kwh=tuple((on_h(parameters, begin, inputs) * parameters.string_w / 1000.0).tolist()),
        cost=cost,
        currency=site.tariff.currency,
        price_per_kwh=cost / float(energy_kwh.sum()) if energy_kwh.any() else site.tariff.price_per_kwh,
        cents_per_fruit=100.0 * cost / fruit if fruit else float("nan"),
    )


def on_h(parameters: Parameters, begin: FloatArray, inputs: Inputs) -> FloatArray:
    """Return for how long thermostats have each string on [h], (N,)."""
    finer = round(inputs.step_s / LOOK_S)
    fine: dict[str, Any] = {name: np.repeat(getattr(inputs, name), finer, axis=0) for name in ALONG_TIME}
    hold_c = parameters.hold_c
    found = cycled(parameters, begin, replace(inputs, step_s=LOOK_S, **fine), hold_c, hold_c + BAND_K)
    return np.asarray(found.on.sum(0) * LOOK_S / 3600.0)


def _frost_nights(at_s: FloatArray, outside_c: FloatArray) -> int:
    """Return how many nights, counted from noon to noon UTC, freeze outside."""
    nights = np.floor((at_s - 43200.0) / 86400.0)
    return len(np.unique(nights[outside_c < 0.0]))
