"""Every fault that a simulated night can suffer is met in time and told in time, and no tree is wronged.

The harness and the words of the table are in ``nights``.  Each row says what meets the fault, at the latest
when [s], what tells people of it, and at the latest when; the bounds are those that a grower was promised,
rounded up to what the engine of alarms adds.
"""

from dataclasses import dataclass

import pytest

from controller.guard.decision import Reason
from simulator.faults.catalogue import catalogue
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import injections
from tests.faults.nights import (
    ALIKE,
    COLD_H,
    LONGEST_H,
    NO_COLDER,
    NOBODY_LEFT,
    ORDERED,
    QUIET,
    REST_H,
    Meets,
    all_heat,
    board_heats,
    decides,
    evening,
    heats_sooner,
    is_back,
    no_colder,
    none,
    refuses,
    sound,
    suffer,
    tells,
    tells_second,
)

pytestmark = pytest.mark.untraced

# Two reporting periods of a probe, and a period of the control loop.
PERIODS_S = 130.0
# A lease, the moment it is renewed, and two control periods.
LEASE_S = 330.0
# Leases go on for three reporting periods after a board's last word.
UNHEARD_S = 90.0
# By then the coldest trees are heated for most of the time.
LATE_H = 12.2
QUARTER_S, HALF_S, HOUR_S = 900.0, 1800.0, 3600.0
# Of heat that does not arrive people are told by the first of two signs.
UNWARMED = tells("heat-without-effect.satsuma-door", "fruit-in-danger.satsuma-door")


@dataclass(frozen=True)
class Row:
    """One fault: what meets it, what tells of it, and the latest time of each [s]."""

    words: str
    reaction: Meets
    within_s: float
    alarm: Meets
    told_within_s: float = QUARTER_S
    onset_h: float = COLD_H
    hours: float = 1.0
    metered: bool = False
    lasts: str = ""
    lost: frozenset[str] = frozenset()
    fault: str = ""

    @property
    def id(self) -> str:
        """The fault's id in the catalogue; of two that are named apart, the pair's."""
        return self.fault or self.words.partition(":")[0]


def rows(*each: Row):
    return [pytest.param(row, id=row.id, marks=pytest.mark.fault(row.id)) for row in each]


def probe(fault: str, reason: Reason, within_s: float, finding: str, **more) -> Row:
    """A fault of the lemon's probe."""
    return Row(f"{fault}:air-lemon", decides(reason), within_s, tells(f"{finding}.air-lemon"), **more)


DAY_TELLS = none(
    "by night house and outside differ too little; by day it is told", lambda seen: not seen.told
)
HEAT_HIDES = none(
    "heat makes up for it; only the model's diagnosis may name it",
    lambda seen: not seen.told and no_colder(seen),
)
NAN, STALE, COLDER = Reason.PROBE_NOT_A_NUMBER, Reason.PROBE_STALE, Reason.WITNESS_COLDER

