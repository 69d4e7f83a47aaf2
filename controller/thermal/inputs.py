"""Weather, vents and fleece on the model's time grid; the careful substitutes for what a forecast lacks."""

import itertools
import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray, sky_temp_c
from controller.site.model import Site
from controller.thermal.drive import STEP_S as STEP_S  # noqa: PLC0414 (for those who read forecasts)
from controller.thermal.drive import Inputs as Inputs  # noqa: PLC0414 (same)
from controller.thermal.model import sky_chill_k
from controller.thermal.parameters import Parameters
from controller.thermal.sunlight import sun_on_house_w_m2
from controller.weather.forecast import STEP_S as FORECAST_STEP_S
from controller.weather.forecast import Forecast

HORIZON_S = 48 * 3600.0

# Substitutes: each errs towards a colder night.
CLEAR_CLOUD_FRAC = 0.0
NO_SUN_W_M2 = 0.0
# Dew point below the air where no humidity is known [K]: 50 % relative humidity, a dry night.
DRY_DEPRESSION_K = 10.0
# Still air chills an unheated house more under a clear sky, wind a heated one or one over warm soil: where
# no wind is known, each hour takes whichever of these [m/s] leaves this house colder.
CALM_M_S, BREEZE_M_S = 0.5, 5.0
# A gap in the outside temperature up to this long is filled with the colder of its ends; a longer one is not.
LONGEST_GAP_H = 3

# Seasonal swing of the soil a metre down in a maritime climate [K], its coldest day in the north; both
# from memory.
DEEP_SOIL_SWING_K = 4.0
DEEP_SOIL_COLDEST_DAY = 60.0
_YEAR_DAYS = 365.25


