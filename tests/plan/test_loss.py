"""What a night puts at stake, against numerical integration and the physics of a thermostat."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from controller.crop.dose import FRUIT_ONSET_K, dose_k_h, lost_share
from controller.crop.exposure import DRY_K, FLEECE_LEAVES
from controller.crop.limits import tissue_limits
from controller.crop.risk import night_risk
from controller.plan.loss import HELD_SPREAD_K, Weather, held_by_risk, last_first, night_loss, stake_of
from controller.plan.outlook import outlook_of, starting_state
from controller.plan.plan import plan_of
from controller.plan.slots import MODEL_SPREAD_K, PASSED_ON, SLOT_S, slots_of
from controller.thermal.inputs import inputs_of
from controller.thermal.model import Stepper
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, predict
from tests.conftest import DUSK
from tests.plan.test_outlook import READINGS, forecast

STEPS = 64


def by_risk(site):
    trees = tuple(tree.model_copy(update={"hold": "risk"}) for tree in site.trees)
    return site.model_copy(update={"trees": trees})


def predicted(site, lowest_c, heat, *, cloud=0.0):
    parameters = parameters_of(site)
    inputs = slots_of(inputs_of(forecast(lowest_c), site, parameters, DUSK, horizon_s=STEPS * SLOT_S))
    start = starting_state(site, parameters, inputs, READINGS)
    weather = Weather(cloud_frac=np.full(STEPS, cloud), spread_k=np.full(STEPS, 1.2))
    return predict(parameters, start, inputs, heat), weather, (parameters, start, inputs)


def test_fruit_lies_below_its_air_under_a_clear_sky(curlew_yard):
    found, clear, _ = predicted(curlew_yard, -6.0, Heat.HELD)
    dull = replace(clear, cloud_frac=np.ones(STEPS))
    at_stake = night_loss(curlew_yard, found, clear, DUSK)
    assert (at_stake.loss >= night_loss(curlew_yard, found, dull, DUSK).loss).all()
    limits = tuple(
        tissue_limits(tree, DUSK, latitude_deg=52.2, chilled_h=np.nan) for tree in curlew_yard.trees
    )
    by_hand = night_risk(
        curlew_yard.trees,
        limits,
        fruit_temp_c=found.fruit_temp_c[1:] - DRY_K * FLEECE_LEAVES,
        tree_temp_c=found.tree_temp_c[1:],
        spread_k=HELD_SPREAD_K,
        step_s=SLOT_S,
    )
    assert at_stake.loss == pytest.approx(by_hand.loss)


def test_unheated_a_frost_takes_crops_and_held_next_to_nothing(curlew_yard):
    free, weather, _ = predicted(curlew_yard, -9.0, Heat.NONE)
    held, _, _ = predicted(curlew_yard, -9.0, Heat.HELD)
    unheated = night_loss(curlew_yard, free, weather, DUSK, held=False)
    at_hold = night_loss(curlew_yard, held, weather, DUSK)
    assert (unheated.crop_share > 0.5).all()
    # lemons freeze first (FAO table, from memory): +1 °C of air leaves them next to nothing on a clear night
    lemon = np.array([tree.kind == "lemon" for tree in curlew_yard.trees])
    assert (at_hold.crop_share[~lemon] < 0.05).all()
    assert (at_hold.crop_share[lemon] < 0.3).all()


def holds(site, *, cloud, lowest_c=-6.0, price=0.3):
    _, weather, (parameters, start, inputs) = predicted(site, lowest_c, Heat.HELD, cloud=cloud)
    stepper = Stepper(parameters, SLOT_S)
    return held_by_risk(site, parameters, start, inputs, stepper, weather, np.full(STEPS, price), DUSK)


def test_risk_holds_warmer_under_a_clear_sky_than_under_cloud_and_within_limits(curlew_yard):
    site = by_risk(curlew_yard)
    clear, dull = holds(site, cloud=0.0), holds(site, cloud=1.0)
    assert (clear.hold_c >= dull.hold_c).all()
    assert clear.hold_c.sum() > dull.hold_c.sum()
    for tree, clear_c, dull_c in zip(site.trees, clear.hold_c, dull.hold_c, strict=True):
        lowest_c, highest_c = tree.hold_range_c
        assert lowest_c <= dull_c <= clear_c <= highest_c
    assert clear.saves >= -1e-9
    assert dull.saves >= -1e-9


def test_dear_heat_lowers_the_hold_temperature_and_worthless_fruit_to_the_limit(curlew_yard):
    site = by_risk(curlew_yard)
    assert holds(site, cloud=0.0, price=30.0).hold_c.sum() < holds(site, cloud=0.0).hold_c.sum()
    worthless = {"crop_value": 0.0, "tree_value": 0.0}
    poor = site.model_copy(update={"trees": tuple(tree.model_copy(update=worthless) for tree in site.trees)})
    lowest_c = [tree.hold_range_c[0] for tree in poor.trees]
    assert holds(poor, cloud=0.0).hold_c == pytest.approx(lowest_c)


def test_fixed_trees_stand_and_what_cannot_be_weighed_stays(curlew_yard):
    usual_c = [tree.hold_or_default_c for tree in curlew_yard.trees]
    assert holds(curlew_yard, cloud=0.0).hold_c == pytest.approx(usual_c)
    one = curlew_yard.model_copy(update={"trees": (by_risk(curlew_yard).trees[0], *curlew_yard.trees[1:])})
    assert holds(one, cloud=1.0).hold_c[1:] == pytest.approx(usual_c[1:])
    unknown = holds(by_risk(curlew_yard), cloud=0.0, price=np.nan)
    assert unknown.hold_c == pytest.approx(usual_c)
    assert unknown.saves == 0.0


def test_limits_of_a_hold_temperature_by_risk(curlew_yard):
    # satsuma: damage at -2.2 (FAO table, from memory) + 0.85 for fruit below air + 0.5 for the probe
    trees = {tree.name: tree for tree in by_risk(curlew_yard).trees}
    assert trees["satsuma-door"].hold_range_c == pytest.approx((-0.85, 2.0))
    assert trees["lemon"].hold_range_c == pytest.approx((0.55, 3.0))
    assert curlew_yard.trees[0].hold_range_c == (0.0, 0.0)
    low = trees["lemon"].model_copy(update={"hold_c": -0.5})
    assert low.hold_range_c == pytest.approx((-0.5, 1.5)), "never above what the grower set"


def test_the_plan_carries_hold_temperatures_by_risk_and_says_what_they_save(curlew_yard):
    plan = plan_of(by_risk(curlew_yard), forecast(-6.0, cloud=1.0), READINGS, DUSK)
    hold_c = plan.hold_c("satsuma-door", 60.0)
    assert -0.85 <= hold_c <= 2.0
    assert plan.hold_c("satsuma-door", 3600.1) is None, "an old plan is not heeded"
    assert plan.hold_c("satsuma-door", -1.0) is None
    assert plan.hold_c("no-such-tree", 60.0) is None
    assert plan_of(curlew_yard, forecast(-6.0), READINGS, DUSK).hold_c("satsuma-door", 60.0) is None
    assert plan.risk_saves > 0.0
    assert f"holding by risk saves {plan.risk_saves:.2f}" in plan.loss_sentence
    assert "holding by risk costs 1.00" in replace(plan, risk_saves=-1.0).loss_sentence


def test_given_up_last_is_the_tree_with_most_at_stake_for_each_missing_watt():
    loss, lacks_w = np.array([50.0, 80.0, 10.0, 70.0]), np.array([100.0, 400.0, 10.0, 0.0])
    # 0.5, 0.2 and 1.0 a watt; the last lacks nothing
    assert last_first(("a", "b", "c", "d"), loss, lacks_w) == ("c", "a", "b")


def test_the_plan_says_who_is_given_up_last_and_what_is_missing(curlew_yard):
    plan = plan_of(curlew_yard, forecast(-14.0), READINGS, DUSK)
    last = plan.last_given_up[0]
    assert f"any spare heat goes to {last}, given up last" in plan.loss_sentence
    assert f"{plan.trees[last].lacks_w:.0f} W" in plan.loss_sentence
    stakes = [tree.loss for tree in plan.trees.values()]
    assert all(stake.planned <= stake.held + 1e-9 <= stake.unheated + 1e-9 for stake in stakes)
    easy = plan_of(curlew_yard, forecast(-3.0), READINGS, DUSK)
    assert easy.last_given_up == ()
    assert "given up" not in easy.loss_sentence


# ---- as a share of the fruit, over all that forecast and model leave open


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
