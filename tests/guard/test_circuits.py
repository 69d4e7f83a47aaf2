"""Declared watts against measured ones, on a circuit of three strings of 100 W."""

import math

import pytest

from controller.guard.circuits import CircuitMemory, CircuitRules, Drawing, hear, look_at
from controller.guard.finding import FindingCode
from tests.conftest import at

STRINGS = {"east/1": 100.0, "east/2": 100.0, "east/3": 100.0}
TREES = {"east/1": "lemon", "east/2": "yuzu", "east/3": "lemon"}
RULES = CircuitRules(name="a", declared_w=STRINGS, trees=TREES)


class Meter:
    def __init__(self):
        self.memory, self.mono_s, self.found = CircuitMemory(), 0.0, ()

    def go(self, power_w, must=(), may=(), seconds=100.0):
        drawing = Drawing(must=frozenset(f"east/{n}" for n in must), may=frozenset(f"east/{n}" for n in may))
        for _ in range(int(seconds / 10)):
            self.mono_s += 10.0
            if not math.isnan(power_w):
                self.memory = hear(self.memory, power_w, at(self.mono_s))
            self.found, self.memory = look_at(RULES, self.memory, drawing, at(self.mono_s))
        return [(each.code, each.target) for each in self.found]


@pytest.fixture
def meter():
    made = Meter()
    assert made.go(0.0) == []
    return made


def test_a_sound_circuit_finds_nothing_and_fills_its_ledger(meter):
    assert meter.go(96.0, must="1") == []
    assert meter.go(194.0, must="12") == []
    assert meter.go(98.0, must="2") == []
    assert meter.go(0.0) == []
    assert meter.memory.measured_w == {"east/1": 96.0, "east/2": 98.0}


def test_a_string_that_comes_on_beside_others_and_draws_nothing_is_dead(meter):
    meter.go(98.0, must="1")
    # 98 W of 200 W are missing too, but only after a minute
    assert meter.go(98.0, must="12", seconds=40.0) == [(FindingCode.STRING_DEAD, "east/2")]
    assert meter.found[0].because == "east/2 at yuzu came on and circuit a rose by 0 W, not by 100 W"
    assert (FindingCode.WATTS_MISSING, "a") in meter.go(98.0, must="12")


def test_half_a_string_is_told_from_a_dead_one(meter):
    meter.go(98.0, must="1")
    assert meter.go(150.0, must="12", seconds=40.0) == [(FindingCode.STRING_HALF_DEAD, "east/2")]


def test_a_string_replaced_is_sound_again_when_it_next_comes_on(meter):
    meter.go(98.0, must="1")
    meter.go(98.0, must="12", seconds=40.0)
    meter.go(98.0, must="1")
    assert meter.go(196.0, must="12") == []


def test_a_dead_circuit_is_told_from_a_dead_string_once_two_should_draw(meter):
    assert meter.go(0.0, must="1") == [(FindingCode.STRING_DEAD, "east/1")]
    assert "or its breaker tripped" in meter.found[0].because
    assert meter.memory.measured_w == {}  # alone it proves nothing about the string
    assert meter.go(0.0, must="12") == [(FindingCode.CIRCUIT_DEAD, "a")]
    assert meter.found[0].severity == 4
    assert meter.found[0].because == "circuit a draws 0 W where 200 W must be heating lemon, yuzu"
    assert meter.go(200.0, must="12") == []


def test_a_deviation_must_stand_for_a_minute(meter):
    assert meter.go(0.0, must="12", seconds=80.0) == []
    assert meter.go(0.0, must="12", seconds=20.0) == [(FindingCode.CIRCUIT_DEAD, "a")]


def test_watts_that_fail_while_it_is_on_are_missed_and_their_string_is_guessed(meter):
    for strings, power_w in (("1", 100.0), ("12", 200.0), ("123", 300.0)):
        meter.go(power_w, must=strings)
    assert meter.go(240.0, must="123") == [(FindingCode.WATTS_MISSING, "a")]
    assert "the missing 60 W are as much as no single string: look at all of lemon, yuzu" in (
        meter.found[0].because
    )
    assert meter.go(205.0, must="123") == [(FindingCode.WATTS_MISSING, "a")]
    assert "that of one of east/1 (lemon), east/2 (yuzu), east/3 (lemon)" in meter.found[0].because
    # 12 % of 300 W, measured here, may be the mains' (EN 50160: 10 %)
    assert meter.go(266.0, must="123") == []


