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


def lagging(slots, lag_slots=4.4, per_w=0.02):
    """Return the gains of fruit that follows its air with a lag, for air without memory."""
    since = np.arange(slots)[:, None] - np.arange(slots)[None, :]
    share = 1.0 - np.exp(-1.0 / lag_slots)
    return np.where(since >= 0, per_w * share * np.exp(-np.maximum(since, 0) / lag_slots), 0.0)


def rising(slots, lag_slots=4.4, per_w=0.02):
    """Return the gains of fruit behind air that itself lags: the next slot's warmth is more than its own."""
    once = lagging(slots, lag_slots, 1.0)
    return per_w * once @ lagging(slots, 2.0, 1.0)


@pytest.mark.parametrize("gain", [lagging, rising])
@pytest.mark.parametrize("by_night", [1.0, 0.5])
def test_on_slow_fruit_and_at_two_rates_it_costs_at_most_one_per_cent_more(gain, by_night):
    slots, costs = 96, []
    price = 1e-4 * np.where((np.arange(slots) > 20) & (np.arange(slots) < 60), by_night, 1.0)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        # fruit's course is smooth: its lag takes the air's jumps away
        free_c = rng.uniform(-3.0, 0.0) + 3.0 * np.cos(np.arange(slots) / 15.0 + rng.uniform(0.0, 1.0))
        cap_w, worth = rng.uniform(60.0, 300.0), float(rng.choice([0.01, 0.1, 1.0]))
        gains = gain(slots)
        power_w = merit_order(free_c, gains, limit_c=0.0, cap_w=cap_w, price_per_w=price, worth_per_k=worth)
        assert power_w.min() >= 0.0
        assert power_w.max() <= cap_w + 1e-9
        best = optimum(free_c, gains, cap_w, price, worth)
        costs.append(cost_of(power_w, free_c, gains, price, worth) / best)
    # one course in forty costs up to 1.4 per cent more: a pair of slots would have to change places
    assert min(costs) >= 1.0 - 1e-6
    assert np.quantile(costs, 0.9) <= 1.01
    assert max(costs) <= 1.015
    assert np.median(costs) <= 1.001


def test_a_slot_that_earlier_heat_has_warmed_needs_none_of_its_own():
    assert allocate([-0.5, -0.1], fading(2, 0.5)) == pytest.approx([50.0, 0.0])


def test_where_everything_decides_itself_nothing_is_searched():
    # strings so small that every cold slot wants them whole
    power_w = allocate(np.full(8, -5.0), fading(8, 0.5), cap_w=10.0)
    assert power_w == pytest.approx(np.full(8, 10.0))


def remembering(slots, share):
    """Return the gains of air that keeps a share of its warmth for hours in wood and soil."""
    since = np.maximum(np.arange(slots)[:, None] - np.arange(slots)[None, :], 0)
    gains = 0.004 * ((1.0 - share) * np.exp(-since / 0.5) + share * np.exp(-since / 4.5))
    return np.tril(gains)


def test_at_two_rates_it_buys_ahead_what_lasts_into_dear_hours():
    slots, costs, blind = 96, [], []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        free_c = rng.uniform(-3.0, 0.0) + 3.0 * np.cos(np.arange(slots) / 15.0 + rng.uniform(0.0, 1.0))
        begin, end = sorted(rng.integers(0, slots, 2))
        cheap = (np.arange(slots) >= begin) & (np.arange(slots) < end)
        price = 1e-4 * np.where(cheap, rng.choice([0.15, 0.3, 0.5]), 1.0)
        gains, cap_w = remembering(slots, rng.uniform(0.1, 0.8)), rng.uniform(200.0, 1200.0)
        best = optimum(free_c, gains, cap_w, price, 1.0)
        for found, prices in ((costs, price), (blind, np.full(slots, 1e-4))):
            power_w = merit_order(
                free_c, gains, limit_c=0.0, cap_w=cap_w, price_per_w=prices, worth_per_k=1.0
            )
            found.append(cost_of(power_w, free_c, gains, price, 1.0) / best)
    assert min(costs) >= 1.0 - 1e-6
    assert max(costs) <= 1.005
    assert max(blind) >= 1.05, "blind to the price it would cost up to seven per cent more"
