"""What a night puts at stake, against numerical integration and the physics of a thermostat."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from controller.crop.dose import FRUIT_ONSET_K, dose_k_h, lost_share
from controller.plan.outlook import outlook_of, starting_state
from controller.plan.slots import MODEL_SPREAD_K, PASSED_ON, SLOT_S, slots_of
from controller.plan.stake import stake_of
from controller.thermal.inputs import inputs_of
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, predict
from tests.conftest import DUSK
from tests.plan.test_outlook import READINGS, forecast


def parts(site, lowest_c, spread_k=1.5):
    given = forecast(lowest_c)
    given = replace(given, spread_k=np.full(len(given.at_s), spread_k))
    parameters = parameters_of(site)
    fine = inputs_of(given, site, parameters, DUSK, horizon_s=24 * 3600.0)
    return given, parameters, starting_state(site, parameters, fine, READINGS), fine


def stake(site, lowest_c, spread_k=1.5):
    given, parameters, start, fine = parts(site, lowest_c, spread_k)
    return stake_of(site, given, parameters, start, fine, DUSK)


def test_without_heat_it_is_the_mean_over_the_spread(curlew_yard):
    given, parameters, start, fine = parts(curlew_yard, -2.0)
    found = stake_of(curlew_yard, given, parameters, start, fine, DUSK)
    # the house is linear where nothing switches, so a shift of the outside shifts the fruit in proportion
    slots = slots_of(fine)
    plain = predict(parameters, start, slots, Heat.NONE).fruit_temp_c
    colder = replace(slots, outside_temp_c=slots.outside_temp_c - 1.0)
    per_k = predict(parameters, start, colder, Heat.NONE).fruit_temp_c - plain
    z = np.linspace(-6.0, 6.0, 2001)
    shift_k = z * np.hypot(MODEL_SPREAD_K, PASSED_ON * 1.5)
    fruit_c = plain + shift_k[:, None, None] * per_k
    # satsumas in January: half-ripe or ripe, damage begins at -2.2 °C or above
    lemon = [tree.name for tree in curlew_yard.trees].index("lemon")
    shares = lost_share(dose_k_h(fruit_c, -0.8 + FRUIT_ONSET_K, SLOT_S))[:, lemon]
    assert found.free["lemon"] == pytest.approx(np.trapezoid(shares * norm.pdf(z), z), abs=0.005)


def test_strings_that_reach_leave_nothing_at_stake(curlew_yard):
    found = stake(curlew_yard, -6.0)
    assert max(found.held.values()) < 0.01
    assert min(found.free.values()) > 0.5


def test_strings_too_small_and_an_unsure_forecast_leave_something(curlew_yard):
    held = [max(stake(curlew_yard, lowest_c).held.values()) for lowest_c in (-6.0, -14.0, -20.0)]
    assert held == sorted(held)
    assert held[-1] > 0.1
    assert max(stake(curlew_yard, -11.0, 4.0).held.values()) > max(
        stake(curlew_yard, -11.0, 0.1).held.values()
    )


def test_a_tree_without_fruit_has_none_to_lose(curlew_yard):
    bare = tuple(tree.model_copy(update={"fruit_count": 0}) for tree in curlew_yard.trees)
    site = curlew_yard.model_copy(update={"trees": bare})
    assert max(stake(site, -20.0).free.values()) == 0.0


def test_the_outlook_carries_it(curlew_yard):
    given, *_ = parts(curlew_yard, -8.0)
    outlook = outlook_of(curlew_yard, given, READINGS, DUSK)
    found = stake(curlew_yard, -8.0)
    for tree in outlook.trees:
        assert tree.free_loss_share == pytest.approx(found.free[tree.name], abs=0.02)
        assert tree.loss_share == pytest.approx(found.held[tree.name], abs=0.02)
