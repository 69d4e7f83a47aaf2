"""What was ordered before a restart is taken up, late if need be, and gives way to what was ordered since."""

import sqlite3
import threading
import time
from contextlib import closing
from datetime import datetime, timedelta

import pytest

from controller import recall as module
from controller.clock import RELEASED, SystemClock
from controller.guard.hand import Answer, HandOrder, Order
from controller.journal.store import open_for_writing
from controller.journal.writer import Journal
from controller.recall import Recall, still_wanted


class SetClock(SystemClock):
    """A clock that shows what the test says."""

    def __init__(self, utc: datetime) -> None:
        super().__init__()
        self.shown = utc

    def utc(self) -> datetime:
        return self.shown


NOON = RELEASED + timedelta(days=100)


def order(number, kind="tree", target="lemon"):
    until = NOON + timedelta(hours=2)
    return HandOrder(id=number, who="Nora", target_kind=kind, target=target, order=Order.HAND_ON, until=until)


@pytest.fixture
def journal(tmp_path):
    """A journal in which one order stands."""
    kept = Journal(tmp_path / "journal.db")
    kept.start()
    kept.put_order(order("1"), Answer(id="1", accepted=True, because=""), NOON)
    kept.stop()
    return kept.path


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(module, "AGAIN_S", 0.02)
    monkeypatch.setattr(module, "WITHIN_S", 0.2)


def taken(recall, within_s=10.0):
    """Return what is found, waiting as the control loop does: by looking now and then."""
    ends_s, waiting = time.monotonic() + within_s, threading.Event()
    while (found := recall.take()) is None:
        assert time.monotonic() < ends_s
        waiting.wait(0.005)
    return [each.id for each in found.orders]


def test_what_stands_is_there_when_the_first_decision_is_made_and_only_once(journal):
    recall = Recall(journal, SetClock(NOON))
    recall.start()
    assert [each.id for each in recall.take().orders] == ["1"]
    assert recall.take() is None
    assert recall.trouble == ""


def test_a_first_start_has_nothing_to_recall(tmp_path):
    recall = Recall(tmp_path / "journal.db", SetClock(NOON))
    recall.start()
    assert recall.take().orders == ()


def test_before_the_clock_is_set_nothing_is_recalled_and_then_it_is(journal):
    """A small computer without a battery clock starts years ago, and is set when the network is there."""
    clock = SetClock(RELEASED - timedelta(days=3000))
    recall = Recall(journal, clock)
    recall.start()
    assert recall.take() is None
    assert "the clock is not sound" in recall.trouble
    clock.shown = NOON
    assert taken(recall) == ["1"]
    assert recall.trouble == ""


def test_a_journal_of_an_older_release_is_recalled_once_it_has_been_brought_up_to_date(journal):
    with closing(sqlite3.connect(journal)) as connection:
        connection.execute("ALTER TABLE hand_order RENAME TO hand_order_of_before")
    recall = Recall(journal, SetClock(NOON))
    recall.start()
    assert recall.take() is None
    assert "hand_order" in recall.trouble
    with closing(sqlite3.connect(journal)) as connection:
        connection.execute("ALTER TABLE hand_order_of_before RENAME TO hand_order")
    assert taken(recall) == ["1"]


@pytest.mark.fault("D09")
def test_a_disk_that_stalls_delays_the_first_decision_by_a_few_seconds_only(journal, monkeypatch, met):
    stalled, real = threading.Event(), module.open_for_reading

    def stalls(path):
        stalled.wait(30.0)
        return real(path)

    monkeypatch.setattr(module, "open_for_reading", stalls)
    recall, begun_s = Recall(journal, SetClock(NOON)), time.monotonic()
    recall.start()
    met(reaction=time.monotonic() - begun_s)
    assert recall.take() is None
    assert "no answer of the disk" in recall.trouble
    stalled.set()
    assert taken(recall) == ["1"]


def test_it_stops_when_told_to(journal):
    recall = Recall(journal, SetClock(RELEASED - timedelta(days=1)))
    recall.start()
    recall.stop()
    recall._thread.join(5.0)
    assert not recall._thread.is_alive()


def test_a_damaged_journal_is_recalled_from_the_new_one(journal):
    journal.write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    recall = Recall(journal, SetClock(NOON))
    recall.start()
    assert recall.take() is None
    open_for_writing(journal)[0].close()  # set aside, and begun anew
    assert taken(recall) == []


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (set(), ["lemon", "all", "fan"]),
        ({("tree", "lemon")}, ["fan"]),
        ({("tree", "yuzu")}, ["lemon", "fan"]),
        ({("all", "all")}, ["fan"]),
        ({("vent", "fan")}, ["lemon", "all"]),
    ],
)
def test_what_has_been_ordered_since_stands(given, wanted):
    before = [order("1"), order("2", "all", "all"), order("3", "vent", "fan")]
    assert [each.target for each in still_wanted(before, given)] == wanted
