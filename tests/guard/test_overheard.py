"""What is said on the topics of leases: our own words pass, all others are told."""

import pytest

from controller.guard.events import ClearLease, LeaseHeard
from controller.guard.finding import FindingCode


def told(drive):
    drive.step(30.0)
    return [each.because for each in drive.state.found if each.code is FindingCode.STRANGE_LEASE]


@pytest.fixture
def going(drive):
    """A keeper whose own leases come back to it as the broker hands them out."""
    for _ in range(12):
        drive.step()
    for given in drive.leases():
        drive.tell(LeaseHeard(board=given.lease.board, session="s1", seq=given.lease.seq))
    return drive


def test_our_own_leases_are_not_strange(going):
    assert going.state.overheard["east"].seq > 0
    assert told(going) == []


@pytest.mark.parametrize(
    ("heard", "words"),
    [
        (LeaseHeard(board="east"), "board east: what was sent to it is no lease"),
        (
            LeaseHeard(board="east", session="s2", seq=9),
            "board east: somebody else gives it leases, as 's2'",
        ),
        (LeaseHeard(board="east", session="s1", seq=1), "board east: our lease 1 was sent to it again"),
    ],
)
def test_every_other_word_is_told_for_ten_minutes_and_changes_no_decision(going, heard, words):
    before = dict(going.state.heat)
    assert going.tell(heard) == ()
    assert going.state.heat == before
    assert told(going) == [words]
    for _ in range(20):
        going.step(30.0)
    assert told(going) == []


def test_what_the_broker_keeps_is_cleared_and_told_even_in_our_own_name(going):
    assert going.tell(LeaseHeard(board="east", session="s1", seq=99, retained=True)) == (
        ClearLease(board="east"),
    )
    assert told(going) == ["board east: the broker had kept one for it, as none should be; that is cleared"]


def test_a_board_that_is_not_ours_is_none_of_our_business(going):
    before = going.state
    assert going.tell(LeaseHeard(board="north", retained=True)) == ()
    assert going.state is before
