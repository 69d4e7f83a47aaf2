"""What drives the model: weather, vents, fleece and powers on a time grid."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray

STEP_S = 300.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inputs:
    """What drives the model over T steps; each value is constant over its step.

    Shapes are (..., T), with (..., T, N) for ``fleece_on`` and ``string_w``; leading axes broadcast and may
    be the members of a forecast.
    """

    start_s: float  # UTC, seconds since 1970
    outside_temp_c: FloatArray
    sky_depression_k: FloatArray
    wind_m_s: FloatArray
    sun_w_m2: FloatArray  # on the house, for each m² of its floor
    deep_temp_c: FloatArray
    vent_m3_s: FloatArray
    house_heat_w: FloatArray
    fleece_on: NDArray[np.bool_]
    string_w: FloatArray
    step_s: float = STEP_S

    @property
    def steps(self) -> int:
        """Number of steps T."""
        return int(self.outside_temp_c.shape[-1])
