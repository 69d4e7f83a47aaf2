"""The plan: gated, only ever adding, from shortage ahead."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import numpy as np
import pytest

from controller.plan.ahead import LEAST_YIELD, gains_of, warmth_of
from controller.plan.airing import Airing
from controller.plan.plan import (
    LARGEST_LIFT_K,
    LARGEST_Z,
    plan_of,
)
from controller.plan.slots import SLOT_S, slots_of
from controller.site.tariff import price_per_kwh_at
from controller.thermal.drive import Inputs
from controller.thermal.inputs import inputs_of
from controller.thermal.model import Stepper
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, initial_state, predict
from tests.conftest import DUSK
from tests.plan.test_outlook import READINGS, forecast

LATE = DUSK + timedelta(hours=4)


def asked(plan):
    return {name: [c for c in tree.floor_c if c is not None] for name, tree in plan.trees.items()}


def test_where_strings_are_large_enough_it_asks_for_nothing(curlew_yard):
    # the thermostat alone is the cheapest way then
    plan = plan_of(curlew_yard, forecast(-6.0), READINGS, LATE)
    assert not plan.is_short
    assert not any(asked(plan).values())
    assert plan.added_kwh == 0.0
    assert plan.energy_kwh > 1.0
    assert plan.sentence == "the strings hold every tree through the coming day: none needs warming ahead"
    assert plan.ask("lemon", 0.0) is None


def test_before_hours_that_the_strings_cannot_hold_it_warms_ahead(curlew_yard):
    plan = plan_of(curlew_yard, forecast(-12.0), READINGS, LATE)
    lemon = plan.trees["lemon"]
    first = next(k for k, floor_c in enumerate(lemon.floor_c) if floor_c is not None)
    last = max(k for k, floor_c in enumerate(lemon.floor_c) if floor_c is not None)
    assert min(asked(plan)["lemon"]) > 1.0
    # planned for weather colder by the margin, asked for the weather expected: half a deviation of 0.6 K for
    # the model and 0.9 x 1.2 K for the forecast together
    planned_c = plan.course.tree_temp_c[first, list(plan.trees).index("lemon")]
    assert lemon.floor_c[first] == pytest.approx(planned_c + 0.5 * np.hypot(0.6, 0.9 * 1.2))
    assert max(asked(plan)["lemon"]) <= 1.0 + LARGEST_LIFT_K
    assert LATE + timedelta(seconds=SLOT_S * first) < lemon.short_from
    assert LATE + timedelta(seconds=SLOT_S * (last + 1)) <= lemon.short_from
    assert lemon.lacks_w > plan.trees["satsuma-back"].lacks_w > 0.0
    ask = plan.ask("lemon", SLOT_S * first + 1.0)
    assert ask.floor_c == lemon.floor_c[first]
    assert ask.age_s == SLOT_S * first + 1.0
    assert "too small from" in ask.why
    assert f"{plan.added_kwh:.1f} kWh ({0.3 * plan.added_kwh:.2f} EUR)" in plan.sentence
    assert "lemon (lacks" in plan.sentence


def test_a_forecast_far_colder_than_the_probe_outside_warms_nothing_ahead(curlew_yard):
    # from LATE on it is forecast at -4.5 + 7.5 cos(4 pi / 11) = -1.4 °C and falling
    mild = READINGS | {"outside": 4.5}
    bust = plan_of(curlew_yard, forecast(-12.0), mild, LATE)
    assert bust.is_short
    assert not any(asked(bust).values())
    assert bust.sentence.endswith("but it is 6 K milder outside than forecast: none is warmed ahead")
    for outside_c in (2.5, np.nan):
        heard = plan_of(curlew_yard, forecast(-12.0), READINGS | {"outside": outside_c}, LATE)
        assert any(asked(heard).values())


def memory_h(parameters, inputs, i):
    """Return for how long LEAST_YIELD of a pulse's warmth in a tree's air is still to come [h]."""
    start = np.zeros_like(initial_state(parameters, house_temp_c=0.0, outside_temp_c=0.0, deep_temp_c=0.0))
    pulse_w, none_w = np.zeros((96, len(parameters.tree_names))), np.zeros((96, len(parameters.tree_names)))
    pulse_w[0, i] = 1.0
    pulsed, still = (
        predict(parameters, start, replace(inputs, string_w=w), Heat.GIVEN).tree_temp_c[1:, i]
        for w in (pulse_w, none_w)
    )
    to_come = (pulsed - still)[::-1].cumsum()[::-1]
    return float(np.flatnonzero(to_come >= to_come[0] * LEAST_YIELD)[-1]) * SLOT_S / 3600.0


def test_a_shortage_later_than_the_tree_remembers_waits(curlew_yard):
    begin = DUSK - timedelta(hours=2)
    sudden = forecast(-12.0)
    sudden = replace(
        sudden, outside_temp_c=np.where(sudden.at_s >= DUSK.timestamp() + 17 * 3600.0, -12.0, 3.0)
    )
    early = plan_of(curlew_yard, sudden, READINGS, begin)
    assert early.is_short
    parameters = parameters_of(curlew_yard)
    slots = slots_of(inputs_of(sudden, curlew_yard, parameters, begin, horizon_s=96 * SLOT_S))
    for i, (name, tree) in enumerate(early.trees.items()):
        remembers_h = memory_h(parameters, slots, i)
        first = next(k for k, floor_c in enumerate(tree.floor_c) if floor_c is not None)
        lead_h = (tree.short_from - begin).total_seconds() / 3600.0 - first * SLOT_S / 3600.0
        assert 4.0 < lead_h <= remembers_h < 24.0, name
        assert early.ask(name, 0.0) is None, "it is too early"


def test_at_a_night_s_end_warming_ahead_is_of_no_use(curlew_yard):
    now, cold = DUSK + timedelta(hours=10), dict.fromkeys(READINGS, -6.0)
    ending = forecast(-12.0)
    soon = ending.at_s < now.timestamp() + 2 * 3600.0
    ending = replace(ending, outside_temp_c=np.where(soon, -10.0, 8.0))
    plan = plan_of(curlew_yard, ending, cold, now)
    assert plan.is_short
    assert plan.added_kwh == 0.0
    assert plan.sentence.endswith("; it is too early, or of no use, to warm ahead")


def test_what_a_watt_adds_in_a_day_is_what_it_adds_in_all_slots(curlew_yard):
    parameters = parameters_of(curlew_yard)
    fine = inputs_of(forecast(-12.0), curlew_yard, parameters, LATE, horizon_s=96 * SLOT_S)
    slots, stepper, which = slots_of(fine), Stepper(parameters, SLOT_S), np.array([1, 3])
    gains = gains_of(parameters, slots, stepper, which, 96)
    assert warmth_of(slots, stepper, which) == pytest.approx(gains[:, :, 0].sum(1))


def test_warming_ahead_leaves_the_tree_less_cold(curlew_yard):
    plan = plan_of(curlew_yard, forecast(-12.0), READINGS, LATE)
    course, i = plan.course, list(plan.trees).index("lemon")
    parameters = parameters_of(curlew_yard)
    steps = len(course.at_s)
    fine = inputs_of(forecast(-12.0), curlew_yard, parameters, LATE, horizon_s=steps * SLOT_S)
    inputs = Inputs(
        start_s=LATE.timestamp(),
        step_s=SLOT_S,
        outside_temp_c=course.outside_temp_c,
        sky_depression_k=fine.sky_depression_k[::3],
        wind_m_s=fine.wind_m_s[::3],
        sun_w_m2=fine.sun_w_m2[::3],
        deep_temp_c=fine.deep_temp_c[::3],
        vent_m3_s=fine.vent_m3_s[::3],
        house_heat_w=fine.house_heat_w[::3],
        fleece_on=fine.fleece_on[::3],
        string_w=course.string_w,
    )
    start = initial_state(
        parameters,
        house_temp_c=5.0,
        outside_temp_c=3.0,
        deep_temp_c=float(fine.deep_temp_c[0]),
        tree_temp_c=[np.nan, np.nan, np.nan, 5.5, np.nan],
    )

    def k_h(heat):
        found = predict(parameters, start, inputs, heat)
        return np.maximum(1.0 - found.tree_temp_c[:, i], 0.0).sum() * SLOT_S / 3600.0

    assert k_h(Heat.GIVEN) < 0.95 * k_h(Heat.HELD)


def test_it_looks_at_a_colder_night_the_less_certain_the_forecast(curlew_yard):
    sure = replace(forecast(-6.0), spread_k=np.full(62, 0.1))
    unsure = replace(forecast(-6.0), spread_k=np.full(62, 3.0))
    holed = replace(forecast(-6.0), spread_k=np.full(62, np.nan))
    lowest_c = [
        plan_of(curlew_yard, each, READINGS, LATE).course.outside_temp_c.min()
        for each in (sure, holed, unsure)
    ]
    assert lowest_c == sorted(lowest_c, reverse=True)
    # half a deviation: 0.5 x (hypot(0.6, 0.9 x 3.0) - hypot(0.6, 0.9 x 0.1)) = 1.08 K
    assert lowest_c[0] - lowest_c[2] == pytest.approx(1.08, abs=0.02)
    assert lowest_c[0] == pytest.approx(-6.0 - LARGEST_Z * np.hypot(0.6, 0.09), abs=0.1)
    usual = plan_of(curlew_yard, forecast(-6.0), READINGS, LATE)
    assert usual.course.outside_temp_c.min() == pytest.approx(lowest_c[1])


def test_a_crop_worth_less_than_the_heat_gets_no_margin_and_no_warming_ahead(curlew_yard):
    worthless = {"crop_value": 0.0, "tree_value": 0.0}
    site = curlew_yard.model_copy(
        update={"trees": tuple(tree.model_copy(update=worthless) for tree in curlew_yard.trees)}
    )
    plan = plan_of(site, forecast(-13.0), READINGS, LATE)
    assert plan.z == 0.0
    assert plan.is_short
    assert not any(asked(plan).values())
    picked = {"fruit_count": 0, "tree_value": 0.0}
    site = curlew_yard.model_copy(
        update={"trees": tuple(tree.model_copy(update=picked) for tree in curlew_yard.trees)}
    )
    assert not any(asked(plan_of(site, forecast(-13.0), READINGS, LATE)).values())


def test_blossom_is_asked_a_warmer_floor_throughout(curlew_yard):
    may = datetime(2027, 5, 14, 17, tzinfo=UTC)
    spring = forecast(4.0)
    spring = replace(spring, at_s=spring.at_s + (may - DUSK).total_seconds(), fetched_at=may)
    plan = plan_of(curlew_yard, spring, READINGS, may)
    assert set(plan.trees["satsuma-door"].floor_c) == {1.0}
    assert plan.trees["satsuma-door"].why == "blossom or fruitlets hang"
    assert set(plan.trees["lemon"].floor_c) == {None}, "a lemon is held at +1 °C anyway"


@pytest.mark.parametrize("hours", [4, -1])
def test_a_forecast_that_ends_soon_gives_no_plan(curlew_yard, hours):
    assert plan_of(curlew_yard, forecast(-6.0, hours=hours), READINGS, DUSK) is None


def test_a_forecast_with_a_hole_gives_no_plan(curlew_yard):
    holed = forecast(-6.0)
    holed.outside_temp_c[8:20] = np.nan
    assert plan_of(curlew_yard, holed, READINGS, DUSK) is None


def test_an_old_plan_asks_nothing_of_vents(curlew_yard):
    plan = plan_of(curlew_yard, forecast(-6.0), READINGS, LATE)
    assert plan.ask_vents(0.0).airing is Airing.KEEP
    assert plan.ask_vents(3600.1) is None
    assert plan.ask_vents(-1.0) is None


def test_an_unknown_tree_and_a_time_beyond_the_plan_are_asked_nothing(curlew_yard):
    plan = plan_of(curlew_yard, forecast(-12.0), READINGS, LATE)
    assert plan.ask("no-such-tree", 0.0) is None
    assert plan.ask("lemon", 30 * 3600.0) is None
    assert plan.ask("lemon", -1.0) is None


CHEAP_UNTIL_EIGHT = {"night_price_per_kwh": 0.05, "night_from": time(16, 0), "night_until": time(23, 0)}


def at_two_rates(site, **changes):
    tariff = site.tariff.model_copy(update=CHEAP_UNTIL_EIGHT)
    trees = tuple(tree.model_copy(update=changes) for tree in site.trees)
    return site.model_copy(update={"tariff": tariff, "trees": trees})


def test_before_dearer_hours_it_warms_ahead_where_that_is_cheaper(curlew_yard):
    # six times the price from 23 h on; old trees keep a share of their warmth for hours
    site = at_two_rates(curlew_yard, height_m=3.5, width_m=3.2, fruit_count=400)
    strong = tuple(
        tree.model_copy(update={"strings": (tree.strings[0].model_copy(update={"power_w": 2000.0}),)})
        for tree in site.trees
    )
    wide = tuple(each.model_copy(update={"breaker_a": 80.0}) for each in site.circuits)
    site = site.model_copy(update={"trees": strong, "circuits": wide})
    plan = plan_of(site, forecast(-12.0), READINGS, LATE)
    flat = plan_of(site.model_copy(update={"tariff": curlew_yard.tariff}), forecast(-12.0), READINGS, LATE)
    assert not plan.is_short
    assert any(asked(plan).values())
    assert not any(asked(flat).values())
    assert plan.sentence.startswith("electricity gets dearer: warming ahead takes")
    assert plan.added_cost < 0.0, "it saves money"
    assert plan.added_kwh > 0.0
    assert {tree.why for tree in plan.trees.values() if any(tree.floor_c)} == {"electricity gets dearer"}
    two_rates = price_per_kwh_at(site, plan.course.at_s - 0.5 * SLOT_S)
    assert plan.cost == pytest.approx(float((plan.course.string_w.sum(1) * two_rates).sum()) * SLOT_S / 3.6e6)


def test_a_circuit_that_cannot_carry_all_warms_fewer_and_holds_all(curlew_yard):
    site = at_two_rates(curlew_yard, height_m=3.5, width_m=3.2, fruit_count=400)
    strings = (site.trees[0].strings[0].model_copy(update={"power_w": 2000.0}),)
    site = site.model_copy(
        update={"trees": tuple(tree.model_copy(update={"strings": strings}) for tree in site.trees)}
    )
    power_w = plan_of(site, forecast(-12.0), READINGS, LATE).course.string_w
    cheap = round(2 * 3600.0 / SLOT_S)
    assert power_w[:4].sum(1).max() == pytest.approx(230.0 * 10.0 * 0.8), "what the breaker allows for hours"
    most_at_risk = int(power_w[0].argmax())
    assert site.trees[most_at_risk].name == "lemon"
    assert (power_w[cheap + 8 :].sum(0) > 0.0).all(), "who was not warmed ahead is held by its own heat"


def test_a_tree_that_is_not_where_the_plan_saw_it_is_planned_for_anew(curlew_yard):
    plan = plan_of(curlew_yard, forecast(-6.0), READINGS, LATE)
    probes = {"lemon": "air-lemon", "yuzu": "air-yuzu"}
    seen_c = float(plan.course.tree_temp_c[1, list(plan.trees).index("lemon")])
    assert plan.strays({"air-lemon": seen_c + 1.9}, probes, 900.0) == ""
    assert plan.strays({"air-lemon": seen_c - 2.1}, probes, 900.0) == "lemon"
    assert plan.strays({"air-lemon": seen_c - 2.1}, probes, 299.0) == "", "it has just been made"
    assert plan.strays({"air-lemon": np.nan}, probes, 900.0) == ""
    assert plan.strays({"air-lemon": seen_c - 9.0}, probes, 30 * 3600.0) == "", "beyond the plan"
