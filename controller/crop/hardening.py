"""Hardening: a tree that has stood in the cool for weeks stands more cold than one from the warm.

The index counts the hours at or below 10 °C in the last 500 h; about 400 of them give the greatest
hardiness, none an unhardened tree (Ebel et al. 2005, J. Amer. Soc. Hort. Sci. 130(4):500, abstract).
Hardened trees stand 5-6 °F (2.8-3.3 K) more than others (LSU AgCenter).  That the gain grows linearly with
the index between the two is our own assumption, since the paper's coefficients were not at hand.
"""

import numpy as np

from controller.physics import FloatArray
from controller.site.handbook import CROPS, CropKind

CHILL_BELOW_C = 10.0
CHILL_HOURS = 500
FULL_CHILL_H = 400.0
# LSU AgCenter, the larger of 5-6 °F: the careful end for a tree that is not hardened.
HARDENING_K = 3.3
# Wood of the tenderest kinds is lost in the high 20s °F (LSU AgCenter): no limit lies above [°C].
TENDEREST_WOOD_C = -1.5
# Leaves go before wood: own assumption, no source [K].
LEAF_ABOVE_WOOD_K = 1.5


def chill_h(hourly_temp_c: FloatArray) -> float:
    """Return the hours at or below 10 °C among the last 500 hourly air temperatures [°C].

    Hours that are not known count as warm, so that an unknown tree passes for a tender one.
    """
    return float(np.count_nonzero(hourly_temp_c[-CHILL_HOURS:] <= CHILL_BELOW_C))


def wood_limit_c(kind: CropKind, chilled_h: float) -> float:
    """Return the air temperature that, kept for 4 h, damages wood [°C] of a tree so far hardened.

    Parameters
    ----------
    kind
        The citrus; its hardened limit is the handbook's.
    chilled_h
        What ``chill_h`` says [h]; NaN counts as unhardened.
    """
    hardened = min(chilled_h / FULL_CHILL_H, 1.0) if chilled_h > 0.0 else 0.0
    hardened_c = CROPS[kind].wood_damage_c
    unhardened_c = max(hardened_c, min(hardened_c + HARDENING_K, TENDEREST_WOOD_C))
    return unhardened_c + hardened * (hardened_c - unhardened_c)


def leaf_limit_c(kind: CropKind, chilled_h: float) -> float:
    """Return the air temperature that damages leaves [°C]; own assumption above the wood's limit."""
    return wood_limit_c(kind, chilled_h) + LEAF_ABOVE_WOOD_K