def test_one_lamp_out_is_missed_for_as_long_as_it_is_and_not_learnt_as_sound(meter):
    meter.go(100.0, must="1")
    meter.go(0.0)
    for _ in range(3):
        assert meter.go(80.0, must="1") == [(FindingCode.WATTS_MISSING, "a")]
        assert "draws 80 W of 100 W" in meter.found[0].because
        assert meter.go(0.0) == []
    assert meter.go(86.0, must="1") == []  # mains 10 % low take 16 % of a lamp's watts (EN 50160)
    meter.go(0.0)
    assert meter.go(120.0, must="1") == []  # stronger lamps are the grower's own
    assert meter.memory.measured_w == {"east/1": 120.0}


def test_declared_watts_alone_are_believed_less_than_measured_ones():
    meter = Meter()
    assert meter.go(240.0, must="123") == []
    assert meter.go(220.0, must="123") == [(FindingCode.WATTS_MISSING, "a")]


def test_what_heats_though_it_is_said_to_be_off_is_found(meter):
    meter.go(100.0, must="1")
    assert meter.go(100.0) == [(FindingCode.HEATER_STUCK_ON, "a")]
    assert "100 W more than its boards say is on" in meter.found[0].because
    assert "one of east/1 (lemon), east/2 (yuzu), east/3 (lemon)" in meter.found[0].because
    # while it sticks, nothing is learnt: no rise is no dead string
    assert meter.go(100.0, must="1") == []
    assert meter.memory.measured_w == {"east/1": 100.0}


def test_more_than_all_strings_are_another_load(meter):
    assert meter.go(900.0, must="123") == [(FindingCode.HEATER_STUCK_ON, "a")]
    assert "no single string: look at all of its sockets" in meter.found[0].because


def test_a_string_whose_frost_stat_may_be_open_is_not_missed_and_not_too_much(meter):
    assert meter.go(0.0, may="12") == []
    assert meter.go(200.0, may="12") == []
    assert meter.go(100.0, must="1", may="2") == []
    assert meter.go(200.0, must="1", may="2") == []
    assert meter.go(330.0, must="1", may="2") == [(FindingCode.HEATER_STUCK_ON, "a")]
    assert meter.memory.measured_w == {}


def test_two_that_change_at_once_teach_nothing(meter):
    meter.go(200.0, must="12")
    meter.go(200.0, must="13")
    assert meter.memory.measured_w == {}


def test_a_silent_meter_is_named_and_judges_nothing(meter):
    assert Meter().go(math.nan) == [(FindingCode.METER_SILENT, "a")]
    meter.go(0.0, must="12")
    assert meter.go(math.nan, must="12", seconds=310.0) == [(FindingCode.METER_SILENT, "a")]
    assert meter.found[0].because == "the meter of circuit a was last heard 5 min ago"
    assert meter.found[0].severity == 1
    assert meter.go(200.0, must="12") == []


def test_what_was_found_stands_while_the_next_state_settles(meter):
    meter.go(0.0, must="12")
    assert meter.go(0.0, must="123", seconds=20.0) == [(FindingCode.CIRCUIT_DEAD, "a")]


def test_watts_that_come_and_go_by_themselves_accuse_no_string(meter):
    meter.go(100.0, must="1")
    for power_w in (200.0, 100.0, 200.0, 100.0):
        assert meter.go(power_w, must="12", seconds=40.0) == []
    assert meter.go(200.0, must="12", seconds=40.0) == [(FindingCode.WATTS_UNSTEADY, "a")]
    assert meter.found[0].because == (
        "the watts of circuit a came or went 4 times in the last hour while nothing was switched"
    )
    assert "can start a fire" in meter.found[0].cause
    meter.go(100.0, must="1")
    assert meter.go(100.0, must="12", seconds=30.0) == [(FindingCode.WATTS_UNSTEADY, "a")]
    assert meter.go(200.0, must="12", seconds=3600.0) == []


def test_watts_that_came_and_went_before_a_long_silence_are_past(meter):
    meter.go(100.0, must="1")
    for power_w in (200.0, 100.0, 200.0, 100.0, 200.0):
        meter.go(power_w, must="12", seconds=40.0)
    meter.go(math.nan, must="12", seconds=7200.0)
    assert meter.go(200.0, must="12", seconds=10.0) == []


def test_strings_that_are_switched_do_not_come_and_go_by_themselves(meter):
    for _ in range(5):
        meter.go(100.0, must="1", seconds=40.0)
        assert meter.go(100.0, must="12", seconds=40.0) == [(FindingCode.STRING_DEAD, "east/2")]
