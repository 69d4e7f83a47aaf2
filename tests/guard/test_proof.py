"""The monthly proof: begun only where nothing can be lost, never passed by a board that holds heat off."""

import math
from datetime import UTC, datetime

import pytest

from controller.guard.decision import Decision, Reason
from controller.guard.finding import FindingCode
from controller.guard.lease import Lease
from controller.guard.proof import SHORT_S, Proof, Proving, cut_short, finding_of, is_due, judge, may_prove

DAY_S = 86400.0


def decision(temp_c=8.0, reason=Reason.WARM_ENOUGH):
    return Decision(
        kind="tree",
        name="lemon",
        at=datetime(2026, 11, 20, 12, tzinfo=UTC),
        active=reason is not Reason.WARM_ENOUGH,
        reason=reason,
        temp_c=temp_c,
        limit_c=1.0,
    )


@pytest.mark.parametrize(
    ("passed", "days", "due"),
    [(None, math.inf, True), (True, 29, False), (True, 30, True), (False, 0.9, False), (False, 1, True)],
)
def test_it_is_due_monthly_and_daily_after_a_failure(passed, days, due):
    assert is_due(passed, days * DAY_S) is due


@pytest.mark.parametrize(
    ("heat", "outside_c", "hour", "may"),
    [
        ([decision()], 8.0, 12, True),
        ([decision(), decision(3.9)], 8.0, 12, False),
        ([decision()], 3.9, 12, False),
        ([decision()], 8.0, 9, False),
        ([decision()], 8.0, 15, False),
        ([decision()], math.nan, 12, False),
        ([decision(math.nan)], 8.0, 12, False),
        ([decision(reason=Reason.HAND_OFF)], 8.0, 12, False),
        ([], 8.0, 12, False),
    ],
)
def test_it_begins_by_day_in_mild_air_only(heat, outside_c, hour, may):
    assert may_prove(heat, outside_c, hour) is may


def test_the_lease_it_begins_with_is_short_and_permits_no_more():
    lease = Lease(board="east", boot="b", seq=7, ttl_s=300.0, off=("1", "2"), vent=(), echo_uptime_s=9.0)
    short, proving = cut_short(lease, 100.0)
    assert (short.ttl_s, short.off, short.seq) == (SHORT_S, lease.off, 7)
    assert proving == Proving(board="east", off=("1", "2"), given_s=100.0)


@pytest.mark.parametrize(
    ("on", "heard_s", "mono_s", "passed"),
    [
        ((), 100.5, 110.0, None),  # the lease still stands
        (("1", "2"), 100.5, 101.0, None),  # an echo from before the lease
        (("1", "2"), 120.0, 120.0, True),
        (("1",), 120.0, 130.0, None),
        (("1",), 125.0, 136.0, False),
        ((), 125.0, 136.0, False),
        ((), 110.0, 200.0, None),  # silent: no proof either way
    ],
)
def test_only_an_echo_after_the_lease_tells(on, heard_s, mono_s, passed):
    proof = judge(Proving(board="east", off=("1", "2"), given_s=100.0), on, heard_s, mono_s)
    assert (proof and proof.passed) is passed


def test_a_failed_proof_is_of_the_worst_kind():
    found = finding_of(Proof(board="east", passed=False, because="still off"))
    assert (found.code, found.target, found.severity) == (FindingCode.REST_NOT_PROVED, "east", 4)
