"""The ladder of a tree's heat, rung by rung."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from controller.guard.decision import BAD_INPUT, Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.tree import DOUBT_LASTS_S, DOUBT_S, TreeMemory, TreeRules, decide_tree
from controller.guard.witness import Word
from controller.plan.plan import Ask
from tests.conftest import DUSK, at

RULES = TreeRules(name="satsuma", hold_c=0.0, hand_off_floor_c=-1.2, has_strings=True)
RESTING = TreeMemory(heating=False, changed_s=0.0)
HEATING = TreeMemory(heating=True, changed_s=0.0)


def seen(temp_c, fault=None):
    return Evidence(probe="air", temp_c=temp_c, fault=fault, age_s=200.0, ahead_s=90.0)


def order(position):
    return HandOrder(
        id="o1",
        who="Nora",
        target_kind="tree",
        target="satsuma",
        order=position,
        until=DUSK + timedelta(hours=2),
    )


def decide(memory, temp_c, *, fault=None, hand=None, mono_s=1000.0, rules=RULES):
    return decide_tree(rules, memory, seen(temp_c, fault), hand, at(mono_s))


@pytest.mark.parametrize("fault", sorted(BAD_INPUT))
@pytest.mark.parametrize("hand", [None, order(Order.HAND_OFF)])
def test_bad_input_means_heat_whatever_was_ordered(fault, hand):
    decision, _ = decide(RESTING, 9.0, fault=fault, hand=hand)
    assert (decision.active, decision.reason) == (True, fault)
    assert "the tree is heated" in decision.because


def test_over_temperature_cuts_the_string_whatever_was_ordered():
    decision, memory = decide(HEATING, 35.0, hand=order(Order.HAND_ON))
    assert (decision.active, decision.reason) == (False, Reason.TOO_HOT)
    decision, memory = decide(memory, 30.1, hand=order(Order.HAND_ON))
    assert decision.reason is Reason.TOO_HOT
    decision, _ = decide(memory, 30.0, hand=order(Order.HAND_ON))
    assert (decision.active, decision.reason) == (True, Reason.HAND_ON)


def test_a_hand_order_for_heat_is_obeyed_in_the_warm():
    decision, _ = decide(RESTING, 12.0, hand=order(Order.HAND_ON))
    assert (decision.active, decision.reason) == (True, Reason.HAND_ON)
    assert decision.because == "Nora ordered heat until 19:00 UTC"


@pytest.mark.parametrize(
    ("temp_c", "heat", "reason"),
    [
        (-1.1, False, Reason.HAND_OFF),
        (-1.2, True, Reason.HAND_OFF_OVERRULED),
        (-9.0, True, Reason.HAND_OFF_OVERRULED),
    ],
)
def test_a_hand_order_against_heat_ends_where_fruit_is_lost(temp_c, heat, reason):
    decision, _ = decide(HEATING, temp_c, hand=order(Order.HAND_OFF))
    assert (decision.active, decision.reason) == (heat, reason)
    assert "Nora ordered it off" in decision.because


@pytest.mark.fault("U02")
def test_fruit_that_was_let_go_by_name_is_let_go_and_a_bad_probe_heats_all_the_same():
    hand = replace(order(Order.HAND_OFF), consent="let the lemon go")
    decision, _ = decide(HEATING, -6.0, hand=hand)
    assert (decision.active, decision.reason) == (False, Reason.LET_GO)
    assert "Nora let its fruit go until 19:00 UTC: off at -6.0 °C" in decision.because
    blind, _ = decide(HEATING, -6.0, fault=Reason.PROBE_STALE, hand=hand)
    assert (blind.active, blind.reason) == (True, Reason.PROBE_STALE)


@pytest.mark.parametrize(
    ("memory", "temp_c", "heat", "reason"),
    [
        (RESTING, 0.0625, False, Reason.WARM_ENOUGH),
        (RESTING, 0.0, True, Reason.COLD),
        (RESTING, -8.0, True, Reason.COLD),
        (HEATING, 0.0, True, Reason.COLD),
        (HEATING, 0.5, True, Reason.NOT_YET_WARM),
        (HEATING, 0.5625, False, Reason.WARM_ENOUGH),
    ],
)
def test_the_crop_limit_with_its_band(memory, temp_c, heat, reason):
    decision, after = decide(memory, temp_c)
    assert (decision.active, decision.reason) == (heat, reason)
    assert after.heating is heat


@pytest.mark.parametrize(
    ("memory", "temp_c", "heat", "reason"),
    [
        (RESTING, 0.0, True, Reason.COLD),
        (RESTING, 1.0, True, Reason.HEAT_WITHOUT_EFFECT),
        (RESTING, 1.0625, False, Reason.WARM_ENOUGH),
        (HEATING, 0.5, True, Reason.NOT_YET_WARM),
        (HEATING, 1.5, True, Reason.HEAT_WITHOUT_EFFECT),
        (HEATING, 1.5625, False, Reason.WARM_ENOUGH),
    ],
)
def test_while_a_tree_has_lost_its_heat_all_are_held_a_kelvin_warmer(memory, temp_c, heat, reason):
    decision, _ = decide_tree(RULES, memory, seen(temp_c), None, at(1000.0), unwarmed="lemon")
    assert (decision.active, decision.reason) == (heat, reason)


def test_an_order_against_heat_stands_while_another_tree_has_lost_its_heat():
    hand = order(Order.HAND_OFF)
    decision, _ = decide_tree(RULES, RESTING, seen(0.5), hand, at(1000.0), unwarmed="lemon")
    assert (decision.active, decision.reason) == (False, Reason.HAND_OFF)


def test_the_sentence_holds_the_numbers():
    decision, _ = decide(RESTING, -0.25)
    assert decision.because == "-0.25 °C is not above the hold temperature 0.00 °C"


def test_not_a_number_never_turns_heat_off():
    for memory in (RESTING, HEATING):
        for hand in (None, order(Order.HAND_OFF)):
            decision, _ = decide(memory, math.nan, hand=hand)
            assert decision.active


def test_a_heater_that_began_stays_on_for_its_minimum_time():
    decision, memory = decide(RESTING, -0.1, mono_s=1000.0)
    assert decision.active
    decision, memory = decide(memory, 2.0, mono_s=1119.0)
    assert (decision.active, decision.reason) == (True, Reason.MINIMUM_ON_TIME)
    assert decision.because == "warm at 2.00 °C, but on for 119 s of at least 120 s"
    decision, memory = decide(memory, 2.0, mono_s=1120.0)
    assert not decision.active
    decision, _ = decide(memory, -0.1, mono_s=1121.0)
    assert decision.active, "turning on is never delayed"


@pytest.mark.fault("X09")
def test_no_more_than_twelve_switchings_an_hour_and_the_last_is_heat(met):
    memory, mono_s, changes_s = TreeMemory(heating=False, changed_s=-1e9), 0.0, []
    limited_s = []
    while mono_s < 7200.0:
        was = memory.heating
        decision, memory = decide(memory, 5.0 if memory.heating else -1.0, mono_s=mono_s)
        if memory.heating != was:
            changes_s.append(mono_s)
        if len([s for s in changes_s if mono_s - s < 3600.0]) == 11 and memory.heating:
            assert decision.reason in {Reason.COLD, Reason.MINIMUM_ON_TIME, Reason.SWITCHED_OFTEN}
        if decision.reason is Reason.SWITCHED_OFTEN:
            limited_s.append(mono_s)
        mono_s += 10.0
    for begin_s in changes_s:
        assert len([s for s in changes_s if begin_s <= s < begin_s + 3600.0]) <= 12
    assert len(changes_s) >= 20
    met(reaction=limited_s[0], alarm="none: the relay is spared, and the tree is heated meanwhile")


def test_a_tree_without_strings_is_only_watched():
    bare = TreeRules(name="young", hold_c=0.0, hand_off_floor_c=-1.2, has_strings=False)
    decision, _ = decide(RESTING, -3.0, rules=bare)
    assert (decision.active, decision.reason) == (False, Reason.NO_STRING)
    decision, _ = decide(RESTING, -3.0, rules=bare, fault=Reason.PROBE_STALE)
    assert not decision.active
    assert "nothing is known of this tree" in decision.because


def ask(floor_c, age_s=100.0):
    return Ask(floor_c=floor_c, why="its strings will be too small from 02:00 UTC", age_s=age_s)


def planned(memory, temp_c, asked, *, hand=None, fault=None, mono_s=1000.0):
    decision, _ = decide_tree(RULES, memory, seen(temp_c, fault), hand, at(mono_s), asked)
    return decision


def test_the_plan_adds_heat_up_to_its_floor_and_says_why():
    decision = planned(RESTING, 3.0, ask(4.0))
    assert (decision.active, decision.reason) == (True, Reason.PLANNED)
    assert decision.because == (
        "3.00 °C is not above 4.00 °C, to which the plan warms: its strings will be too small from 02:00 UTC"
    )
    assert planned(HEATING, 4.1, ask(4.0)).reason is Reason.WARM_ENOUGH


@pytest.mark.parametrize("temp_c", [-5.0, -0.1, 0.0, 0.3, 0.5, 2.0, 9.0, 34.9])
@pytest.mark.parametrize("floor_c", [math.nan, math.inf, -math.inf, -40.0, 0.0, 0.1, 5.0, 10.0, 99.0])
@pytest.mark.parametrize("age_s", [math.nan, -1.0, 0.0, 3600.0, 3601.0])
@pytest.mark.parametrize("memory", [RESTING, HEATING])
def test_no_plan_however_mad_takes_heat_away(temp_c, floor_c, age_s, memory):
    without, _ = decide(memory, temp_c)
    with_plan = planned(memory, temp_c, ask(floor_c, age_s))
    assert with_plan.active >= without.active
    if with_plan.active and not without.active:
        assert with_plan.reason is Reason.PLANNED
        assert 0.0 < floor_c <= 10.0
        assert 0.0 <= age_s <= 3600.0


@pytest.mark.parametrize("age_s", [3601.0, -1.0, math.nan])
def test_an_old_plan_is_named_and_not_heeded(age_s):
    decision = planned(RESTING, 3.0, ask(4.0, age_s))
    assert (decision.active, decision.reason) == (False, Reason.PLAN_OLD)
    assert "s old, is not heeded" in decision.because


@pytest.mark.parametrize("floor_c", [math.nan, math.inf, 10.1, 0.0, -3.0])
def test_an_absurd_plan_is_named_and_not_heeded(floor_c):
    decision = planned(RESTING, 3.0, ask(floor_c))
    assert (decision.active, decision.reason) == (False, Reason.PLAN_ABSURD)
    assert f"asks for {floor_c:.1f} °C" in decision.because


def test_hand_orders_heat_limits_and_bad_probes_come_before_the_plan():
    assert planned(RESTING, 3.0, ask(4.0), hand=order(Order.HAND_OFF)).reason is Reason.HAND_OFF
    assert planned(RESTING, 35.0, ask(9.0)).reason is Reason.TOO_HOT
    assert planned(RESTING, 3.0, ask(4.0), fault=Reason.PROBE_STALE).reason is Reason.PROBE_STALE


# ---- doubt --------------------------------------------------------------------------------------------


def doubted(memory, temp_c, *, doubt=Reason.WITNESS_COLDER, hand=None, mono_s=1000.0):
    word = Word(mean_c=-1.0, spread_k=0.5, trusted=True)
    evidence = Evidence(probe="air", temp_c=temp_c, doubt=doubt, witness=word)
    return decide_tree(RULES, memory, evidence, hand, at(mono_s))


@pytest.mark.parametrize("doubt", [Reason.WITNESS_COLDER, Reason.PROBE_SUSPECT, Reason.DOUBT_STANDS])
@pytest.mark.parametrize("hand", [None, order(Order.HAND_OFF)])
def test_a_doubted_reading_means_heat_whatever_was_ordered(doubt, hand):
    decision, _ = doubted(RESTING, 9.0, doubt=doubt, hand=hand)
    assert (decision.active, decision.reason) == (True, doubt)
    assert "so the tree is heated" in decision.because


def test_a_doubt_says_what_the_model_explains_and_how_long_it_has_lasted():
    decision, memory = doubted(RESTING, 9.0, mono_s=1000.0)
    assert "explain -1.0 °C, give or take 1.0 K" in decision.because
    decision, memory = doubted(memory, 9.0, mono_s=1600.0)
    assert decision.age_s == 600.0
    _, memory = decide(memory, 9.0, mono_s=1600.0 + DOUBT_LASTS_S - 1.0)
    decision, memory = doubted(memory, 9.0, mono_s=1600.0 + DOUBT_LASTS_S)
    assert decision.age_s == 600.0 + DOUBT_LASTS_S, "with pauses it is the same doubt"
    _, memory = decide(memory, 9.0, mono_s=9000.0)
    assert decide(memory, 9.0, mono_s=9010.0)[1] is memory
    assert doubted(memory, 9.0, mono_s=9020.0)[0].age_s == 0.0, "one that had passed begins anew"


def test_a_doubt_that_stands_ends_by_itself_half_an_hour_after_the_model_last_spoke():
    _, memory = doubted(RESTING, 9.0, mono_s=1000.0)
    decision, memory = doubted(memory, 9.0, doubt=Reason.DOUBT_STANDS, mono_s=1000.0 + DOUBT_S)
    assert "for 600 s that has been, again and again, more than house, outside" in decision.because
    _, memory = doubted(memory, 9.0, doubt=Reason.DOUBT_STANDS, mono_s=1000.0 + DOUBT_LASTS_S - 10.0)
    assert memory.doubted_s == 1000.0
    _, memory = doubted(memory, 9.0, doubt=Reason.DOUBT_STANDS, mono_s=1000.0 + DOUBT_LASTS_S)
    assert memory.doubted_s == float("inf")


def test_a_doubted_reading_still_cuts_a_string_that_is_too_hot():
    assert doubted(HEATING, 45.0)[0].reason is Reason.TOO_HOT


def test_a_probe_that_read_too_hot_and_then_beyond_its_range_has_not_cooled_down():
    _, memory = decide(HEATING, 45.0)
    decision, _ = decide(memory, 61.0, fault=Reason.PROBE_OUT_OF_RANGE)
    assert (decision.active, decision.reason) == (False, Reason.TOO_HOT)
    assert decide(memory, -60.0, fault=Reason.PROBE_OUT_OF_RANGE)[0].active
    assert decide(HEATING, 61.0, fault=Reason.PROBE_OUT_OF_RANGE)[0].active
    assert decide(memory, 85.0, fault=Reason.PROBE_POWER_ON)[0].active
