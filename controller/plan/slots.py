"""The plan's time grid: quarters of an hour, and how much colder than forecast a plan looks."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.inputs import STEP_S
from controller.weather.forecast import Forecast

SLOT_S = 900.0
# Spread of outside temperature where the forecast gives none, and of the model itself at night [K]; field
# studies of greenhouse models find 0.5-1 K (own reading).
USUAL_SPREAD_K = 1.2
MODEL_SPREAD_K = 0.6
# Share of an error of the outside temperature that reaches the air under fleece by the end of a night.
PASSED_ON = 0.9


def slots_of(fine: Inputs) -> Inputs:
    """Return inputs of 300 s as means over slots of a quarter of an hour."""
    each = round(SLOT_S / STEP_S)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(values.reshape(-1, each).mean(-1))

    return replace(
        fine,
        step_s=SLOT_S,
        outside_temp_c=mean(fine.outside_temp_c),
        sky_depression_k=mean(fine.sky_depression_k),
        wind_m_s=mean(fine.wind_m_s),
        sun_w_m2=mean(fine.sun_w_m2),
        deep_temp_c=mean(fine.deep_temp_c),
        vent_m3_s=mean(fine.vent_m3_s),
        house_heat_w=mean(fine.house_heat_w),
        fleece_on=fine.fleece_on[::each],
        string_w=fine.string_w[::each],
    )


def margin_k(
    inputs: Inputs, forecast: Forecast, z: float, model_spread_k: FloatArray | None = None
) -> FloatArray:
    """Return by how much colder than forecast a plan looks at each slot [K], (K,).

    ``z`` standard deviations of forecast and model together, both by how far ahead; ``model_spread_k`` is
    that of the model [K], left out a usual one.
    """
    at_s = inputs.start_s + inputs.step_s * (np.arange(inputs.steps) + 0.5)
    spread_k = np.full(inputs.steps, USUAL_SPREAD_K)
    if forecast.spread_k is not None:
        known_k = np.where(np.isfinite(forecast.spread_k), forecast.spread_k, USUAL_SPREAD_K)
        spread_k = np.interp(at_s, forecast.at_s, known_k)
    model_k = np.full(inputs.steps, MODEL_SPREAD_K)
    if model_spread_k is not None:
        model_k = np.where(np.isfinite(model_spread_k), model_spread_k, MODEL_SPREAD_K)[: inputs.steps]
    return np.asarray(z * np.sqrt(model_k**2 + (PASSED_ON * spread_k) ** 2))


def colder(inputs: Inputs, margin: FloatArray | float) -> Inputs:
    """Return inputs with the outside colder by a margin [K]."""
    return replace(inputs, outside_temp_c=inputs.outside_temp_c - margin)


def utc_of(seconds: float) -> datetime:
    """Return the time that stands so many seconds after the beginning of 1970."""
    return datetime.fromtimestamp(float(seconds), tz=UTC)
