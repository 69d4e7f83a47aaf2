"""Hand orders are weighed: taken, shortened, or refused with the reason."""

from datetime import timedelta

import pytest

from controller.guard.hand import HandOrder, Order, weigh
from tests.conftest import DUSK, at

KNOWN = frozenset({"lemon", "yuzu"})


def order(position=Order.HAND_ON, hours=2.0, *, target="lemon", kind="tree", version=0):
    until = DUSK + timedelta(hours=hours)
    return HandOrder(
        id="o1", who="Nora", target_kind=kind, target=target, order=position, until=until, version=version
    )


def test_an_order_stands_until_its_end_on_the_monotonic_clock():
    standing, answer = weigh(order(), KNOWN, 0, at(100.0))
    assert standing.ends_s == 7200.0
    assert answer.accepted
    assert answer.because == "hand-on for lemon until 2027-01-14 19:00 UTC"


@pytest.mark.parametrize(
    ("position", "longest_h"), [(Order.HAND_ON, 12), (Order.HAND_OFF, 4), (Order.AUTO, 12)]
)
def test_no_order_outlasts_its_longest_time(position, longest_h):
    standing, answer = weigh(order(position, hours=100), KNOWN, 0, at(0.0))
    assert standing.ends_s == longest_h * 3600.0
    assert ("the longest allowed" in answer.because) is (position is not Order.AUTO)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        (order(target="lime"), "there is no tree 'lime'; known are: lemon, yuzu"),
        (order(hours=-1), "before it arrived"),
        (order(hours=0), "before it arrived"),
        (order(version=3), "it has version 3, but version 3 already stands"),
    ],
)
def test_what_cannot_be_taken_is_refused_with_the_reason(given, why):
    standing, answer = weigh(given, KNOWN, 3, at(0.0))
    assert standing is None
    assert not answer.accepted
    assert why in answer.because


def test_a_newer_version_and_an_unversioned_order_are_taken():
    assert weigh(order(version=4), KNOWN, 3, at(0.0))[1].accepted
    assert weigh(order(version=0), KNOWN, 3, at(0.0))[1].accepted


def test_an_order_for_all_needs_no_name():
    assert weigh(order(kind="all", target="all"), frozenset(), 0, at(0.0))[1].accepted


def test_without_a_trusted_clock_the_longest_time_stands():
    standing, answer = weigh(order(hours=-5000), KNOWN, 0, at(50.0, clock_trusted=False))
    assert answer.accepted
    assert standing.ends_s == 50.0 + 12 * 3600.0


def test_back_to_automatic_is_always_possible():
    assert weigh(order(Order.AUTO, hours=-1), KNOWN, 0, at(0.0))[1].because == "lemon is on automatic"
