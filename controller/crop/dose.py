"""How much is lost: a dose of kelvin-hours of fruit below a limit, and the share of a crop it takes.

The dose's form and scale are our own construction from two published points, not a published law: an
exporter's rule (Falivene & Filippi, "Frost damage in citrus fruit", NSW DPI, updated 2014) inspects after 4 h
at -2 °C and stops the harvest after 5 h at -4 °C.  Counted below -1.5 °C these are 2 and 12.5 K·h; we take
them as 10 % and 90 % of the crop lost and lay a logistic curve in the dose's logarithm through both.  The
onset of every other tissue stands to its own damage limit as -1.5 °C stands to ripe oranges' -2.2 °C.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray

ALERT_DOSE_K_H, LOST_DOSE_K_H = 2.0, 12.5
ALERT_SHARE = 0.1
# Damage begins to count this far above the published limit of a fruit's stage: -1.5 against -2.2 °C.
FRUIT_ONSET_K = 0.7
# Wood's limits are for 4 h (McGhie, UC Master Gardeners): from half a kelvin above, 4 h make the alert.
WOOD_ONSET_K = 0.5
HALF_DOSE_K_H = math.sqrt(ALERT_DOSE_K_H * LOST_DOSE_K_H)
STEEPNESS = 2.0 * math.log(1.0 / ALERT_SHARE - 1.0) / math.log(LOST_DOSE_K_H / ALERT_DOSE_K_H)


def dose_k_h(temp_c: ArrayLike, onset_c: ArrayLike, step_s: float) -> FloatArray:
    """Return the kelvin-hours that a tissue spends below an onset [K·h].

    Parameters
    ----------
    temp_c
        Temperatures at even times [°C], shape (..., T, N).
    onset_c
        Where the dose begins to count [°C], shape (N,) or one for all.
    step_s
        Time between them [s].

    Returns
    -------
    dose
        Shape (..., N), by the trapezoid rule; NaN where a temperature is.
    """
    below_k = np.maximum(np.asarray(onset_c) - np.asarray(temp_c, dtype=np.float64), 0.0)
    return np.asarray((below_k[..., :-1, :] + below_k[..., 1:, :]).sum(-2) * (0.5 * step_s / 3600.0))


def lost_share(dose: ArrayLike) -> FloatArray:
    """Return the share of a crop, or the probability of a tree, lost to a dose [K·h]; NaN stays NaN."""
    dose = np.asarray(dose, dtype=np.float64)
    power = (np.maximum(dose, 0.0) / HALF_DOSE_K_H) ** STEEPNESS
    return np.asarray(power / (1.0 + power))
