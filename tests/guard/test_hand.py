"""Hand orders are weighed: taken, shortened, or refused with the reason."""

from datetime import timedelta

import pytest

from controller.guard.hand import HandOrder, Order, Orders, in_force, take, weigh
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
    assert answer.because == "lemon is heated by hand until 2027-01-14 19:00 UTC"


@pytest.mark.parametrize(
    ("position", "longest_h"), [(Order.HAND_ON, 12), (Order.HAND_OFF, 4), (Order.AUTO, 12)]
)
def test_no_order_outlasts_its_longest_time(position, longest_h):
    standing, answer = weigh(order(position, hours=100), KNOWN, 0, at(0.0))
    assert standing.ends_s == longest_h * 3600.0
    assert standing.order.until == DUSK + timedelta(hours=longest_h)
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


# ---- several orders, and taking the latest back ----------------------------------------------------------


def given(order_id, position=Order.HAND_ON, *, target="lemon", kind="tree", hours=2.0, of="", consent=""):
    until = DUSK + timedelta(hours=hours)
    return HandOrder(
        id=order_id,
        who="Nora",
        target_kind=kind,
        target=target,
        order=position,
        until=until,
        of=of,
        consent=consent,
    )


def taken(*orders, mono_s=0.0):
    all_of_them, answer = Orders(), None
    for each in orders:
        all_of_them, answer = take(all_of_them, each, KNOWN, at(mono_s))
    return all_of_them, answer


def acting(orders, mono_s=0.0):
    return [(each.order.target, str(each.order.order)) for each in in_force(orders.standing, at(mono_s))]


def test_taking_back_puts_back_all_that_stood():
    before = (given("1"), given("2", Order.HAND_OFF, target="yuzu"), given("3", kind="vent", target="lemon"))
    orders, _ = taken(*before, given("4", Order.HAND_OFF, kind="all", target="all"))
    assert acting(orders) == [("lemon", "hand-on"), ("all", "hand-off")]
    orders, answer = take(
        orders, given("5", Order.TAKEN_BACK, kind="all", target="all", of="4"), KNOWN, at(0.0)
    )
    assert answer.because == (
        "taken back; what stands: lemon is heated by hand, heat is kept off yuzu, lemon is open by hand"
    )
    assert acting(orders) == acting(taken(*before)[0])


def test_what_ended_meanwhile_does_not_come_back():
    orders, _ = taken(given("1", hours=1.0), given("2", Order.AUTO))
    back = given("3", Order.TAKEN_BACK, of="2")
    orders, answer = take(orders, back, KNOWN, at(3601.0))
    assert answer.because == "taken back; what stands: everything on automatic"
    assert acting(orders, 3601.0) == []


@pytest.mark.parametrize("of", ["", "1", "no-such"])
def test_only_the_latest_can_be_taken_back_and_only_once(of):
    orders, _ = taken(given("1"), given("2", target="yuzu"))
    after, answer = take(orders, given("3", Order.TAKEN_BACK, of=of), KNOWN, at(0.0))
    assert not answer.accepted
    assert after is orders
    once, _ = take(orders, given("3", Order.TAKEN_BACK, of="2"), KNOWN, at(0.0))
    assert not take(once, given("4", Order.TAKEN_BACK, of="2"), KNOWN, at(0.0))[1].accepted


@pytest.mark.fault("U10")
def test_an_order_that_comes_twice_is_one_order():
    once, _ = taken(given("1", Order.HAND_OFF), given("2"))
    twice, answer = taken(given("1", Order.HAND_OFF), given("2"), given("2"), mono_s=5.0)
    assert answer.accepted
    assert acting(twice) == acting(once)
    orders, _ = take(twice, given("3", Order.TAKEN_BACK, of="2"), KNOWN, at(5.0))
    assert acting(orders) == [("lemon", "hand-off")]
    assert [each.ends_s for each in twice.standing.values()] == [7200.0]


@pytest.mark.fault("U02")
@pytest.mark.parametrize(
    ("order", "because"),
    [
        (given("1", Order.HAND_OFF), "where fruit is lost it is heated all the same, unless the order says"),
        (given("1", Order.HAND_OFF, consent=" Let the  LEMON go "), "; its fruit may freeze"),
        (given("1", Order.HAND_OFF, kind="vent"), "lemon is shut by hand until 2027-01-14 19:00 UTC"),
        (given("1", Order.HAND_OFF, kind="all", target="all"), "it is heated all the same"),
    ],
)
def test_an_order_against_heat_says_what_it_means_for_the_fruit(order, because):
    _, answer = taken(order)
    assert answer.accepted
    assert answer.because.endswith(because) or because in answer.because


@pytest.mark.parametrize(
    ("order", "why"),
    [
        (
            given("1", Order.HAND_OFF, consent="yes"),
            "to lose this tree's fruit on purpose, say 'let the lemon go'",
        ),
        (given("1", Order.HAND_OFF, consent="let the yuzu go"), "say 'let the lemon go'"),
        (
            given("1", Order.HAND_ON, consent="let the lemon go"),
            "only with an order that keeps heat off one tree",
        ),
        (
            given("1", Order.HAND_OFF, kind="all", target="all", consent="let the all go"),
            "only with an order that keeps heat off one tree",
        ),
    ],
)
def test_fruit_is_let_go_only_by_its_tree_s_own_name(order, why):
    orders, answer = taken(order)
    assert not answer.accepted
    assert why in answer.because
    assert orders.standing == {}
