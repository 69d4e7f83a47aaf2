"""Undo lets stand again what stood before, and nothing is undone that somebody has changed since."""

import asyncio
from datetime import timedelta

import pytest

from controller.guard.hand import HandOrder, Order
from controller.keeper import HandOrdered
from controller.phone.courier import By, Courier
from controller.phone.orders import OrderError, Wanted
from controller.phone.store import Session
from controller.phone.work import Word
from tests.conftest import DUSK
from tests.phone.conftest import ACCEPTED, say_done, status_for

NORA = By(session=Session("token", "Nora"), address="192.0.2.7")


def wanted(kind, name="", position="hand-on", hours=6):
    return Wanted(kind=kind, name=name, position=position, until=DUSK + timedelta(hours=hours), sure=True)


@pytest.fixture
def courier(page):
    page.guard_says = ACCEPTED
    return Courier(page.screen, page.store, page.publish)


def orders(page):
    return [
        (payload.get("tree") or payload.get("vent") or "all", payload["order"], payload["until"][11:16])
        for topic, payload in page.published
        if "/hand/" in topic
    ]


def stands(drive, page, *given):
    """Let orders stand at the guard, and the page hear of it."""
    for kind, target, position, hours in given:
        order = HandOrder(
            id="1",
            who="Finn",
            target_kind=kind,
            target=target,
            order=Order(position),
            until=DUSK + timedelta(hours=hours),
        )
        drive.tell(HandOrdered(order=order))
    page.hear(status_for(drive))


def undo_of(courier, order):
    passed = asyncio.run(courier.order(order, NORA))
    return asyncio.run(courier.undo(passed.id, NORA))


def test_where_nothing_stood_undo_is_automatic(courier, page, drive):
    page.hear(status_for(drive))
    passed = undo_of(courier, wanted("all"))
    assert [each[:2] for each in orders(page)] == [("all", "hand-on"), ("all", "auto")]
    assert courier.said(passed.id).sentence == "Taken back: Heat everything. What stood before stands again."
    assert courier.said(passed.id).undo is None


def test_an_earlier_order_for_the_same_tree_stands_again(courier, page, drive):
    stands(drive, page, ("tree", "lemon", "hand-off", 3))
    undo_of(courier, wanted("tree", "lemon", hours=6))
    assert orders(page) == [("lemon", "hand-on", "23:00"), ("lemon", "hand-off", "20:00")]


def test_a_tree_goes_back_to_what_is_ordered_for_everything(courier, page, drive):
    stands(drive, page, ("all", "all", "hand-on", 8))
    undo_of(courier, wanted("tree", "lemon", "auto", hours=12))
    assert orders(page) == [("lemon", "auto", "05:00"), ("lemon", "hand-on", "01:00")]


def test_an_order_for_everything_gives_back_what_single_trees_had(courier, page, drive):
    stands(drive, page, ("tree", "lemon", "hand-on", 2), ("tree", "yuzu", "hand-off", 3))
    undo_of(courier, wanted("all"))
    assert sorted(orders(page)[1:]) == sorted(
        [("all", "auto", "05:00"), ("lemon", "hand-on", "19:00"), ("yuzu", "hand-off", "20:00")]
    )


def test_a_vent_has_nothing_to_do_with_heat_for_everything(courier, page, drive):
    stands(drive, page, ("all", "all", "hand-on", 8))
    undo_of(courier, wanted("vent", "gable-fan"))
    assert orders(page)[-1][:2] == ("gable-fan", "auto")


def test_taking_back_can_itself_be_undone(courier, page, drive):
    stands(drive, page, ("tree", "lemon", "hand-on", 2))
    undo_of(courier, wanted("tree", "lemon", "auto", hours=12))
    assert orders(page)[-1] == ("lemon", "hand-on", "19:00")


def test_what_somebody_else_ordered_since_is_left_alone(courier, page, drive):
    page.hear(status_for(drive))
    passed = asyncio.run(courier.order(wanted("tree", "lemon", hours=6), NORA))
    stands(drive, page, ("tree", "lemon", "hand-on", 9))
    with pytest.raises(OrderError, match="newer was ordered"):
        asyncio.run(courier.undo(passed.id, NORA))
    assert len(page.published) == 1
    passed = asyncio.run(courier.order(wanted("tree", "yuzu", hours=6), NORA))
    stands(drive, page, ("tree", "yuzu", "hand-on", 6))
    asyncio.run(courier.undo(passed.id, NORA))
    assert orders(page)[-1][:2] == ("yuzu", "auto")


def test_an_undo_that_the_guard_refuses_goes_no_further_and_is_said(courier, page, drive):
    stands(drive, page, ("tree", "lemon", "hand-on", 2))
    passed = asyncio.run(courier.order(wanted("all"), NORA))
    page.guard_says = ACCEPTED.model_copy(update={"accepted": False, "because": "so be it"})
    undone = asyncio.run(courier.undo(passed.id, NORA))
    assert courier.said(undone.id).sentence == "Not taken back: Heat everything."
    assert len(page.published) == 2


def test_a_word_is_taken_back_by_its_id(courier, page, drive):
    page.hear(status_for(drive))
    passed = asyncio.run(courier.word(Word(what="covered", kind="all", name=""), NORA))
    assert page.published[0][1] == {
        "who": "Nora",
        "what": "covered",
        "all": True,
        "at": "2027-01-14T17:00:00Z",
        "version": 0,
    }
    assert courier.said(passed.id).sentence == "Noted: fleece is on: every tree."
    asyncio.run(courier.undo(passed.id, NORA))
    topic, payload = page.published[1]
    assert topic.startswith("rimeward/1/curlew-yard/confirm/")
    assert (payload["what"], payload["of"]) == ("taken-back", passed.id)


def test_a_word_said_elsewhere_can_be_taken_back_and_what_never_was_cannot(courier, page, drive):
    say_done(drive, "harvested", "yuzu", name="w7")
    page.hear(status_for(drive))
    undone = asyncio.run(courier.undo("w7", NORA))
    assert page.published[0][1]["of"] == "w7"
    assert "fruit harvested: yuzu" in courier.said(undone.id).sentence
    with pytest.raises(OrderError, match="cannot be undone"):
        asyncio.run(courier.undo("w8", NORA))
    with pytest.raises(OrderError, match="cannot be undone"):
        asyncio.run(courier.undo("", NORA))


def test_it_remembers_only_so_many(courier, page, monkeypatch):
    monkeypatch.setattr("controller.phone.courier.MOST_SENT", 3)
    ids = [asyncio.run(courier.order(wanted("all"), NORA)).id for _ in range(5)]
    assert [courier.said(each) is not None for each in ids] == [False, False, True, True, True]
