"""Where to put heat in time so that the least money keeps a tree warm: merit order.

Each slot of heat has a price and, through the house's memory, a gain in every later slot.  Most slots decide
themselves: one whose heat pays even if all others heated is bought whole, one whose heat does not pay even
if no other heated is never bought, and both are true of the linear programme's best too.  Among what is left
the cheapest kelvin is bought first.  Heat bought early, which soil, leaves and fruit keep for hours, turns
out to be too much once later heat is bought, so one more pass takes back what no longer pays, and three where
slow fruit decides (checked against HiGHS in the benches).  At two
rates heat moves from dear slots to cheap ones before them, as far as enough of it is left by then.
"""

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray

# A deficit below this is none [K].
ENOUGH_K = 1e-6
# Heat is moved to cheaper slots where it saves at least this much more than it costs.
_GAINFUL = 1.01
# Passes that take back and buy anew; further ones change nothing that matters.
_SWEEPS = 3


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
    NaN buys nothing.
    """
    power_w, left = _decided(free_c - limit_c, gain_k_per_w, cap_w, price_per_w, worth_per_k)
    if not left.any():
        return power_w
    above_k = free_c - limit_c + gain_k_per_w @ power_w
    own = np.diag(gain_k_per_w)
    slow = bool((own < gain_k_per_w.max(0)).any())
    if not slow:
        held, decided_w = left & (worth_per_k * own > price_per_w), power_w.copy()
        _hold(power_w, above_k, held, gain_k_per_w, cap_w)
        if np.ptp(price_per_w) > 0.0:
            _shift(power_w, above_k, decided_w, held, gain_k_per_w, cap_w, price_per_w, worth_per_k)
    _fill(power_w, above_k, left, gain_k_per_w, cap_w, price_per_w, worth_per_k)
    for _ in range(_SWEEPS if slow or np.ptp(price_per_w) > 0.0 else 1):
        _trim(power_w, above_k, left, gain_k_per_w, price_per_w, worth_per_k)
        _fill(power_w, above_k, left, gain_k_per_w, cap_w, price_per_w, worth_per_k)
    return power_w


def _decided(
    free_k: FloatArray, gain: FloatArray, cap_w: float, price: FloatArray, worth: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the power of the slots that decide themselves, and which slots are left open.

    Each round draws the bounds of what may be bought closer together; it ends since they never part again.
    """
    low_w, high_w = np.zeros_like(free_k), np.full_like(free_k, cap_w)
    while True:
        short = free_k + gain @ high_w < 0.0  # whatever is bought
        may_be_short = free_k + gain @ low_w < 0.0
        pays = worth * (short @ gain) > price
        may_pay = worth * (may_be_short @ gain) > price
        low_w_then, high_w_then = low_w, high_w
        low_w, high_w = np.where(pays, cap_w, low_w), np.where(may_pay, high_w, low_w)
        if np.array_equal(low_w, low_w_then) and np.array_equal(high_w, high_w_then):
            return low_w, high_w > low_w


def _hold(
    power_w: FloatArray, above_k: FloatArray, left: NDArray[np.bool_], gain: FloatArray, cap_w: float
) -> None:
    """Hold, in place, each slot with its own heat as far as it goes."""
    for k in np.flatnonzero(left & (above_k < 0.0)):
        if above_k[k] < 0.0:
            added_w = min(cap_w - power_w[k], -above_k[k] / gain[k, k])
            power_w[k] += added_w
            above_k += gain[:, k] * added_w


def _shift(
    power_w: FloatArray,
    above_k: FloatArray,
    early_w: FloatArray,
    held: NDArray[np.bool_],
    gain: FloatArray,
    cap_w: float,
    price: FloatArray,
    worth: float,
) -> None:
    """Move, in place, heat of dear slots to cheaper ones before them, as far as enough of it is left by then.

    ``early_w`` is what is bought whatever each slot needs itself; it grows here.
    A kelvin is worth in a slot held by its own heat what that heat costs, less what it is worth later; a slot
    whose heat brings more than its own price is bought, and what follows is held anew.
    """
    free_k = above_k - gain @ power_w
    while True:  # it ends, since each round buys more and no slot takes more than the strings give
        kelvin = _worth_of_kelvin(power_w, above_k, gain, cap_w, price, worth)
        brings = kelvin @ gain
        best = int(np.argmax(np.where(power_w < cap_w, brings / price, 0.0)))
        later = np.flatnonzero((power_w > 0.0) & (kelvin > 0.0) & (np.arange(len(power_w)) > best))
        if not (brings[best] > _GAINFUL * price[best] and power_w[best] < cap_w and later.size):
            return
        k = int(later[0])
        spares_w = power_w[k] * gain[k, k] / gain[k, best]
        early_w[best] = power_w[best] + min(cap_w - power_w[best], max(spares_w, 0.05 * cap_w))
        power_w[:] = early_w
        above_k[:] = free_k + gain @ early_w
        _hold(power_w, above_k, held, gain, cap_w)


def _worth_of_kelvin(
    power_w: FloatArray,
    above_k: FloatArray,
    gain: FloatArray,
    cap_w: float,
    price: FloatArray,
    worth: float,
) -> FloatArray:
    """Return what a kelvin is worth at the end of each slot: what its own heat costs, or what is lost."""
    kelvin = np.where(above_k < -ENOUGH_K, worth, 0.0)
    own = (power_w > 0.0) & (power_w < cap_w) & (np.abs(above_k) <= ENOUGH_K)
    for k in np.flatnonzero(own)[::-1]:
        kelvin[k] = min(max((price[k] - kelvin[k + 1 :] @ gain[k + 1 :, k]) / gain[k, k], 0.0), worth)
    return np.asarray(kelvin)


def _fill(
    power_w: FloatArray,
    above_k: FloatArray,
    left: NDArray[np.bool_],
    gain: FloatArray,
    cap_w: float,
    price: FloatArray,
    worth: float,
) -> None:
    """Buy, in place, from the slot that brings most to all slots still short for its price, while it pays."""
    short = above_k < -ENOUGH_K
    brings = short @ gain
    while True:
        best = int(np.argmax(np.where(left & (power_w < cap_w), brings / price, 0.0)))
        if not (worth * brings[best] > price[best] and power_w[best] < cap_w):
            return
        column = gain[:, best]
        helped = short & (column > 0.0)
        added_w = min(cap_w - power_w[best], float(np.min(-above_k[helped] / column[helped])))
        power_w[best] += added_w
        above_k += column * added_w
        still = above_k < -ENOUGH_K
        for k in np.flatnonzero(short & ~still):
            brings = brings - gain[k]
        short = still


def _trim(
    power_w: FloatArray,
    above_k: FloatArray,
    left: NDArray[np.bool_],
    gain: FloatArray,
    price: FloatArray,
    worth: float,
) -> None:
    """Take back, in place, what no longer pays, from the slot that brings least on."""
    # taking back leaves more slots short, so what pays now pays then
    for k in np.flatnonzero(left & (power_w > 0.0) & (worth * ((above_k < ENOUGH_K) @ gain) < price)):
        column = gain[:, k]
        reached = column > 0.0
        while power_w[k] > 0.0 and worth * column[above_k < ENOUGH_K].sum() < price[k]:
            spare = reached & (above_k >= ENOUGH_K)
            less_w = min(float(power_w[k]), float(np.min(above_k[spare] / column[spare], initial=np.inf)))
            power_w[k] -= less_w
            above_k -= column * less_w
