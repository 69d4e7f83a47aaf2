"""What the guard finds wrong by itself: silent while all is well, named when it is not, gone when it ends."""

import math

import pytest

from controller.guard.decision import Reason
from controller.guard.events import EchoHeard, Found, HandOrdered, ProbeHeard, Tick
from controller.guard.evidence import Evidence
from controller.guard.finding import FindingCode, finding
from controller.guard.hand import HandOrder, Order
from controller.guard.look import of_probes
from controller.keeper import GUARD
from tests.conftest import at, rest


def found(drive):
    return {(each.code, each.target): each for each in drive.state.found}


def test_a_sound_night_finds_nothing(drive):
    rest(drive)
    assert drive.state.found == ()


def test_at_the_start_every_probe_and_board_is_named(drive):
    drive.tell(Tick())
    codes = {code for code, _ in found(drive)}
    assert codes == {FindingCode.PROBE_MISSING, FindingCode.BOARD_SILENT}
    silent = found(drive)[FindingCode.BOARD_SILENT, "east"]
    assert silent.severity == 4  # nothing is known to be warm
    assert silent.because.startswith("board east has not answered; it heats satsuma-door")


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        ("probe-missing", "air-lemon has not been heard since the controller started"),
        ("probe-stale", "air-lemon was last heard 6 min ago"),
        ("probe-future", "air-lemon is dated 400 s in the future"),
        ("probe-frozen", "air-lemon has said 1.25 °C for 6 min"),
        ("probe-out-of-range", "air-lemon reads 1.2 °C"),
        ("probe-not-a-number", "air-lemon sent no number"),
        ("probe-power-on", "air-lemon reads 1.2 °C"),
        ("probe-gone", "air-lemon reads 1.2 °C"),
        ("probe-zeros", "air-lemon reads 1.2 °C"),
        ("probe-far-off", "air-lemon reads 1.2 °C"),
        ("probe-leaps", "air-lemon leaps from 1.2 °C and back"),
        ("probe-noisy", "air-lemon jumps about from reading to reading, now 1.2 °C"),
    ],
)
def test_each_fault_of_a_probe_has_its_sentence(fault, sentence):
    judged = Evidence(probe="air-lemon", temp_c=1.25, fault=Reason(fault), age_s=360.0, ahead_s=400.0)
    new = Evidence(probe="air-satsuma-back", temp_c=3.0, fault=Reason.PROBE_NEW)
    (one,) = of_probes([judged, Evidence(probe="air-yuzu", temp_c=3.0), new])
    assert (one.code, one.target, one.because) == (FindingCode(fault), "air-lemon", sentence)


def test_a_probe_that_no_ladder_asks_is_named_too(drive):
    rest(drive)
    for _ in range(16):
        drive.step(10.0, silent=["outside"])
    assert (FindingCode.PROBE_STALE, "outside") in found(drive)
    rest(drive, 1.0)
    assert drive.state.found == ()


def test_a_silent_board_is_worst_where_its_trees_are_near_frost(drive):
    rest(drive)
    drive.boards_answer = False
    rest(drive)
    assert found(drive)[FindingCode.BOARD_SILENT, "east"].severity == 3
    drive.temps_c["air-yuzu"] = 1.5
    rest(drive)
    silent = found(drive)[FindingCode.BOARD_SILENT, "east"]
    assert silent.severity == 4
    assert "was last heard 4 min ago" in silent.because


def test_a_board_that_keeps_heat_off_where_it_is_ordered_is_the_worst(drive):
    drive.temps_c["air-lemon"] = 0.5
    rest(drive)
    wrong = found(drive)[FindingCode.HEAT_NOT_ON, "lemon"]
    assert wrong.severity == 4
    assert wrong.because == "lemon shall be heated, but west/4 says it is off"


def test_a_lease_that_is_only_renewed_does_not_hide_heat_that_is_not_on(drive):
    drive.temps_c["air-lemon"] = 0.5
    rest(drive)
    for _ in range(24):  # every moment between two renewals
        drive.step(10.0)
        assert (FindingCode.HEAT_NOT_ON, "lemon") in found(drive)


def test_a_string_that_stays_on_against_its_lease_is_named(drive):
    rest(drive)
    seen = set()
    for _ in range(12):
        drive.mono_s += 10.0
        for probe, temp_c in drive.temps_c.items():
            drive.tell(ProbeHeard(probe=probe, temp_c=temp_c, at=drive.now.utc))
        drive.echo("west")
        drive.tell(EchoHeard(board="east", boot="b1", session=None, seq=0, on=("4",), uptime_s=drive.mono_s))
        drive.tell(Tick())
        seen |= set(found(drive))
    assert seen == {(FindingCode.BOARD_DISOBEYS, "east/4")}


def test_fruit_in_danger_and_heat_under_the_fleece_are_told(drive):
    rest(drive)  # a probe that said 36 from its first word on, by night, would be taken to speak °F
    drive.temps_c |= {"air-lemon": -1.5, "air-yuzu": 36.0}
    rest(drive, 1.0)
    assert found(drive)[FindingCode.FRUIT_IN_DANGER, "lemon"].because.startswith("-1.5 °C at lemon")
    assert found(drive)[FindingCode.TOO_HOT, "yuzu"].severity == 4
    assert (FindingCode.FRUIT_IN_DANGER, "yuzu") not in found(drive)


def test_an_order_that_is_overruled_is_told(drive):
    order = HandOrder(
        id="o1",
        who="Nora",
        target_kind="tree",
        target="lemon",
        order=Order.HAND_OFF,
        until=at(7200.0).utc,
    )
    drive.tell(HandOrdered(order=order))
    drive.temps_c["air-lemon"] = -1.0
    rest(drive, 0.5)
    assert "Nora ordered it off" in found(drive)[FindingCode.OFF_OVERRULED, "lemon"].because


def test_what_others_find_stands_beside_it_until_they_say_otherwise(drive):
    rest(drive)
    told = finding(FindingCode.NO_FORECAST, "forecast", "the service has been silent for 7 h")
    drive.tell(Found(source="daemon", findings=(told,)))
    rest(drive)
    assert drive.state.found == (told,)
    drive.temps_c["outside"] = math.nan
    rest(drive)
    assert [each.code for each in drive.state.found] == [FindingCode.PROBE_NOT_A_NUMBER, told.code]
    drive.tell(Found(source="daemon", findings=()))
    assert drive.state.findings["daemon"] == ()
    assert drive.state.found == drive.state.findings[GUARD]


@pytest.mark.fault("U01", "U03")
@pytest.mark.parametrize(
    ("position", "severity"), [(Order.HAND_OFF, 2), (Order.HAND_ON, 1), (Order.AUTO, None)]
)
def test_a_forgotten_order_ends_by_itself_and_that_is_told_for_an_hour(drive, position, severity):
    until = at(1800.0).utc
    order = HandOrder(id="o", who="Nora", target_kind="tree", target="lemon", order=position, until=until)
    rest(drive)
    drive.tell(HandOrdered(order=order))
    rest(drive, 27.0)
    assert FindingCode.ORDER_ENDED not in [each.code for each in drive.state.found]
    rest(drive, 3.0)
    told = [each for each in drive.state.found if each.code is FindingCode.ORDER_ENDED]
    assert [each.severity for each in told] == ([] if severity is None else [severity])
    if severity is not None:
        assert told[0].because == f"Nora's order {position} for lemon ended 2 min ago"
    rest(drive, 60.0)
    assert FindingCode.ORDER_ENDED not in [each.code for each in drive.state.found]
