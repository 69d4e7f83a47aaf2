"""Two faults at once, on the clear, calm night from nine in the evening to the morning.

Where a string can still heat, the fruit lives; where none can, that tree alone is lost and is named in time
for somebody to come.  Heat is never off without evidence.
"""

from dataclasses import dataclass

import pytest

from simulator.faults.setting import FaultSetting
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

pytestmark = pytest.mark.untraced

ONSET_H, END_H = 5.0, 16.0
LOOK_S = 600.0


@dataclass(frozen=True)
class Case:
    """A pair, the finding that names it within ``found_within_s``, and the tree that no program can save."""

    pair: str
    finding: str = ""
    found_within_s: float = 0.0
    lost: str = ""


CASES = [
    # mains and network return apart: the controller comes back by itself and finds nothing amiss
    Case("P-01"),
    # the broker dies, everything comes on, the breaker is too small: its circuit is dark until somebody comes
    Case("P-11", "board-silent.east", 1200.0, lost="lemon"),
    Case("P-12", "probe-future.air-lemon", 1200.0),
    Case("P-13"),
    # nothing heats the tree whose string is dead on a swapped channel, or whose frost-stat stays open
    Case("P-16", "heat-without-effect.satsuma-door", 3000.0, lost="satsuma-door"),
    Case("P-26"),
    Case("P-27", "heat-without-effect.satsuma-door", 3000.0, lost="satsuma-door"),
]


@pytest.fixture(scope="module")
def evening():
    return Rehearsal("clear-calm", load_night("clear-calm"), 1, with_forecast=True).run(ONSET_H * 3600.0)


@pytest.mark.parametrize("case", [pytest.param(case, id=case.pair) for case in CASES])
def test_of_two_faults_together_only_what_nothing_can_heat_is_lost(evening, case):
    run = evening.fork()
    run.suffer([FaultSetting.read(f"{case.pair}@{ONSET_H:g}h")])
    found_s = None
    for look in range(1, int((END_H - ONSET_H) * 3600.0 / LOOK_S) + 1):
        run.run(ONSET_H * 3600.0 + look * LOOK_S)
        if found_s is None and run.controller.running and case.finding in _found(run):
            found_s = look * LOOK_S
    assert run.auditor.unjustified_off == 0
    assert {tree.name for tree in run.world.record.trees if tree.is_damaged} <= {case.lost}
    if case.finding:
        assert found_s is not None
        assert found_s <= case.found_within_s


def _found(run) -> set[str]:
    return {finding.key for findings in run.controller.state.findings.values() for finding in findings}
