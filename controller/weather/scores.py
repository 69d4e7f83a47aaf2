"""How good a forecast was: scores of Gaussian and ensemble forecasts, and of warnings.

All functions take arrays that broadcast together and leave averaging to the caller, so that NaN pairs can be
left out where they arise.  A lower score is better, except where the name says otherwise.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.physics import FloatArray

_erf = np.vectorize(math.erf, otypes=[np.float64])


def normal_cdf(z: ArrayLike) -> FloatArray:
    """Return the probability that a standard normal variable is below ``z``."""
    return np.asarray(0.5 * (1.0 + _erf(np.asarray(z, dtype=np.float64) / math.sqrt(2.0))))


def crps_gaussian(mean: ArrayLike, spread: ArrayLike, observed: ArrayLike) -> FloatArray:
    """Return the continuous ranked probability score of N(mean, spread²), in the unit of ``observed``.

    Parameters
    ----------
    mean, spread, observed
        Of one unit, such as °C and K; a spread of zero gives the absolute error.

    References
    ----------
    Gneiting et al. 2005, Mon. Wea. Rev. 133:1098, eq. 5.
    """
    mean, spread = np.asarray(mean, dtype=np.float64), np.asarray(spread, dtype=np.float64)
    error = np.asarray(observed, dtype=np.float64) - mean
    width = np.where(spread > 0.0, spread, 1.0)
    z = error / width
    density = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    score = width * (z * (2.0 * normal_cdf(z) - 1.0) + 2.0 * density - 1.0 / math.sqrt(math.pi))
    return np.asarray(np.where(spread > 0.0, score, np.abs(error)))


def crps_ensemble(members: ArrayLike, observed: ArrayLike) -> FloatArray:
    """Return the CRPS of an ensemble taken as a step distribution, members along the last axis.

    References
    ----------
    Hersbach 2000, Wea. Forecasting 15:559: mean |x - y| less half the mean |x - x'|, here by sorting.
    """
    ordered = np.sort(np.asarray(members, dtype=np.float64), axis=-1)
    count = ordered.shape[-1]
    distance = np.abs(ordered - np.asarray(observed, dtype=np.float64)[..., None]).mean(axis=-1)
    rank_weight = 2.0 * np.arange(count) - count + 1.0
    return np.asarray(distance - (ordered * rank_weight).sum(axis=-1) / count**2)


def brier(probability: ArrayLike, happened: ArrayLike) -> FloatArray:
    """Return the squared difference between a probability and what happened (0 or 1).

    References
    ----------
    Brier 1950, Mon. Wea. Rev. 78:1, in today's form for two classes.
    """
    return np.asarray((np.asarray(probability) - np.asarray(happened, dtype=np.float64)) ** 2)


def pit_gaussian(mean: ArrayLike, spread: ArrayLike, observed: ArrayLike) -> FloatArray:
    """Return where the observation fell in N(mean, spread²), 0..1; even over time when calibrated."""
    return normal_cdf(
        (np.asarray(observed, dtype=np.float64) - np.asarray(mean)) / np.maximum(np.asarray(spread), 1e-9)
    )


def rank_in_ensemble(members: ArrayLike, observed: ArrayLike) -> NDArray[np.int64]:
    """Return how many members lie below the observation, 0..members; ties count as half, rounded down."""
    members = np.asarray(members, dtype=np.float64)
    observed = np.asarray(observed, dtype=np.float64)[..., None]
    below = (members < observed).sum(axis=-1)
    return np.asarray(below + (members == observed).sum(axis=-1) // 2, dtype=np.int64)


def reliability(
    probability: FloatArray, happened: FloatArray, classes: int = 10
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Return, by class of probability: its mean, how often it happened (NaN if never), and the count."""
    index = np.minimum((probability * classes).astype(int), classes - 1)
    count = np.bincount(index, minlength=classes)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(index, weights=probability, minlength=classes) / count
        often = np.bincount(index, weights=happened, minlength=classes) / count
    return mean, often, count
