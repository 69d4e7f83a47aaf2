"""What was read from the journal, as arrays for those who compute with it."""

from collections.abc import Sequence

import numpy as np

from controller.physics import FloatArray


def columns_of(readings: Sequence[tuple[float, float]]) -> tuple[FloatArray, FloatArray]:
    """Return the times and the values of readings, each shape (readings,)."""
    at_s, values = np.array(readings, dtype=np.float64).reshape(-1, 2).T
    return at_s, values


def nearest(wanted_s: FloatArray, at_s: FloatArray, values: FloatArray, within_s: float) -> FloatArray:
    """Return the value nearest in time to each time wanted; NaN where none is within ``within_s``.

    ``at_s`` rises; of two values equally near the later counts.
    """
    if not at_s.size:
        return np.full(np.shape(wanted_s), np.nan)
    after = np.minimum(np.searchsorted(at_s, wanted_s), at_s.size - 1)
    before = np.maximum(after - 1, 0)
    index = np.where(np.abs(at_s[before] - wanted_s) < np.abs(at_s[after] - wanted_s), before, after)
    return np.where(np.abs(at_s[index] - wanted_s) <= within_s, values[index], np.nan)
