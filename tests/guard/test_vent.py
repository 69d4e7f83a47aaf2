"""The ladder of a vent, rung by rung."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from controller.guard.decision import Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.vent import (
    HIGHEST_CEILING_C,
    MINIMUM_STAY_S,
    HouseSeen,
    VentMemory,
    VentRules,
    decide_vent,
    staged_k,
)
from controller.plan.airing import Airing, VentAsk
from tests.conftest import DUSK, at

RULES = VentRules(name="fan", rests_open=False, open_above_c=26.0, lock_below_c=5.0)
SHUT, OPEN = VentMemory(open=False), VentMemory(open=True, changed_s=0.0, reason=Reason.HOUSE_HOT)


def seen(temp_c, fault=None, rh_pct=math.nan):
    return Evidence(probe="house", temp_c=temp_c, fault=fault, rh_pct=rh_pct)


def asked(airing, *, tender=False, outside_kpa=0.8):
    return VentAsk(airing=airing, tender=tender, outside_kpa=outside_kpa)


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
    ask=None,
    fault=None,
    rules=RULES,
    mono_s=900.0,
    fleece_c=math.nan,
    rh_pct=math.nan,
):
    house = HouseSeen(house=seen(house_c, fault, rh_pct), outside=outside, fleece_c=fleece_c, heating=heating)
    return decide_vent(rules, memory, house, hand, at(mono_s), ask)


@pytest.mark.parametrize("hand", [None, order(Order.HAND_ON)])
@pytest.mark.fault("V02")
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


def test_it_stays_for_six_minutes_and_longer_after_heat_or_frost():
    _, memory = decide(SHUT, 30.0, mono_s=1000.0)
    decision, memory = decide(memory, 20.0, mono_s=1359.0)
    assert (decision.active, decision.reason) == (True, Reason.MINIMUM_STAY)
    assert "opened 359 s ago" in decision.because
    decision, memory = decide(memory, 20.0, mono_s=1360.0)
    assert not decision.active
    assert not decide(memory, 40.0, mono_s=1719.0)[0].active
    decision, memory = decide(memory, 40.0, mono_s=1720.0)
    assert decision.active
    decision, memory = decide(memory, 40.0, mono_s=1730.0, heating=True)
    assert not decision.active, "heat shuts it at once"
    assert not decide(memory, 40.0, mono_s=1730.0 + 2.0 * MINIMUM_STAY_S - 1.0)[0].active
    assert decide(memory, 40.0, mono_s=1730.0 + 2.0 * MINIMUM_STAY_S)[0].active


def test_fewer_than_twelve_moves_an_hour_whatever_comes():
    # the worst of all worlds: hot, cold, heated and frosty in a random order, every ten seconds
    rng = np.random.default_rng(5)
    memory, moves = SHUT, []
    for mono_s in np.arange(1e4, 1e4 + 6 * 3600.0, 10.0):
        before = memory.open
        _, memory = decide(
            memory,
            float(rng.choice([2.0, 20.0, 50.0])),
            heating=bool(rng.random() < 0.2),
            ask=asked(rng.choice(list(Airing))),
            mono_s=float(mono_s),
        )
        if memory.open != before:
            moves.append(float(mono_s))
    assert len(moves) > 20
    assert max(sum(s <= each < s + 3600.0 for each in moves) for s in moves) < 12


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
    decision, _ = decide(memory, house_c, ask=asked(Airing.KEEP))
    assert (decision.active, decision.reason) == (opened, reason)


@pytest.mark.parametrize("airing", list(Airing))
@pytest.mark.parametrize("setting_c", [26.0, 34.0, 45.0])
def test_whatever_is_set_or_asked_it_opens_above_36_degrees(airing, setting_c):
    rules = replace(RULES, open_above_c=setting_c)
    assert decide(SHUT, HIGHEST_CEILING_C + 0.1, ask=asked(airing), rules=rules)[0].active
    assert decide(SHUT, HIGHEST_CEILING_C + 0.1, rules=rules)[0].active


def test_a_person_may_open_it_all_the_same():
    decision, _ = decide(SHUT, 27.0, ask=asked(Airing.KEEP), hand=order(Order.HAND_ON))
    assert decision.active


def test_before_a_hot_day_and_in_blossom_the_ceiling_is_lower():
    assert not decide(SHUT, 23.0)[0].active
    assert decide(SHUT, 23.0, ask=asked(Airing.EARLY))[0].reason is Reason.HOUSE_HOT
    late = replace(RULES, open_above_c=34.0)
    assert not decide(SHUT, 31.0, rules=late, ask=asked(Airing.PLAIN))[0].active
    assert decide(SHUT, 31.0, rules=late, ask=asked(Airing.PLAIN, tender=True))[0].active


def test_under_a_fleece_in_morning_sun_the_house_is_aired():
    decision, memory = decide(SHUT, 20.0, fleece_c=30.1)
    assert (decision.active, decision.reason) == (True, Reason.FLEECE_HOT)
    assert "30.1 °C under a fleece" in decision.because
    assert decide(memory, 20.0, fleece_c=27.1, mono_s=5000.0)[0].active
    assert not decide(memory, 20.0, fleece_c=27.0, mono_s=5000.0)[0].active
    assert not decide(SHUT, 20.0, fleece_c=math.nan)[0].active
    assert decide(SHUT, 4.0, fleece_c=31.0)[0].reason is Reason.FROST_LOCK


def test_a_warm_night_cools_to_ten_or_eleven():
    ask = asked(Airing.NIGHT)
    decision, memory = decide(SHUT, 11.1, ask=ask)
    assert (decision.active, decision.reason) == (True, Reason.COOL_NIGHT)
    assert decide(memory, 10.1, ask=ask, mono_s=5000.0)[0].active
    assert not decide(memory, 10.0, ask=ask, mono_s=5000.0)[0].active
    assert not decide(SHUT, 11.0, ask=ask)[0].active


def test_with_a_hygrometer_it_dries_by_the_deficit_and_only_into_drier_air():
    # saturation at 12 °C is 1.403 kPa (FAO-56 annex 2, table 2.3: 1.403): 90 % leaves 0.140 kPa
    damp = asked(Airing.DRY, outside_kpa=1.0)
    decision, memory = decide(SHUT, 12.0, ask=damp, rh_pct=90.0)
    assert (decision.active, decision.reason) == (True, Reason.DRYING)
    assert not decide(SHUT, 12.0, ask=damp, rh_pct=69.0)[0].active, "0.43 kPa: not damp"
    assert decide(memory, 16.0, ask=damp, rh_pct=70.0, mono_s=5000.0)[0].active, "0.545 kPa"
    assert not decide(memory, 16.0, ask=damp, rh_pct=69.0, mono_s=5000.0)[0].active, "0.563 kPa"
    assert not decide(SHUT, 16.0, ask=damp, rh_pct=70.0)[0].active, "but opens below 0.43 only"
    assert not decide(SHUT, 12.0, ask=asked(Airing.DRY, outside_kpa=1.2), rh_pct=90.0)[0].active
    assert not decide(SHUT, 12.0, ask=asked(Airing.DRY, outside_kpa=math.nan), rh_pct=90.0)[0].active
    assert not decide(SHUT, 7.0, ask=asked(Airing.DRY, outside_kpa=0.1), rh_pct=99.0)[0].active


def test_without_a_hygrometer_it_changes_the_air_ten_minutes_an_hour():
    ask = asked(Airing.DRY)
    memory, open_s = SHUT, 0.0
    for mono_s in np.arange(900.0, 900.0 + 5 * 3600.0, 10.0):
        _, memory = decide(memory, 12.0, ask=ask, mono_s=float(mono_s))
        open_s += 10.0 * memory.open
    assert open_s == pytest.approx(5 * 600.0, abs=10.0)


def test_vents_of_one_ceiling_open_in_turn():
    assert staged_k([28.0, 28.0, 30.0, 28.0, 28.0, 28.0]) == [0.0, 2.0, 0.0, 4.0, 6.0, 6.0]
