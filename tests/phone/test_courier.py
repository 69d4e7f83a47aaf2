"""What is carried to the guard, what it answers, and how it is undone."""

import asyncio
from datetime import timedelta

import pytest

from controller.phone.courier import By, Courier
from controller.phone.orders import OrderError, Wanted
from controller.phone.store import Session
from controller.phone.work import Word
from tests.conftest import DUSK
from tests.phone.conftest import ACCEPTED, say_done, status_for, with_alarms

NORA = By(session=Session("token", "Nora"), address="192.0.2.7")


def wanted(kind, name="", position="hand-on", hours=6):
    return Wanted(kind=kind, name=name, position=position, until=DUSK + timedelta(hours=hours), sure=True)


@pytest.fixture
def courier(page):
    page.guard_says = ACCEPTED
    return Courier(page.screen, page.store, page.publish)


def test_an_order_is_taken_back_by_its_id(courier, page, drive):
    page.hear(status_for(drive))
    passed = asyncio.run(courier.order(wanted("all"), NORA))
    assert courier.said(passed.id).undo == passed.id
    undone = asyncio.run(courier.undo(passed.id, NORA))
    topic, payload = page.published[1]
    assert topic.startswith("rimeward/1/curlew-yard/hand/")
    assert (payload["who"], payload["order"], payload["of"]) == ("Nora", "taken-back", passed.id)
    said = courier.said(undone.id)
    assert said.sentence == "Taken back: Heat everything. What stood before stands again."
    assert said.undo is None


def test_what_the_guard_does_not_take_back_is_said(courier, page, drive):
    page.hear(status_for(drive))
    passed = asyncio.run(courier.order(wanted("all"), NORA))
    newer = "only the latest order can be taken back, and another came since; look again"
    page.guard_says = ACCEPTED.model_copy(update={"accepted": False, "because": newer})
    said = courier.said(asyncio.run(courier.undo(passed.id, NORA)).id)
    assert (said.level, said.sentence, said.because) == ("go", "Not taken back: Heat everything.", newer)


def test_somebody_has_an_alarm(courier, page, drive):
    page.hear(with_alarms(status_for(drive)))
    passed = asyncio.run(courier.acknowledge("board-silent.east", NORA))
    assert page.published == [("rimeward/1/curlew-yard/acknowledge/board-silent.east", {"who": "Nora"})]
    assert courier.said(passed.id).sentence == "You have it: board silent: east."
    assert courier.said(passed.id).undo is None
    with pytest.raises(OrderError, match="stands no more"):
        asyncio.run(courier.acknowledge("board-silent.west", NORA))


def test_an_answer_of_before_does_not_stand_for_one_of_now(courier, page, drive, monkeypatch):
    monkeypatch.setattr("controller.phone.courier.ANSWER_WITHIN_S", 0.1)
    page.hear(status_for(drive))
    asyncio.run(courier.acknowledge("all", NORA))
    page.guard_says = None
    assert asyncio.run(courier.acknowledge("all", NORA)).answer is None
    assert courier.said("all").sentence.startswith("No answer yet: all alarms.")


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
