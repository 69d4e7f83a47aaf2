"""Faults of boards, broker and network on the clear, calm night: heat comes, and a finding names the fault.

The night is two hours old and every string rests when the fault begins, so that each second until heat
counts.
"""

import pytest

from simulator.faults.setting import FaultSetting
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

ONSET_S = 2 * 3600.0
# A lease, the moment it is renewed, and two control periods.
HEAT_WITHIN_S = 330.0


@pytest.fixture(scope="module")
def resting():
    run = Rehearsal("clear-calm", load_night("clear-calm"), 1).run(ONSET_S)
    assert all(run.world.resting())
    return run


def suffer(resting, word):
    run = resting.fork()
    run.suffer([FaultSetting.read(f"{word}@2h+1h")])
    return run


def faults(*each):
    return [pytest.param(*row, marks=pytest.mark.fault(row[0].partition(":")[0])) for row in each]


@pytest.mark.parametrize(
    ("word", "finding"),
    faults(
        ("M02", "board-silent.east"),
        ("M05", "board-silent.east"),
        ("M06", "board-silent.east"),
        ("M15", "board-silent.east"),
        ("M16", "board-disobeys.east.1"),
        ("M21", "board-silent.east"),
        ("N15", "board-silent.east"),
    ),
)
def test_without_the_bus_every_string_is_on_within_a_lease_and_it_is_told(
    resting, record_property, word, finding
):
    run = suffer(resting, word)
    while any(run.world.resting()) and run.world.elapsed_s < ONSET_S + HEAT_WITHIN_S:
        run.step()
    assert not any(run.world.resting())
    record_property("reaction_s", run.world.elapsed_s - ONSET_S)
    run.run(ONSET_S + 400.0)
    record_property("alarm_s", run.found_s[finding] - ONSET_S)
    assert run.found_s[finding] - ONSET_S <= 900.0
    run.run(ONSET_S + 3600.0 + 900.0)
    assert any(run.world.resting()), "an hour later the bus is back, and strings may rest again"
    assert run.auditor.unjustified_off == 0


@pytest.mark.parametrize(
    ("word", "finding", "within_s"),
    faults(
        ("M01", "board-silent.east", 300.0),
        ("M03", "probe-stale.air-lemon", 900.0),
        ("M07:east", "board-silent.east", 600.0),
        ("M14", "probe-stale.air-lemon", 900.0),
        ("M17", "board-disobeys.east.1", 900.0),
        ("M18", "board-disobeys.east.1", 900.0),
        ("M27", "board-disobeys.east.1", 900.0),
        ("M28", "probe-future.air-lemon", 60.0),
        ("B02:east", "board-silent.east", 600.0),
        ("B03:east", "board-unsteady.east", 600.0),
        ("B10:east", "heat-without-effect.lemon", 2000.0),
        ("B12:east", "board-timer.east", 60.0),
        ("B14:east", "board-silent.east", 600.0),
        ("B18:east", "board-unsteady.east", 600.0),
    ),
)
def test_what_a_person_must_know_is_found_in_time_and_no_string_is_wronged(
    resting, record_property, word, finding, within_s
):
    run = suffer(resting, word)
    run.run(ONSET_S + within_s)
    assert finding in run.found_s, run.found_s
    record_property("alarm_s", run.found_s[finding] - ONSET_S)
    assert run.auditor.unjustified_off == 0


@pytest.mark.parametrize(
    "word",
    faults(("M04",), ("M08",), ("M09",), ("M12",), ("M22",), ("B01:east",), ("B15:east",)),
)
def test_what_the_contract_takes_in_its_stride_costs_no_alarm_and_wrongs_no_string(resting, word):
    run = suffer(resting, word)
    run.run(ONSET_S + 4200.0)
    assert run.auditor.unjustified_off == 0
    assert {key for key in run.found_s if not key.startswith("board-silent")} == set()
    assert any(run.world.resting())


@pytest.mark.fault("B13")
def test_leases_that_alternate_do_not_make_relays_chatter(resting):
    run = suffer(resting, "B13:lemon")
    lemon = next(n for n, tree in enumerate(run.site.trees) if tree.name == "lemon")
    before = run.world.record.trees[lemon].switchings
    run.run(ONSET_S + 3600.0)
    # two strings, at most 12 times an hour each (the guard's own limit on switching)
    assert run.world.record.trees[lemon].switchings - before <= 2 * 12
    assert run.auditor.unjustified_off == 0


@pytest.mark.fault("H06")
def test_when_the_mains_return_every_string_is_on_at_once_and_control_within_two_minutes(
    resting, record_property
):
    run = suffer(resting, "H06")
    run.run(ONSET_S + 3600.0)
    assert run.world.strings_w() == [0.0] * 5
    back_s = run.world.elapsed_s
    run.run(back_s + 20.0)
    assert all(power_w > 0.0 for power_w in run.world.strings_w())
    while not run.controller.running and run.world.elapsed_s < back_s + 300.0:
        run.step()
    record_property("reaction_s", run.world.elapsed_s - back_s)
    assert run.world.elapsed_s - back_s <= 120.0


PAIRS = (
    ("P-02", "M21", "M01"),
    ("P-15", "M07:east", "B10:east"),
    ("P-19", "M03", "B13:lemon"),
    ("P-22", "M09", "B01:east"),
)


@pytest.mark.parametrize(
    ("first", "second"), [pytest.param(a, b, marks=pytest.mark.fault(name)) for name, a, b in PAIRS]
)
def test_two_at_once_wrong_no_string(resting, first, second):
    run = resting.fork()
    run.suffer([FaultSetting.read(f"{first}@2h+1h"), FaultSetting.read(f"{second}@2h+1h")])
    run.run(ONSET_S + 4500.0)
    assert run.auditor.unjustified_off == 0
