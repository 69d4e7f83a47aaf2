"""Every fault that a simulated night can suffer begins, does something, and is put back when it ends."""

from itertools import pairwise

import pytest

from controller.errors import RehearsalError
from simulator.faults.catalogue import catalogue
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import injections
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

pytestmark = pytest.mark.untraced

FIVE = "5h"
NIGHT = load_night("clear-calm")


@pytest.fixture(scope="module")
def evening():
    """A clear, calm night five hours in: some strings have begun to heat."""
    return Rehearsal("clear-calm", NIGHT, 1, with_forecast=True).run(5 * 3600.0)


def test_it_is_told_what_is_injected_and_what_is_not():
    able = injections()
    singles = [fault for fault in catalogue() if not fault.startswith("P-")]
    assert len(able) > 150
    assert set(able) <= set(singles)
    # disks, site files and pages are no part of a simulated night, whatever else is
    assert not {fault for fault in able if fault[0] == "K"}


@pytest.mark.parametrize("fault", list(injections()))
def test_it_begins_and_is_put_back(evening, fault):
    run = evening.fork()
    run.suffer([FaultSetting(id=fault, at=FIVE, lasts="40s")])
    run.run(5 * 3600.0 + 90.0)
    world = run.world
    assert all(not probe.spoilers for probe in world.probes.values())
    assert all(
        board.powered and not board.relays and not board.outgoing and not board.incoming
        for board in world.boards.values()
    )
    assert all(board.timer(7.0) == 7.0 for board in world.boards.values())
    assert all(world.mains.values())
    assert set(world.voltage.values()) == {1.0}
    assert all(share == 1.0 for shares in world.strings.conducts for share in shares)
    assert (world.uncovered, world.misplaced, world.draught_m3_s) == (set(), {}, 0.0)
    assert (run.served.answers, run.served.faults, run.served.error) == (True, set(), NIGHT.forecast)
    assert (run.spoil_plan, run.controller.clock_ahead_s) == (None, 0.0)
    assert not run.controller.standing_still or fault in {"P02", "P03"}  # until the watchdog bites
    assert run.controller.running or run.controller.starts_at_s < 6 * 3600.0
    assert all(client.connected for client in run.bus.clients)


@pytest.mark.parametrize("pair", [id_ for id_, fault in catalogue().items() if fault.of])
def test_a_pair_happens_as_both_or_is_refused(evening, pair):
    run = evening.fork()
    if set(catalogue()[pair].of) <= set(injections()):
        run.suffer([FaultSetting(id=pair, at=FIVE)])
        run.run(5 * 3600.0 + 60.0)
    else:
        with pytest.raises(RehearsalError, match="cannot happen in a simulated night"):
            run.suffer([FaultSetting(id=pair, at=FIVE)])


def test_a_fork_goes_on_as_the_whole_would_and_leaves_it_alone(evening):
    before = evening.trace_sha256
    straight = Rehearsal("clear-calm", NIGHT, 1, with_forecast=True).run(5.2 * 3600.0)
    hurt = evening.fork()
    hurt.suffer([FaultSetting(id="H03", at=FIVE)])
    hurt.run(5.2 * 3600.0)
    assert evening.trace_sha256 == before
    assert evening.fork().run(5.2 * 3600.0).trace_sha256 == straight.trace_sha256 != hurt.trace_sha256


def test_a_rehearsal_with_a_fault_under_way_is_not_forked(evening):
    run = evening.fork()
    run.suffer([FaultSetting(id="S24", at=FIVE)])
    run.step()
    with pytest.raises(ValueError, match="before its first fault"):
        run.fork()


def test_an_intermittent_fault_comes_and_goes(evening):
    run = evening.fork()
    run.suffer([FaultSetting(id="H04", at=FIVE, lasts="10m", comes_for="1m", comes_every="2m")])
    seen = []
    for _ in range(90):
        run.step()
        seen.append(run.world.mains["a"])
    spells = [seen[0], *(now for before, now in pairwise(seen) if now != before)]
    assert spells == [False, True] * 5
    assert seen.count(False) == 30


@pytest.mark.parametrize(
    ("fault", "target", "kind"),
    [("S01", "nobody", "tree"), ("B01", "north", "board"), ("H04", "c", "circuit"), ("V01", "roof", "vent")],
)
def test_a_target_that_is_not_there_is_named(evening, fault, target, kind):
    run = evening.fork()
    run.suffer([FaultSetting(id=fault, at=FIVE, target=target)])
    with pytest.raises(RehearsalError, match=f"no {kind} '{target}'"):
        run.step()
