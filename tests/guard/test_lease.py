"""Leases as they are given: boards that start again and again get none."""

import pytest

from controller.guard.events import BoardGone, EchoHeard
from controller.guard.finding import FindingCode


def start(drive, boots, *, apart_s=60.0, gone=False):
    """Let the east board start under one boot name after another."""
    for boot in boots:
        if gone:
            drive.tell(BoardGone(board="east"))
        drive.echo("east", boot=boot)
        drive.boards_answer = False
        drive.step(apart_s)
        drive.echo("west")


def leased_east(drive, boot):
    before = len(drive.leases())
    drive.echo("west")
    drive.echo("east", boot=boot)
    drive.step(61.0)
    return any(each.lease.board == "east" for each in drive.leases()[before:])


@pytest.mark.fault("B03", "B18")
@pytest.mark.parametrize("gone", [False, True])
def test_a_board_that_starts_again_and_again_gets_no_lease_for_an_hour(drive, gone):
    for _ in range(20):
        drive.step(10.0)
    start(drive, "abc", gone=gone)
    assert leased_east(drive, "c")
    start(drive, "d", gone=gone)
    assert not leased_east(drive, "d")
    drive.echo("east", boot="d")
    drive.step(10.0)
    unsteady = [each for each in drive.state.found if each.code is FindingCode.BOARD_UNSTEADY]
    assert [each.target for each in unsteady] == ["east"]
    assert unsteady[0].because == "board east started more than 3 times within ten minutes"
    for _ in range(61):
        drive.echo("east", boot="d")
        drive.step(60.0)
    assert leased_east(drive, "d")
    assert not any(each.code is FindingCode.BOARD_UNSTEADY for each in drive.state.found)


def test_starts_that_lie_far_apart_are_forgiven(drive):
    for _ in range(20):
        drive.step(10.0)
    start(drive, "abcdefgh", apart_s=400.0)
    assert leased_east(drive, "h")


def test_a_tree_whose_only_board_is_unsteady_counts_as_heated(drive):
    for _ in range(20):
        drive.step(10.0)
    for boots in zip("abcdef", "uvwxyz", strict=True):
        for board, boot in zip(("east", "west"), boots, strict=True):
            drive.echo(board, boot=boot)
        drive.boards_answer = False
        drive.step(20.0)
    for _ in range(5):
        drive.echo("east", boot="f")
        drive.echo("west", boot="z")
        drive.step(20.0)
    assert drive.tree("lemon").active
    assert str(drive.tree("lemon").reason) == "board-silent"
    assert "no board can be told so (east, west)" in drive.tree("lemon").because


def test_a_connection_lost_and_found_is_no_start(drive):
    for _ in range(20):
        drive.step(10.0)
    start(drive, "aaaaaa", gone=True)
    assert leased_east(drive, "a")


def turn(drive, uptime_of, *, seconds):
    """Let time pass while the east board shows what its timer makes of our time; return its leases."""
    before, drive.boards_answer = len(drive.leases()), False
    for _ in range(int(seconds / 10.0)):
        uptime_s, seq = uptime_of(drive.mono_s + 10.0), drive.state.boards["east"].seq
        drive.step(10.0)
        drive.echo("west")
        drive.tell(EchoHeard(board="east", boot="b1", session="s1", seq=seq, on=(), uptime_s=uptime_s))
    return [each.lease for each in drive.leases()[before:] if each.lease.board == "east"]


def timer_findings(drive):
    return [each.because for each in drive.state.found if each.code is FindingCode.BOARD_TIMER]


@pytest.mark.parametrize(
    ("uptime_of", "lag_s"),
    [
        pytest.param(lambda mono_s: mono_s - 3600.0, 3580.0, id="set back an hour"),
        pytest.param(lambda _: 1000.0, 130.0, id="stands still"),
    ],
)
def test_a_board_that_cannot_count_time_is_told_to_heat_and_named(drive, uptime_of, lag_s):
    assert any(lease.off for lease in turn(drive, lambda mono_s: mono_s, seconds=1000.0))
    turn(drive, uptime_of, seconds=120.0)
    leases = turn(drive, uptime_of, seconds=240.0)
    assert len(leases) >= 3, "silence would leave it with its last lease"
    assert not any(lease.off or lease.vent for lease in leases)
    assert timer_findings(drive)[0].startswith("board east's uptime has fallen ")
    assert float(timer_findings(drive)[0].split()[5]) >= lag_s
    leases = turn(drive, lambda mono_s: mono_s, seconds=120.0)
    assert any(lease.off for lease in leases), "its clock was put right, so it may rest again"
    assert timer_findings(drive) == []


@pytest.mark.parametrize("rate", [0.985, 1.0, 1.02, 3.0])
def test_a_timer_a_little_slow_or_however_fast_is_no_fault(drive, rate):
    """One that is fast only ends its leases early."""
    leases = turn(drive, lambda mono_s: rate * mono_s, seconds=20_000.0)
    assert all(lease.off for lease in leases[3:])
    assert timer_findings(drive) == []


def test_one_echo_held_up_on_its_way_is_forgotten_with_the_next(drive):
    turn(drive, lambda mono_s: mono_s, seconds=600.0)
    turn(drive, lambda mono_s: mono_s - 100.0, seconds=10.0)
    assert not any(lease.off for lease in turn(drive, lambda mono_s: mono_s, seconds=10.0))
    assert all(lease.off for lease in turn(drive, lambda mono_s: mono_s, seconds=120.0))
