"""Leases as they are given: boards that start again and again get none."""

import pytest

from controller.guard.events import BoardGone
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
