"""Weather at an instant, from a table laid down beforehand.

A ``Sky`` holds a regular table and interpolates; nothing in it looks at a calendar, so that a step of the
simulated house costs about a microsecond here.
"""

import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import (
    KELVIN_OFFSET_K,
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    FloatArray,
    saturation_vapour_pressure_kpa,
)


class Weather(NamedTuple):
    """What is outside at an instant.

    Wind is at 10 m, as weather services give it; shortwave is global and longwave from the sky, both on the
    horizontal.
    """

    outside_temp_c: float
    dew_point_c: float
    wind_m_s: float
    cloud_frac: float
    shortwave_w_m2: float
    longwave_down_w_m2: float
    pressure_kpa: float

    @property
    def sky_temp_c(self) -> float:
        """Radiant temperature of the sky [°C]."""
        return float((self.longwave_down_w_m2 / STEFAN_BOLTZMANN_W_PER_M2_K4) ** 0.25 - KELVIN_OFFSET_K)


def longwave_down_w_m2(temp_c: ArrayLike, dew_point_c: ArrayLike, cloud_frac: ArrayLike) -> FloatArray:
    """Return the long-wave radiation from the sky on the horizontal [W/m²].

    Notes
    -----
    Clear sky: Brunt's form as re-fitted by Li et al. 2017, 0.618 + 0.056 √e, e in hPa (seen in a design note
    of an energy simulation programme, which gives 13-14 W/m² of error).  Cloud: Bolz 1949, as in VDI 3789,
    a factor 1 + 0.22 c^2.75 (exponent from memory), never above a black body.  The controller's model uses
    other formulas on purpose: the true sky is not the one it believes in.
    """
    vapour_hpa = 10.0 * saturation_vapour_pressure_kpa(dew_point_c)
    cloud = 1.0 + 0.22 * np.asarray(cloud_frac, dtype=np.float64) ** 2.75
    emissivity = np.minimum(1.0, (0.618 + 0.056 * np.sqrt(vapour_hpa)) * cloud)
    kelvin = np.asarray(temp_c, dtype=np.float64) + KELVIN_OFFSET_K
    return np.asarray(emissivity * STEFAN_BOLTZMANN_W_PER_M2_K4 * kelvin**4)


class Sky:
    """Weather over a stretch of time.

    Parameters
    ----------
    begin : datetime
        Time of the first row, aware.
    step_s : float
        Time between rows [s].
    columns : mapping of str to array, shape (rows,)
        One column for each field of ``Weather``, all finite.

    Raises
    ------
    ValueError
        A column is missing, of another length, or holds something that is no number.

    """

    def __init__(self, begin: datetime, step_s: float, columns: Mapping[str, FloatArray]) -> None:
        if set(columns) != set(Weather._fields):
            raise ValueError(f"a sky needs the columns {', '.join(Weather._fields)}")
        table = np.stack([np.asarray(columns[name], dtype=np.float64) for name in Weather._fields], axis=1)
        if len(table) < 2 or not np.all(np.isfinite(table)):
            raise ValueError("a sky needs at least two rows, and every value a finite number")
        self.begin = begin
        self.step_s = step_s
        self.end = begin + timedelta(seconds=step_s * (len(table) - 1))
        self._rows: list[tuple[float, ...]] = [tuple(row) for row in table.tolist()]
        self._last = len(self._rows) - 1

    def seconds(self, at: datetime) -> float:
        """Return a time as seconds since the table begins."""
        return (at - self.begin).total_seconds()

    def covers(self, begin: datetime, end: datetime) -> bool:
        """Tell whether the table reaches from one time to another."""
        return self.begin <= begin and end <= self.end

    def at_s(self, seconds: float) -> Weather:
        """Return the weather some seconds after the table begins; before and after it, its first or last."""
        position = seconds / self.step_s
        index = min(max(math.floor(position), 0), self._last - 1)
        share = min(max(position - index, 0.0), 1.0)
        t0, d0, v0, c0, s0, l0, p0 = self._rows[index]
        t1, d1, v1, c1, s1, l1, p1 = self._rows[index + 1]
        return Weather(
            t0 + share * (t1 - t0),
            d0 + share * (d1 - d0),
            v0 + share * (v1 - v0),
            c0 + share * (c1 - c0),
            s0 + share * (s1 - s0),
            l0 + share * (l1 - l0),
            p0 + share * (p1 - p0),
        )

    def at(self, when: datetime) -> Weather:
        """Return the weather at a time."""
        return self.at_s(self.seconds(when))
