"""A record of what was measured: weather, vents, fleece and powers on a regular grid, and the readings."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.model import FIRST_STRING, input_count, sky_chill_k

# What fills a hole in the weather where nothing better is near: a middling night.
MIDDLING = {"sky_depression_k": 12.0, "wind_m_s": 2.0, "sun_w_m2": 0.0, "deep_temp_c": 10.0}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """T steps of a house with N trees.

    The readings are those at the beginning of each step, NaN where there is none; the inputs are complete
    (``filled`` makes them so).
    """

    inputs: Inputs
    house_temp_c: FloatArray  # (T,)
    tree_temp_c: FloatArray  # (T, N)

    @property
    def readings_c(self) -> FloatArray:
        """All readings, house first, shape (T, 1+N)."""
        return np.column_stack([self.house_temp_c, self.tree_temp_c])

    @property
    def steps(self) -> int:
        """Number of steps T."""
        return self.inputs.steps

    def part(self, begin: int, end: int) -> "Record":
        """Return the steps from ``begin`` up to but without ``end``."""
        return Record(
            inputs=part_of(self.inputs, begin, end),
            house_temp_c=self.house_temp_c[begin:end],
            tree_temp_c=self.tree_temp_c[begin:end],
        )


ALONG_TIME = (
    "outside_temp_c",
    "sky_depression_k",
    "wind_m_s",
    "sun_w_m2",
    "deep_temp_c",
    "vent_m3_s",
    "house_heat_w",
    "fleece_on",
    "string_w",
)


def part_of(inputs: Inputs, begin: int, end: int) -> Inputs:
    """Return the steps of inputs without leading axes from ``begin`` up to but without ``end``."""
    cut = {name: getattr(inputs, name)[begin:end] for name in ALONG_TIME}
    return replace(inputs, start_s=inputs.start_s + inputs.step_s * begin, **cut)


def filled(inputs: Inputs) -> Inputs:
    """Return inputs whose holes are filled: weather along time, powers and vents with none.

    An outside temperature that is missing throughout cannot be filled and stays NaN.
    """
    known: dict[str, Any] = {
        name: _along_time(getattr(inputs, name), MIDDLING.get(name, np.nan))
        for name in ("outside_temp_c", "sky_depression_k", "wind_m_s", "sun_w_m2", "deep_temp_c")
    }
    none: dict[str, Any] = {
        name: np.nan_to_num(getattr(inputs, name)) for name in ("vent_m3_s", "house_heat_w", "string_w")
    }
    return replace(inputs, **known, **none)


def driven(inputs: Inputs) -> FloatArray:
    """Return the inputs of the state space, shape (..., T, m); unknown wind or vent makes its step NaN."""
    weather = np.broadcast_arrays(
        inputs.outside_temp_c + 0.0 * (inputs.wind_m_s + inputs.vent_m3_s),
        sky_chill_k(inputs.sky_depression_k, inputs.wind_m_s),
        inputs.sun_w_m2,
        inputs.deep_temp_c,
        inputs.house_heat_w,
    )
    u = np.empty((*weather[0].shape, input_count(inputs.string_w.shape[-1])))
    for column, values in enumerate(weather):  # in the order of OUTSIDE, SKY, SUN, DEEP, HOUSE_HEAT
        u[..., column] = values
    u[..., FIRST_STRING:] = inputs.string_w
    return u


def _along_time(values: FloatArray, otherwise: float) -> FloatArray:
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return np.full(len(values), otherwise)
    return np.asarray(np.interp(np.arange(len(values)), known, values[known]))
