"""The ladder of a tree's heat, rung by rung."""

import math
from datetime import timedelta

import pytest

from controller.guard.decision import BAD_INPUT, Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.tree import TreeMemory, TreeRules, decide_tree
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


def test_no_more_than_twelve_switchings_an_hour_and_the_last_is_heat():
    memory, mono_s, changes_s = TreeMemory(heating=False, changed_s=-1e9), 0.0, []
    while mono_s < 7200.0:
        was = memory.heating
        decision, memory = decide(memory, 5.0 if memory.heating else -1.0, mono_s=mono_s)
        if memory.heating != was:
            changes_s.append(mono_s)
        if len([s for s in changes_s if mono_s - s < 3600.0]) == 11 and memory.heating:
            assert decision.reason in {Reason.COLD, Reason.MINIMUM_ON_TIME, Reason.SWITCHED_OFTEN}
        mono_s += 10.0
    for begin_s in changes_s:
        assert len([s for s in changes_s if begin_s <= s < begin_s + 3600.0]) <= 12
    assert len(changes_s) >= 20


def test_a_tree_without_strings_is_only_watched():
    bare = TreeRules(name="young", hold_c=0.0, hand_off_floor_c=-1.2, has_strings=False)
    decision, _ = decide(RESTING, -3.0, rules=bare)
    assert (decision.active, decision.reason) == (False, Reason.NO_STRING)
    decision, _ = decide(RESTING, -3.0, rules=bare, fault=Reason.PROBE_STALE)
    assert not decision.active
    assert "nothing is known of this tree" in decision.because