def inputs_of(
    forecast: Forecast,
    site: Site,
    parameters: Parameters,
    start: datetime,
    *,
    horizon_s: float = HORIZON_S,
    fleece_on: NDArray[np.bool_] | bool = True,
    vent_m3_s: FloatArray | float = 0.0,
) -> Inputs:
    """Return a forecast as inputs of the model, every missing value replaced by a careful one.

    Parameters
    ----------
    forecast
        Hourly values; where it has ended, the outside temperature, and with it the prediction, is NaN.
    site, parameters
        Where the house stands and what it is like.
    start
        Aware time at which the first step begins.
    horizon_s
        Length [s]; rounded up to whole steps of 300 s.
    fleece_on
        Whether the trees are covered: one for all, one for each (N,), or for each step (T, N).
    vent_m3_s
        Air moved by vents [m³/s]: one value or one for each step.
    """
    count, steps = parameters.tree_count, math.ceil(horizon_s / STEP_S)
    start_s = start.timestamp()
    middle_s = start_s + STEP_S * np.arange(0.5, steps)
    hours = careful_hours(forecast, parameters)
    outside_c = _linear(middle_s, hours.at_s, hours.outside_temp_c)
    dew_c = _linear(middle_s, hours.at_s, hours.dew_point_c)
    cloud = _linear(middle_s, hours.at_s, hours.cloud_frac)
    return Inputs(
        start_s=start_s,
        outside_temp_c=outside_c,
        sky_depression_k=outside_c - sky_temp_c(outside_c, dew_c, cloud),
        wind_m_s=_linear(middle_s, hours.at_s, hours.wind_m_s),
        sun_w_m2=sun_on_house_w_m2(
            _of_hour_before(middle_s, hours.at_s, hours.shortwave_w_m2), middle_s, site
        ),
        deep_temp_c=np.full(steps, deep_soil_temp_c(site, start)),
        vent_m3_s=np.broadcast_to(np.asarray(vent_m3_s, dtype=np.float64), (steps,)),
        house_heat_w=np.zeros(steps),
        fleece_on=np.broadcast_to(np.asarray(fleece_on, dtype=np.bool_), (steps, count)),
        string_w=np.zeros((steps, count)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hours:
    """Hourly weather without holes, as a forecast has it."""

    at_s: FloatArray
    outside_temp_c: FloatArray
    dew_point_c: FloatArray
    wind_m_s: FloatArray
    cloud_frac: FloatArray
    shortwave_w_m2: FloatArray


def careful_hours(forecast: Forecast, parameters: Parameters) -> Hours:
    """Return a forecast's hours with each missing value replaced by one that errs towards a colder house.

    The outside temperature has no substitute: gaps of up to 3 h take the colder of their ends, longer ones
    stay NaN.
    """
    outside_c = _bridged(forecast.outside_temp_c)
    dew_c = np.minimum(_or(forecast.dew_point_c, outside_c - DRY_DEPRESSION_K), outside_c)
    cloud = np.clip(_or(forecast.cloud_frac, CLEAR_CLOUD_FRAC), 0.0, 1.0)
    depression_k = outside_c - sky_temp_c(outside_c, dew_c, cloud)
    wind_m_s = _or(forecast.wind_m_s, colder_wind_m_s(parameters, outside_c, depression_k))
    return Hours(
        at_s=forecast.at_s,
        outside_temp_c=outside_c,
        dew_point_c=dew_c,
        wind_m_s=np.maximum(wind_m_s, 0.0),
        cloud_frac=cloud,
        shortwave_w_m2=np.maximum(_or(forecast.shortwave_w_m2, NO_SUN_W_M2), 0.0),
    )


def colder_wind_m_s(parameters: Parameters, outside_c: FloatArray, depression_k: FloatArray) -> FloatArray:
    """Return whichever of calm and breeze [m/s] leaves the house colder, held trees and soil at 5 °C."""

    def house_c(wind_m_s: float) -> FloatArray:
        loss = parameters.house_loss_w_per_k + parameters.house_wind_loss_w_s_per_k_m * wind_m_s
        sky_w = parameters.sky_loss_w_per_k * sky_chill_k(depression_k, wind_m_s)
        soil = parameters.house_mass_w_per_k + float(parameters.tree_soil_w_per_k.sum())
        return np.asarray((loss * outside_c - sky_w + soil * 5.0) / (loss + soil))

    return np.where(house_c(CALM_M_S) <= house_c(BREEZE_M_S), CALM_M_S, BREEZE_M_S)


def deep_soil_temp_c(site: Site, at: datetime) -> float:
    """Return the temperature of the soil a metre down [°C]: the site's yearly mean and a seasonal wave."""
    day = (at.astimezone(UTC) - datetime(at.astimezone(UTC).year, 1, 1, tzinfo=UTC)).total_seconds() / 86400.0
    sign = 1.0 if site.place.latitude_deg >= 0.0 else -1.0
    phase = 2.0 * math.pi * (day - DEEP_SOIL_COLDEST_DAY) / _YEAR_DAYS
    return site.house.deep_soil_c - sign * DEEP_SOIL_SWING_K * math.cos(phase)


def _or(values: FloatArray, substitute: FloatArray | float) -> FloatArray:
    return np.where(np.isfinite(values), values, substitute)


def _bridged(values: FloatArray) -> FloatArray:
    """Fill inner gaps of up to ``LONGEST_GAP_H`` hours with the colder of their ends."""
    known = np.flatnonzero(np.isfinite(values))
    filled = np.where(np.isfinite(values), values, np.nan)
    for before, after in itertools.pairwise(known):
        if 1 < after - before <= LONGEST_GAP_H + 1:
            filled[before + 1 : after] = min(values[before], values[after])
    return filled


def _linear(at_s: FloatArray, hour_s: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(np.interp(at_s, hour_s, values, left=np.nan, right=np.nan))


def _of_hour_before(at_s: FloatArray, hour_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return the mean that stands at the end of the hour each time falls in; NaN outside all hours."""
    index = np.searchsorted(hour_s, at_s)
    inside = (index < len(hour_s)) & (at_s > hour_s[0] - FORECAST_STEP_S)
    return np.where(inside, values[np.minimum(index, len(hour_s) - 1)], np.nan)
