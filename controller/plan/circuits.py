"""What circuits can carry: heat that is added goes to the trees most at risk first.

Only what the plan adds is shared out.  A cold tree's own heat is the guard's, and no plan takes it away;
where even that is too much for a circuit, its breaker was too small for the site file, which refuses it.
"""

import numpy as np

from controller.physics import FloatArray
from controller.site.model import Site


def within_circuits(site: Site, power_w: FloatArray, held_w: FloatArray, at_risk: FloatArray) -> FloatArray:
    """Return the planned powers cut down to what every circuit carries, (K, N) [W].

    Parameters
    ----------
    site
        Its circuits, and which string hangs on which.
    power_w, held_w
        Planned power of each tree's strings by slot, and what holds it anyway, (K, N).
    at_risk
        What each tree has at stake, (N,): the least is cut first.
    """
    shares = np.array(
        [
            [
                sum(s.power_w for s in tree.strings if s.circuit == circuit.name) / max(tree.power_w, 1e-9)
                for tree in site.trees
            ]
            for circuit in site.circuits
        ]
    ).reshape(len(site.circuits), len(site.trees))
    cut_w = power_w.copy()
    for circuit, share in zip(site.circuits, shares, strict=True):
        over_w = np.maximum((cut_w * share).sum(1) - circuit.continuous_limit_w, 0.0)
        for i in np.argsort(at_risk):
            if share[i] > 0.0 and over_w.any():
                added_w = np.maximum(cut_w[:, i] - held_w[:, i], 0.0)
                less_w = np.minimum(added_w, over_w / share[i])
                cut_w[:, i] -= less_w
                over_w = over_w - less_w * share[i]
    return cut_w
