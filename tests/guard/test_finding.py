"""The catalogue of findings: every code has its usual severity, cause and first thing to look at."""

import pytest

from controller.guard.decision import BAD_INPUT, Reason
from controller.guard.finding import KNOWN, FindingCode, Sure, finding


@pytest.mark.parametrize("code", list(FindingCode))
def test_every_code_says_how_bad_it_is_and_what_to_look_at_first(code):
    known = KNOWN[code]
    assert 1 <= known.severity <= 4
    assert known.what
    assert known.cause
    assert known.look_at


def test_every_fault_of_a_probe_is_a_finding_of_the_same_name():
    # a probe that has just started is no fault: its third word counts
    faults = BAD_INPUT - {Reason.PROBE_NEW}
    assert {str(reason) for reason in faults} <= {str(code) for code in FindingCode}


def test_a_finding_takes_from_the_catalogue_what_its_finder_leaves_out():
    usual = finding(FindingCode.BOARD_SILENT, "east", "east is silent")
    assert (usual.severity, usual.look_at) == (3, KNOWN[FindingCode.BOARD_SILENT].look_at)
    assert usual.sure is Sure.CERTAIN
    worse = finding(FindingCode.BOARD_SILENT, "east", "east is silent", severity=4, look_at="the fuse")
    assert (worse.severity, worse.look_at) == (4, "the fuse")
    assert worse.key == usual.key == "board-silent.east"
