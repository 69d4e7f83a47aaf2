"""Where to put heat in time so that the least money keeps a tree warm: merit order.

Each slot of heat has a price and, through the house's memory, a gain in every later slot.  In each slot that
would be too cold the cheapest kelvin is bought first, its own slot before earlier ones, as long as it is
worth its price.  For air under fleece, which forgets within minutes, this finds the linear programme's best
(checked against HiGHS in the benches); where the slow mass decides, it pays a few per cent more.
"""

import numpy as np

from controller.physics import FloatArray

# A deficit below this is none [K].
ENOUGH_K = 1e-6


def merit_order(
    free_c: FloatArray,
    gain_k_per_w: FloatArray,
    *,
    limit_c: float,
    cap_w: float,
    price_per_w: FloatArray,
    worth_per_k: float,
) -> FloatArray:
    """Return the power of each slot [W], shape (K,), that buys warmth where it is worth its price.

    Parameters
    ----------
    free_c
        Temperature at the end of each slot without this heat [°C], shape (K,).
    gain_k_per_w
        What a watt in slot j (columns) adds at the end of slot k (rows), shape (K, K), lower triangular.
    limit_c
        Temperature to keep [°C].
    cap_w
        The most that the strings give [W].
    price_per_w
        What a watt costs through each slot, shape (K,), above 0.
    worth_per_k
        What a kelvin above the deficit is worth at the end of one slot, in the same money.

    Notes
    -----
    First each slot is held with its own heat as far as it goes.  What is then short is filled from earlier
    slots in the order of their price for each kelvin that they bring to all slots still short; NaN buys
    nothing.
    """
    power_w = np.zeros_like(free_c)
    temp_c = free_c.copy()
    own = np.diag(gain_k_per_w)
    for k in np.flatnonzero(~(free_c >= limit_c)):
        if temp_c[k] < limit_c and worth_per_k * own[k] > price_per_w[k]:
            power_w[k] = min(cap_w, (limit_c - temp_c[k]) / own[k])
            temp_c += gain_k_per_w[:, k] * power_w[k]
    while True:
        short = limit_c - temp_c > ENOUGH_K
        brings = np.where(power_w < cap_w, gain_k_per_w[short].sum(0), 0.0)
        merit = worth_per_k * brings - price_per_w
        best = int(np.argmax(brings / price_per_w))
        if not merit[best] > 0.0:
            return power_w
        helped = short & (gain_k_per_w[:, best] > 0.0)
        fills_w = float(np.min((limit_c - temp_c[helped]) / gain_k_per_w[helped, best]))
        added_w = min(cap_w - power_w[best], fills_w)
        power_w[best] += added_w
        temp_c += gain_k_per_w[:, best] * added_w