PROBES = rows(
    # a frozen value is known by the others' movement; the model doubts it long before
    probe("S01", COLDER, HALF_S, "probe-frozen", told_within_s=HOUR_S, hours=1.5),
    probe("S02", COLDER, HALF_S, "probe-frozen", told_within_s=HOUR_S, hours=1.5),
    # what the door refuses is not heard: the last sound word stands for two periods
    probe("S03", STALE, PERIODS_S, "probe-stale"),
    probe("S04", NAN, PERIODS_S, "probe-not-a-number"),
    probe("S05", STALE, PERIODS_S, "probe-stale"),
    probe("S06", STALE, PERIODS_S, "probe-stale"),
    probe("S07", Reason.PROBE_POWER_ON, 70.0, "probe-power-on"),
    probe("S08", Reason.PROBE_GONE, 70.0, "probe-gone"),
    probe("S09", Reason.PROBE_GONE, 70.0, "probe-gone"),
    Row("S10:air-lemon", heats_sooner, 10.0, QUIET),
    probe("S11", Reason.PROBE_OUT_OF_RANGE, 70.0, "probe-out-of-range"),
    Row("S12:air-lemon", NO_COLDER, 0.0, QUIET),
    Row("S14:air-lemon", decides(COLDER), HOUR_S, tells("witness-colder.lemon"), 2 * HOUR_S, hours=2.0),
    Row(
        "S15:air-lemon",
        heats_sooner,
        300.0,
        tells("fruit-in-danger.lemon", "heat-without-effect.lemon"),
        HOUR_S,
    ),
    Row("S16:air-satsuma-door", NO_COLDER, 0.0, QUIET),
    # it shows as soon as one of the two trees is heated and the other is not
    Row("S17:air-lemon", heats_sooner, 600.0, tells("heat-without-effect.lemon")),
    Row("S18", NO_COLDER, 0.0, DAY_TELLS, hours=3.0),
    probe("S19", Reason.PROBE_FAR_OFF, 70.0, "probe-far-off"),
    probe("S20", STALE, PERIODS_S, "probe-stale"),
    Row("S21:air-lemon", ALIKE, 0.0, QUIET),
    Row("S22:air-lemon", NO_COLDER, 0.0, QUIET),
    probe("S23", Reason.PROBE_MISSING, 10.0, "probe-missing"),
    probe("S24", STALE, PERIODS_S, "probe-stale"),
    Row("S25:air-lemon", NO_COLDER, 0.0, QUIET, hours=3.0),
    probe("S26", STALE, PERIODS_S, "probe-intermittent", told_within_s=2 * HOUR_S, hours=2.0),
    probe("S27", Reason.PROBE_NOISY, 600.0, "probe-noisy"),
    Row("S28", all_heat, PERIODS_S, tells("probe-stale.air-lemon")),
    probe("S29", Reason.PROBE_FUTURE, 70.0, "probe-future", told_within_s=HOUR_S),
    probe("S30", Reason.PROBE_SUSPECT, HOUR_S, "probe-by-lamp", told_within_s=HOUR_S),
    Row(
        "S31:air-satsuma-door",
        decides(NAN, "satsuma-door"),
        HOUR_S,
        tells("probe-not-a-number.air-satsuma-door"),
        2 * HOUR_S,
        hours=2.0,
    ),
    probe("N02", Reason.PROBE_NOISY, 600.0, "probe-noisy"),
    probe("M10", STALE, PERIODS_S, "probe-stale"),
)

