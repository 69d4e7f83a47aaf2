"""The plan against SciPy's linear programme (HiGHS) and against thermostats, in one run on one machine."""

from dataclasses import replace
from datetime import timedelta
from functools import partial

import numpy as np
import pytest
from computing import best_s
from scipy.optimize import linprog

from controller.plan.ahead import gains_of
from controller.plan.allocate import merit_order
from controller.plan.outlook import starting_state
from controller.plan.plan import plan_of
from controller.plan.slots import SLOT_S, slots_of
from controller.thermal.inputs import inputs_of
from controller.thermal.model import Stepper
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, predict
from tests.bench.plan_nights import DRAWS, show
from tests.bench.where_foresight_pays import show as table
from tests.conftest import DUSK
from tests.plan.test_outlook import READINGS, forecast

pytestmark = pytest.mark.long
PRICE = np.full(96, 0.30 * SLOT_S / 3.6e6)


def one_tree(site, *, of_fruit=False):
    """Return the free course [°C] and the gains [K/W] of the first tree's air or fruit, strings off."""
    site = site.model_copy(update={"trees": site.trees[:1]})
    parameters = replace(parameters_of(site), string_w=np.array([120.0]))
    inputs = slots_of(inputs_of(forecast(-7.0), site, parameters, DUSK, horizon_s=96 * SLOT_S))
    stepper = Stepper(parameters, SLOT_S)
    start = starting_state(site, parameters, inputs, READINGS)
    free = predict(parameters, start, inputs, Heat.NONE, stepper=stepper)
    if not of_fruit:
        gains = gains_of(parameters, inputs, stepper, np.array([0]), 96)[0]
        return free.tree_temp_c[1:, 0], gains
    gains = np.zeros((96, 96))
    for slot in range(96):
        one_w = inputs.string_w.copy()
        one_w[slot] = 1.0
        heated = predict(parameters, start, replace(inputs, string_w=one_w), Heat.GIVEN, stepper=stepper)
        gains[:, slot] = heated.fruit_temp_c[1:, 0] - free.fruit_temp_c[1:, 0]
    return free.fruit_temp_c[1:, 0], gains


def greedy(free_c, gains, worth, cap_w=120.0, price=PRICE):
    return merit_order(free_c, gains, limit_c=0.0, cap_w=cap_w, price_per_w=price, worth_per_k=worth)


def programme(free_c, gains, worth, cap_w=120.0, price=PRICE):
    slots = len(free_c)
    return linprog(
        np.concatenate([price, np.full(slots, worth)]),
        A_ub=-np.hstack([gains, np.eye(slots)]),
        b_ub=free_c,
        bounds=[(0.0, cap_w)] * slots + [(0.0, None)] * slots,
        method="highs",
    )


# Half price by night, from the 20th to the 60th quarter of an hour.
TWO_RATES = PRICE * np.where((np.arange(96) >= 20) & (np.arange(96) < 60), 0.5, 1.0)


# what it costs above the programme, and in what share of its time: the bar for air at a flat price
@pytest.mark.parametrize(
    ("of_fruit", "price", "within", "share"),
    [
        (False, PRICE, 1.001, 15.0),
        (False, TWO_RATES, 1.01, 2.0),
        (True, PRICE, 1.01, 1.5),
        (True, TWO_RATES, 1.015, 1.5),
    ],
    ids=["air", "air, two rates", "fruit", "fruit, two rates"],
)
def test_cost_and_time_of_one_tree_against_the_linear_programme(curlew_yard, of_fruit, price, within, share):
    free_c, gains = one_tree(curlew_yard, of_fruit=of_fruit)
    costs, shares = [], []
    for cap_w in (120.0, 200.0, 280.0, 350.0):
        for worth in (0.0005, 0.002, 0.01, 0.05, 0.25):
            for milder_k in (0.0, 3.0, 5.0):
                given = (free_c + milder_k, gains, worth, cap_w, price)
                power_w, found = greedy(*given), programme(*given)
                short_k = np.maximum(-(free_c + milder_k + gains @ power_w), 0.0)
                costs.append((price @ power_w + worth * short_k.sum()) / found.fun)
                shares.append(best_s(partial(programme, *given), 3) / best_s(partial(greedy, *given), 15))
    print(
        f"cost at most {max(costs):.5f} of the programme's, time 1/{min(shares):.1f} to 1/{max(shares):.0f}, "
        f"median 1/{np.median(shares):.0f}"
    )
    assert min(costs) >= 1.0 - 1e-6
    assert max(costs) <= within
    assert np.median(shares) >= share


def test_eight_trees(curlew_yard):
    trees = (curlew_yard.trees * 2)[:8]
    site = curlew_yard.model_copy(
        update={"trees": tuple(t.model_copy(update={"name": f"t{i}"}) for i, t in enumerate(trees))}
    )
    at = DUSK + timedelta(hours=4)
    hard_s = best_s(lambda: plan_of(site, forecast(-12.0), READINGS, at), 15)
    free_c, gains = one_tree(curlew_yard)
    print(f"eight trees short of heat: {1e3 * hard_s:.1f} ms")
    assert hard_s <= 8.0 * best_s(lambda: programme(free_c, gains, 0.25), 3)


# Of a thermostat at the hold temperature: energy and kelvin-hours, in the median; and of the energy of one as
# warm, in the median and at most: strings too small in the coldest nights, big enough, and too small in many.
@pytest.mark.timeout(7200)
@pytest.mark.parametrize(
    ("watts", "draws", "energy", "k_h", "equal", "worst"),
    [
        (200.0, DRAWS, 1.15, 0.88, 0.72, 1.02),
        (350.0, DRAWS, 1.02, 1.0, 1.02, 1.02),
        (130.0, DRAWS[:1], 1.30, 0.97, 0.85, 1.02),
    ],
    ids=["200 W", "350 W", "130 W"],
)
def test_the_plan_against_thermostats_on_a_house_of_another_structure(
    watts, draws, energy, k_h, equal, worst
):
    pytest.importorskip("demandlib")
    found = np.array(show(watts, draws=draws))
    assert (np.median(found, axis=0) <= [energy, k_h, equal]).all()
    assert found[:, 2].max() <= worst, "in no draw worse than a thermostat as warm"


def test_hands_in_time_are_worth_more_than_any_plan():
    pytest.importorskip("demandlib")
    found = table(5, 0)
    kwh, _, k_h, loss = (
        dict(zip(found, column, strict=True)) for column in zip(*found.values(), strict=True)
    )
    assert kwh["fleece on at 16 h"] < kwh["fleece on at 20 h"] < kwh["fleece on at 23 h"]
    assert loss["fleece on at 16 h"] <= loss["fleece on at 23 h"]
    assert k_h["probe lags by 10 min"] > k_h["fleece on at all times"]
    small, planned = k_h["small strings"], k_h["small strings, planned"]
    assert planned < k_h["small strings, forecast 5 K too warm"] <= small * 1.01
    shared = k_h["as many watts, shared by need"]
    assert k_h["as many watts, shared by need, planned"] < shared < 0.5 * small
