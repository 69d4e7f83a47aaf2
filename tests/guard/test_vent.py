"""The ladder of a vent, rung by rung."""

from datetime import timedelta

import pytest

from controller.guard.decision import Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.vent import VentMemory, VentRules, decide_vent
from tests.conftest import DUSK, at

RULES = VentRules(name="fan", rests_open=False, open_above_c=26.0, lock_below_c=5.0)
SHUT, OPEN = VentMemory(open=False), VentMemory(open=True, changed_s=0.0)


def seen(temp_c, fault=None):
    return Evidence(probe="house", temp_c=temp_c, fault=fault)


def order(position):
    until = DUSK + timedelta(hours=2)
    return HandOrder(id="o1", who="Nora", target_kind="vent", target="fan", order=position, until=until)


def decide(
    memory,
    house_c,
    *,
    outside=None,
    hand=None,
    heating=False,
    bank=False,
    fault=None,
    rules=RULES,
    mono_s=900.0,
):
    house, now = seen(house_c, fault), at(mono_s)
    return decide_vent(rules, memory, house, outside, hand, now, heating=heating, bank_heat=bank)


@pytest.mark.parametrize("hand", [None, order(Order.HAND_ON)])
def test_never_open_while_a_string_heats(hand):
    decision, _ = decide(OPEN, 40.0, hand=hand, heating=True)
    assert (decision.active, decision.reason) == (False, Reason.HEAT_ON)


@pytest.mark.parametrize("rests_open", [False, True])
def test_without_a_sound_probe_it_rests(rests_open):
    rules = VentRules(name="fan", rests_open=rests_open, open_above_c=26.0, lock_below_c=5.0)
    decision, _ = decide(SHUT, 30.0, fault=Reason.PROBE_STALE, rules=rules)
    assert (decision.active, decision.reason) == (rests_open, Reason.PROBE_STALE)
    assert f"the vent rests {'open' if rests_open else 'shut'}" in decision.because


@pytest.mark.parametrize(
    ("house_c", "outside", "locked"),
    [
        (4.9, None, True),
        (5.0, None, False),
        (20.0, seen(4.9), True),
        (20.0, seen(-9.0, Reason.PROBE_STALE), False),
        (20.0, seen(8.0), False),
    ],
)
def test_frost_locks_it_shut_even_against_an_order(house_c, outside, locked):
    decision, _ = decide(OPEN, house_c, outside=outside, hand=order(Order.HAND_ON))
    assert (decision.reason is Reason.FROST_LOCK) is locked
    assert decision.active is not locked


def test_hand_orders():
    assert decide(SHUT, 15.0, hand=order(Order.HAND_ON))[0].reason is Reason.HAND_OPEN
    assert decide(OPEN, 35.0, hand=order(Order.HAND_OFF))[0].reason is Reason.HAND_SHUT
    assert decide(SHUT, 15.0, hand=order(Order.AUTO))[0].reason is Reason.HOUSE_COOL


def test_it_opens_above_the_ceiling_and_shuts_two_kelvin_below():
    decision, memory = decide(SHUT, 26.0)
    assert decision.reason is Reason.HOUSE_COOL
    decision, memory = decide(memory, 26.1, mono_s=1000.0)
    assert (decision.active, decision.reason) == (True, Reason.HOUSE_HOT)
    decision, memory = decide(memory, 24.1, mono_s=1400.0)
    assert (decision.active, decision.reason) == (True, Reason.NOT_YET_COOL)
    decision, memory = decide(memory, 24.0, mono_s=1400.0)
    assert (decision.active, decision.reason) == (False, Reason.HOUSE_COOL)


def test_it_moves_at_most_once_in_five_minutes_for_warmth():
    _, memory = decide(SHUT, 30.0, mono_s=1000.0)
    decision, memory = decide(memory, 20.0, mono_s=1299.0)
    assert decision.active
    decision, memory = decide(memory, 20.0, mono_s=1300.0)
    assert not decision.active
    decision, memory = decide(memory, 40.0, mono_s=1599.0)
    assert not decision.active
    decision, memory = decide(memory, 40.0, mono_s=1600.0)
    assert decision.active


@pytest.mark.parametrize(
    ("memory", "house_c", "opened", "reason"),
    [
        (SHUT, 25.0, False, Reason.HOUSE_COOL),
        (SHUT, 26.1, False, Reason.BANK_HEAT),
        (SHUT, 30.0, False, Reason.BANK_HEAT),
        (SHUT, 30.1, True, Reason.HOUSE_HOT),
        (OPEN, 28.1, True, Reason.NOT_YET_COOL),
        (OPEN, 28.0, False, Reason.BANK_HEAT),
    ],
)
def test_before_a_frost_night_the_house_keeps_its_warmth_but_never_scorches(memory, house_c, opened, reason):
    decision, _ = decide(memory, house_c, bank=True)
    assert (decision.active, decision.reason) == (opened, reason)
    assert house_c > 35.0 or not opened or decision.limit_c <= 35.0


def test_a_person_may_open_it_all_the_same():
    decision, _ = decide(SHUT, 27.0, bank=True, hand=order(Order.HAND_ON))
    assert decision.active
