"""How much colder than the air round it fruit can be: it radiates to the sky, or to a cold roof.

Measured in Florida's orange groves (Bulletin of the American Meteorological Society 23(1):16, 1942): on slow,
clear nights exposed fruit was 3 °F (1.7 K) and more colder than the air when dry, 1-2 °F (0.6-1.1 K) under
dew or frost.  That one dry fleece keeps off about half of it is our own assumption.
"""

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray

DRY_K = 1.7
DEWY_K = 0.85
FLEECE_LEAVES = 0.5


def fruit_below_air_k(cloud_frac: ArrayLike, *, dewy: ArrayLike = False, covered: bool = True) -> FloatArray:
    """Return how far exposed fruit lies below the air round it on a slow night [K].

    Parameters
    ----------
    cloud_frac
        Cloud, 0 (clear) .. 1; broadcasts with ``dewy``.  NaN counts as clear.
    dewy
        Whether dew or rime forms.
    covered
        Whether a fleece hangs over the tree.
    """
    clear = 1.0 - np.clip(np.nan_to_num(np.asarray(cloud_frac, dtype=np.float64), nan=0.0), 0.0, 1.0)
    exposed_k = np.where(dewy, DEWY_K, DRY_K)
    return np.asarray(clear * exposed_k * (FLEECE_LEAVES if covered else 1.0))
