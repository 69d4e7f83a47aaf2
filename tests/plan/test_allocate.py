"""The merit order by hand, and against the linear programme."""

import numpy as np
import pytest
from scipy.optimize import linprog

from controller.plan.allocate import merit_order


def allocate(free_c, gain, *, cap_w=100.0, price=None, worth=10.0):
    free_c = np.asarray(free_c, dtype=float)
    price = np.ones(len(free_c)) if price is None else np.asarray(price, dtype=float)
    return merit_order(free_c, gain, limit_c=0.0, cap_w=cap_w, price_per_w=price * 1e-3, worth_per_k=worth)


def fading(slots, keep, per_w=0.01):
    """Return the gains of air that keeps a share of its warmth from slot to slot."""
    lag = np.arange(slots)[:, None] - np.arange(slots)[None, :]
    return np.where(lag >= 0, per_w * keep ** np.maximum(lag, 0), 0.0)


def optimum(free_c, gain, cap_w, price, worth):
    """Return the cost of the linear programme: heat at its price, and what is short at its worth."""
    slots = len(free_c)
    found = linprog(
        np.concatenate([price, np.full(slots, worth)]),
        A_ub=-np.hstack([gain, np.eye(slots)]),
        b_ub=np.asarray(free_c),
        bounds=[(0.0, cap_w)] * slots + [(0.0, None)] * slots,
        method="highs",
    )
    return found.fun


def cost_of(power_w, free_c, gain, price, worth):
    return price @ power_w + worth * np.maximum(-(free_c + gain @ power_w), 0.0).sum()


def test_a_slot_that_its_own_heat_can_hold_gets_just_that():
    # half a kelvin short at 0.01 K/W: 50 W
    assert allocate([1.0, -0.5, 1.0], fading(3, 0.0)) == pytest.approx([0.0, 50.0, 0.0])


def test_what_is_too_small_is_filled_from_the_slot_before():
    # 1.2 K short, 100 W give 1 K; a watt before leaves 0.005 K: 0.2 K take 40 W
    assert allocate([1.0, 1.0, -1.2], fading(3, 0.5)) == pytest.approx([0.0, 40.0, 100.0])


def test_nothing_is_bought_that_is_not_worth_its_price():
    # a watt before leaves 0.005 K, which costs 0.2 a kelvin
    for worth, ahead in ((0.15, False), (0.25, True)):
        power_w = allocate([1.0, 1.0, -1.2], fading(3, 0.5), worth=worth)
        assert bool(power_w[1] > 0.0) is ahead
        assert power_w[2] == pytest.approx(100.0)
    assert not allocate([-1.0], fading(1, 0.0), worth=0.01).any()


def test_a_cheaper_hour_is_taken_first():
    dear = allocate([1.0, 1.0, -1.2], fading(3, 0.9), price=[1.0, 5.0, 1.0])
    assert dear[0] > 0.0
    assert dear[1] == 0.0


def test_a_mild_night_and_unknown_numbers_buy_nothing():
    assert not allocate([3.0, 2.0, 1.0], fading(3, 0.5)).any()
    assert not allocate([np.nan, np.nan], fading(2, 0.5)).any()
    assert not allocate([-1.0, -1.0], np.full((2, 2), np.nan)).any()


@pytest.mark.parametrize("seed", range(20))
def test_on_air_it_costs_what_the_linear_programme_costs(seed):
    # SciPy's HiGHS is the oracle; air under fleece keeps e^(-15/7) = 12 % of its warmth through a slot
    rng = np.random.default_rng(seed)
    slots = 96
    free_c = -3.0 + 3.0 * np.cos(np.arange(slots) / 15.0) + 0.5 * rng.normal(size=slots)
    gain = fading(slots, np.exp(-15.0 / 7.0), per_w=0.02)
    cap_w, price, worth = rng.uniform(100.0, 400.0), np.full(slots, 1e-4), 1.0
    power_w = merit_order(free_c, gain, limit_c=0.0, cap_w=cap_w, price_per_w=price, worth_per_k=worth)
    assert power_w.min() >= 0.0
    assert power_w.max() <= cap_w + 1e-9
    mine, best = cost_of(power_w, free_c, gain, price, worth), optimum(free_c, gain, cap_w, price, worth)
    assert best * (1.0 - 1e-6) <= mine <= best * 1.001