BUS = rows(
    Row("M01", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M02", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M03", all_heat, LEASE_S, tells("probe-stale.air-lemon"), onset_h=REST_H),
    # no false alarm either, though every echo comes late
    Row("M04", NO_COLDER, 0.0, QUIET, hours=1.5),
    Row("M05", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M06", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M07:east", board_heats(), LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M08:east", refuses, 10.0, tells("strange-lease.east"), onset_h=REST_H),
    Row("M09:east", refuses, 10.0, tells("strange-lease.east"), onset_h=REST_H),
    Row("M12", ALIKE, 0.0, QUIET, onset_h=REST_H),
    Row("M13", ALIKE, 0.0, QUIET, onset_h=REST_H),
    Row("M14", all_heat, LEASE_S, tells("probe-stale.air-lemon"), onset_h=REST_H),
    Row("M15", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M16", all_heat, LEASE_S, tells("board-disobeys.east.1"), onset_h=REST_H),
    Row("M17:east", board_heats(), LEASE_S, tells("board-disobeys.east.1"), onset_h=REST_H),
    Row("M18:east", board_heats(), LEASE_S, QUIET, onset_h=REST_H),
    Row("M21", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("M22:east", board_heats(), 20.0, QUIET, onset_h=REST_H),
    Row("M23:east", all_heat, 30.0, QUIET, onset_h=REST_H),
    Row("M27:east", board_heats(), LEASE_S, tells("board-disobeys.east.1"), onset_h=REST_H),
    Row("M28", all_heat, 20.0, tells("probe-future.air-lemon"), HOUR_S, onset_h=REST_H),
    Row("N03:east", refuses, 10.0, tells("strange-lease.east"), onset_h=REST_H),
    Row("N04", NO_COLDER, 0.0, QUIET),
    Row("N15", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
)

BOARDS = rows(
    Row("B01:east", board_heats(), 10.0, QUIET, onset_h=REST_H),
    Row("B02:east", board_heats(), 10.0, tells("board-silent.east"), onset_h=REST_H),
    Row("B03:east", board_heats(), 10.0, tells("board-unsteady.east"), onset_h=REST_H),
    Row(
        "B04:east",
        heats_sooner,
        QUARTER_S,
        tells("watts-missing.a", "string-dead.east", "heater-stuck-on.a"),
        HALF_S,
        metered=True,
    ),
    Row("B05:east/1", ORDERED, 0.0, tells("heater-stuck-on.a"), HALF_S, metered=True, onset_h=REST_H),
    Row("B06:east/1", NO_COLDER, 0.0, QUIET),
    Row("B07:east/3", ORDERED, 0.0, tells("heater-stuck-on.a"), HALF_S, metered=True, onset_h=REST_H),
    Row("B08:east/3", ORDERED, 0.0, tells("watts-missing.a"), HOUR_S, metered=True),
    Row("B09:east/3", ORDERED, 0.0, tells("heater-stuck-on.a"), HALF_S, metered=True, onset_h=REST_H),
    Row("B10:east", ORDERED, 0.0, tells("heat-not-on.lemon"), HALF_S),
    Row("B11:east", board_heats(), LEASE_S, tells("board-timer.east"), onset_h=REST_H),
    Row("B12:east", board_heats(), LEASE_S, tells("board-timer.east"), onset_h=REST_H),
    Row("B13:lemon", heats_sooner, 60.0, tells("probe-noisy.air-lemon"), onset_h=REST_H),
    Row("B14:east", board_heats(), LEASE_S + UNHEARD_S, tells("board-silent.east"), onset_h=REST_H),
    Row("B15:east", board_heats(), 10.0, QUIET, onset_h=REST_H),
    Row("B16:east/3", ORDERED, 0.0, tells("watts-missing.a"), HOUR_S, metered=True),
    Row("B17:east/1", ORDERED, 0.0, tells("watts-unsteady.a"), HOUR_S, metered=True),
    Row("B18:east", all_heat, 60.0, tells("board-unsteady.east"), onset_h=REST_H),
)

CIRCUITS = rows(
    Row("H01:lemon", ORDERED, 0.0, tells("heat-without-effect.lemon"), HOUR_S, lost=frozenset({"lemon"})),
    Row("H02:lemon", ORDERED, 0.0, tells("watts-missing.a"), HOUR_S, metered=True),
    Row("H03", ORDERED, 0.0, tells("circuit-dead.b"), metered=True, lost=frozenset({"lemon"})),
    Row("H04:a", ORDERED, 0.0, tells("circuit-dead.a"), metered=True),
    Row("H05:a", ORDERED, 0.0, tells("circuit-dead.a"), HOUR_S, metered=True),
    Row("H06", is_back, 1920.0, NOBODY_LEFT, lasts="+30m"),
    Row("H07", ORDERED, 0.0, tells("watts-missing.a"), HALF_S, metered=True),
    Row("H08:east/3", ORDERED, 0.0, tells("watts-missing.a"), HOUR_S, metered=True),
    Row("H10:lemon", heats_sooner, 600.0, tells("fruit-in-danger.lemon"), HALF_S, lost=frozenset({"lemon"})),
    Row("H11:air-lemon", decides(Reason.TOO_HOT), 60.0, tells("too-hot.lemon"), HALF_S),
    Row("H12:lemon", ORDERED, 0.0, tells("watts-missing.a"), HOUR_S, metered=True),
    Row("H13", ORDERED, 0.0, tells("watts-unsteady"), HALF_S, metered=True),
    Row("U06:satsuma-door", ORDERED, 0.0, UNWARMED, HOUR_S),
    Row("U08", board_heats(), 10.0, tells("board-silent.east")),
    Row("U11:lemon", heats_sooner, 600.0, tells("fruit-in-danger.lemon"), HALF_S, lost=frozenset({"lemon"})),
)

# What fetching makes of each of these is tested with real sockets, and so is who is told.
FORECAST = rows(
    *[
        Row(f"F{number:02}", ALIKE, 0.0, QUIET)
        for number in (
            1,
            2,
            3,
            4,
            5,
            6,
            7,
            8,
            9,
            10,
            11,
            12,
            13,
            14,
            15,
            17,
            18,
            19,
            20,
            21,
            22,
            24,
            25,
            26,
            27,
            28,
            29,
            30,
            32,
        )
    ],
    Row("F16", NO_COLDER, 0.0, QUIET),
    Row("F23", NO_COLDER, 0.0, QUIET),
    Row("F31", NO_COLDER, 0.0, QUIET),
)

PROCESS = rows(
    Row("C01", all_heat, 20.0, tells("probe-stale.air-lemon")),
    Row("C02", all_heat, 20.0, tells("probe-future.air-lemon"), HOUR_S),
    Row("C03", all_heat, 20.0, tells("probe-stale.air-lemon")),
    *[Row(fault, ALIKE, 0.0, QUIET) for fault in ("C04", "C05", "C06", "C09", "C10")],
    Row("C13", all_heat, LEASE_S, NOBODY_LEFT, onset_h=REST_H),
    *[
        Row(fault, is_back, 30.0, QUIET, onset_h=REST_H)
        for fault in ("D06", "D07", "D12", "P01", "P04", "P09", "P15")
    ],
    *[Row(fault, is_back, 90.0, QUIET) for fault in ("P02", "P03")],
    Row("P07", is_back, 130.0, QUIET),
    Row("P08", all_heat, LEASE_S, NOBODY_LEFT, onset_h=REST_H),
    Row("P10", all_heat, LEASE_S, NOBODY_LEFT, onset_h=REST_H),
    Row("P14", all_heat, LEASE_S, NOBODY_LEFT, onset_h=REST_H),
)

PEOPLE = rows(
    Row(
        "S24:air-lemon", decides(STALE), PERIODS_S, tells_second("probe-stale.air-lemon"), HOUR_S, fault="U09"
    ),
    Row("U01", decides(Reason.HAND_OFF_OVERRULED), HOUR_S, tells("off-overruled.lemon"), HOUR_S),
    Row("U02", decides(Reason.HAND_OFF_OVERRULED), HOUR_S, tells("fruit-in-danger.lemon"), HOUR_S),
    Row("U03", all_heat, 10.0, QUIET, onset_h=REST_H),
    Row("U04", decides(Reason.HAND_OFF_OVERRULED), HOUR_S, tells("off-overruled.lemon"), HOUR_S),
    Row("U10", NO_COLDER, 0.0, QUIET),
)

MODEL = rows(
    *[Row(fault, decides(Reason.PLAN_ABSURD), 10.0, QUIET) for fault in ("X01", "X02", "X08")],
    *[Row(fault, ALIKE, 0.0, QUIET) for fault in ("X03", "X04", "X07", "X10")],
    Row("X12", heats_sooner, HALF_S, HEAT_HIDES, hours=3.0),
    Row("V01", heats_sooner, HALF_S, HEAT_HIDES, hours=3.0),
    Row("V03", heats_sooner, HALF_S, HEAT_HIDES, hours=3.0),
)

DOOR = "satsuma-door"
PAIRS = rows(
    # strings have no frost-stat in series here, which is as if each were stuck closed
    Row(
        "B07:east/3",
        ORDERED,
        0.0,
        tells("heater-stuck-on.a"),
        HALF_S,
        metered=True,
        onset_h=REST_H,
        fault="P-09",
    ),
    Row(
        "H03",
        ORDERED,
        0.0,
        tells_second("circuit-dead.b"),
        HOUR_S,
        metered=True,
        lost=frozenset({"lemon"}),
        fault="P-18",
    ),
    # mains and network return apart: the controller comes back by itself
    Row("P-01", is_back, 1920.0, NOBODY_LEFT, lasts="+30m"),
    Row("P-02", all_heat, LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("P-03", decides(COLDER, DOOR), HALF_S, tells("witness-colder.satsuma-door"), HOUR_S),
    Row("P-04", all_heat, PERIODS_S, tells("probe-stale.air-lemon")),
    Row("P-07", decides(STALE, DOOR), PERIODS_S, tells("probe-stale.air-satsuma-door")),
    Row("P-10", decides(COLDER, DOOR), HALF_S, tells("witness-colder.satsuma-door"), HOUR_S),
    Row("P-11", all_heat, LEASE_S, tells("board-silent.east")),
    Row("P-12", all_heat, 20.0, tells("probe-future.air-lemon"), HOUR_S),
    Row("P-13", is_back, 30.0, QUIET, onset_h=REST_H),
    Row("P-15", board_heats(), LEASE_S, tells("board-silent.east"), onset_h=REST_H),
    Row("P-16", heats_sooner, HALF_S, UNWARMED, HOUR_S, metered=True),
    Row(
        "P-17",
        decides(Reason.NEIGHBOUR_IN_DANGER, DOOR),
        HALF_S,
        tells("fruit-in-danger.satsuma-middle"),
        HALF_S,
        lost=frozenset({DOOR}),
    ),
    Row("P-19", all_heat, LEASE_S, tells("probe-stale.air-lemon"), onset_h=REST_H),
    Row("P-20", all_heat, LEASE_S, NOBODY_LEFT, onset_h=REST_H),
    Row("P-22", refuses, 10.0, tells("strange-lease.east"), onset_h=REST_H),
    Row("P-25", decides(Reason.PLAN_ABSURD), 10.0, QUIET),
    Row("P-26", heats_sooner, HALF_S, tells("watts-missing.a"), HOUR_S, metered=True),
    Row("P-27", ORDERED, 0.0, UNWARMED, HOUR_S),
)

TABLE = [*PROBES, *BUS, *BOARDS, *CIRCUITS, *FORECAST, *PROCESS, *PEOPLE, *MODEL, *PAIRS]


def test_the_table_holds_every_fault_that_a_night_can_suffer():
    able = set(injections())
    pairs = {name for name, fault in catalogue().items() if fault.of and set(fault.of) <= able}
    beside = {"U09", "P-09", "P-18"}  # what they add to other faults happens to people, or always
    assert {row.values[0].id for row in TABLE} == able - {"S13"} | pairs | beside, "S13 has days of its own"


@pytest.mark.parametrize("row", TABLE)
def test_it_is_met_and_told_in_time(row, met):
    seen = suffer(row.words, row.onset_h, row.hours, metered=row.metered, lasts=row.lasts)
    run = seen.hurt.run
    assert seen.is_hurt, "the fault must have touched something"
    assert run.auditor.unjustified_off == 0
    assert {tree.name for tree in run.world.record.trees if tree.is_damaged} <= row.lost
    reaction, alarm = row.reaction(seen), row.alarm(seen)
    met(reaction=reaction, alarm=alarm)
    assert isinstance(reaction, str) or 0.0 <= reaction <= row.within_s
    assert isinstance(alarm, str) or 0.0 <= alarm <= row.told_within_s


@pytest.mark.parametrize("onset_h", [REST_H, COLD_H])
@pytest.mark.parametrize("metered", [False, True])
def test_of_a_sound_night_nothing_is_told(onset_h, metered):
    sane = sound(onset_h, LONGEST_H, metered=metered)
    assert sane.told_s == {}
    assert sane.run.found_s == {}
    assert sane.run.auditor.unjustified_off == 0
    spoken = {reason for _, _, _, reason in sane.decisions}
    assert not spoken & {COLDER, Reason.PROBE_SUSPECT, Reason.PROBE_NOISY}


@pytest.mark.fault("H04", "U11")
@pytest.mark.parametrize("words", ["H04:a", "H04:b", "U11:yuzu"])
def test_heat_that_is_lost_while_it_is_on_is_told_within_minutes_without_a_meter(words):
    seen = suffer(words, LATE_H, 0.4)
    assert tells("heat-without-effect.yuzu")(seen) <= QUARTER_S


def test_leases_that_alternate_do_not_make_relays_chatter():
    switchings = suffer("B13:lemon", REST_H, 1.0).hurt.run.result().trees["lemon"].switchings
    # two strings, at most 12 times an hour each (the guard's own limit on switching)
    assert 1 < switchings <= 2 * 12


@pytest.mark.parametrize("fault", ["M02", "M06", "M14", "N15"])
def test_when_the_bus_is_back_strings_rest_again(fault):
    seen = suffer(fault, REST_H, 1.5, lasts="+1h")
    assert any(all(on) for on in seen.hurt.on)
    assert not any(seen.hurt.on[-1]), "half an hour later"


def test_when_the_mains_return_every_string_is_on_at_once():
    run = evening(REST_H, metered=False).fork()
    run.suffer([FaultSetting.read(f"H06@{REST_H:g}h+1h")])
    run.run((REST_H + 1.0) * 3600.0)
    assert run.world.strings_w() == [0.0] * 5
    run.run((REST_H + 1.0) * 3600.0 + 20.0)
    assert all(power_w > 0.0 for power_w in run.world.strings_w())
