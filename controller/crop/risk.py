"""What a night puts at stake, in money, when temperatures are known only within a spread.

An action (heat, a cover, a call at night) is worth it when it costs less than the loss it removes: the
cost/loss rule of decision theory (see Wilks, Statistical Methods in the Atmospheric Sciences).
"""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from controller.crop.dose import FRUIT_ONSET_K, WOOD_ONSET_K, dose_k_h, lost_share
from controller.crop.limits import TissueLimits
from controller.physics import FloatArray
from controller.site.model import Tree

# A night's error is taken as one shift of the whole night, in units of its standard deviation: the values in
# the middle of this many equally probable slices of the normal distribution.
SLICES = 40
EQUAL_SHIFTS = [NormalDist().inv_cdf((i + 0.5) / SLICES) for i in range(SLICES)]
# The margin that cost/loss may ask for [standard deviations]: what lies beyond 3 nobody knows.
LARGEST_Z = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Risk:
    """Expected loss of each tree over a night, each of shape (N,)."""

    crop_share: FloatArray  # expected share of the crop lost, 0..1
    tree_probability: FloatArray  # probability that wood is lost, 0..1
    loss: FloatArray  # expected loss, in the tariff's currency


def night_risk(
    trees: tuple[Tree, ...],
    limits: tuple[TissueLimits, ...],
    *,
    fruit_temp_c: FloatArray,
    tree_temp_c: FloatArray,
    spread_k: ArrayLike,
    step_s: float,
) -> Risk:
    """Return what a night is expected to cost in fruit and wood.

    Parameters
    ----------
    trees, limits
        The N trees and what they can stand.
    fruit_temp_c, tree_temp_c
        Predicted fruit and air, shape (T, N) [°C].
    spread_k
        Standard deviation of both [K], broadcasting to (T, N).
    step_s
        Time between predictions [s].

    Returns
    -------
    risk
        NaN where a prediction is: what is not known is not safe, and no comparison finds it small.

    Notes
    -----
    The errors of one night hang together, so the whole night is shifted at once; errors that did not would
    average out and cost less.  Blossom and fruitlets count as the crop they would become.
    """
    shift_k = np.array(EQUAL_SHIFTS)[:, np.newaxis, np.newaxis] * np.asarray(spread_k)
    onset_c = np.array([crop_onset_c(each) for each in limits])
    wood_onset_c = np.array([each.wood_c + WOOD_ONSET_K for each in limits])
    crop = lost_share(dose_k_h(fruit_temp_c + shift_k, onset_c, step_s)).mean(0)
    wood = lost_share(dose_k_h(tree_temp_c + shift_k, wood_onset_c, step_s)).mean(0)
    crop_value = np.array([tree.crop_value for tree in trees])
    tree_value = np.array([tree.tree_value for tree in trees])
    return Risk(crop_share=crop, tree_probability=wood, loss=crop * crop_value + wood * tree_value)


def is_worth_it(cost: float, loss_without: float, loss_with: float) -> bool:
    """Tell whether an action costs less than the expected loss it removes; an unknown loss is worth it."""
    return not cost >= loss_without - loss_with


def margin_z(cost: float, loss: float) -> float:
    """Return by how many standard deviations to stay above a limit: the quantile 1 - cost/loss.

    Parameters
    ----------
    cost
        What a night's protection costs.
    loss
        What is lost without.

    Returns
    -------
    z
        0 where the loss is not above the cost, 3 at most, and 3 where either is not known.
    """
    if loss <= cost:
        return 0.0
    share = cost / loss
    if not 0.0 < share < 1.0:
        return LARGEST_Z
    return min(max(NormalDist().inv_cdf(1.0 - share), 0.0), LARGEST_Z)


def crop_onset_c(limits: TissueLimits) -> float:
    """Return below what temperature the crop's dose counts [°C]; minus infinity where nothing hangs."""
    known_c = [limit_c for limit_c in (limits.fruit_c, limits.tender_c) if limit_c is not None]
    return max(known_c, default=-np.inf) + FRUIT_ONSET_K
