"""What was ordered before a restart is taken up, late if need be, and gives way to what was ordered since."""

import sqlite3
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from controller import recall as module
from controller.clock import RELEASED, SystemClock
from controller.guard.decision import Decision, Reason
from controller.guard.finding import FindingCode
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
def site(curlew_yard):
    return curlew_yard


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


def taken_whole(recall, within_s=10.0):
    """Return what is found, waiting as the control loop does: by looking now and then."""
    ends_s, waiting = time.monotonic() + within_s, threading.Event()
    while (found := recall.take()) is None:
        assert time.monotonic() < ends_s
        waiting.wait(0.005)
    return found


def taken(recall):
    return [each.id for each in taken_whole(recall).orders]


def test_what_stands_is_there_when_the_first_decision_is_made_and_only_once(site, journal):
    recall = Recall(site, journal, SetClock(NOON))
    recall.start()
    assert [each.id for each in recall.take().orders] == ["1"]
    assert recall.take() is None
    assert recall.trouble == ""


@pytest.mark.parametrize("is_begun", [False, True])
def test_a_first_start_has_nothing_to_recall(site, tmp_path, is_begun):
    """Not even where the journal's file is there by then, and its tables are still being made."""
    recall = Recall(site, tmp_path / "journal.db", SetClock(NOON))
    if is_begun:
        (tmp_path / "journal.db").touch()
    recall.start()
    assert recall.take().orders == ()
    assert recall.trouble == ""


def test_before_the_clock_is_set_nothing_is_recalled_and_then_it_is(site, journal):
    """A small computer without a battery clock starts years ago, and is set when the network is there."""
    clock = SetClock(RELEASED - timedelta(days=3000))
    recall = Recall(site, journal, clock)
    recall.start()
    assert recall.take() is None
    assert "the clock is not sound" in recall.trouble
    clock.shown = NOON
    assert taken(recall) == ["1"]
    assert recall.trouble == ""


def test_a_journal_of_an_older_release_is_recalled_once_it_has_been_brought_up_to_date(site, journal):
    with closing(sqlite3.connect(journal)) as connection:
        connection.execute("ALTER TABLE hand_order RENAME TO hand_order_of_before")
    recall = Recall(site, journal, SetClock(NOON))
    recall.start()
    assert recall.take() is None
    assert "hand_order" in recall.trouble
    with closing(sqlite3.connect(journal)) as connection:
        connection.execute("ALTER TABLE hand_order_of_before RENAME TO hand_order")
    assert taken(recall) == ["1"]


@pytest.mark.fault("D09")
def test_a_disk_that_stalls_delays_the_first_decision_by_a_few_seconds_only(site, journal, monkeypatch, met):
    stalled, real = threading.Event(), module.open_for_reading

    def stalls(path):
        stalled.wait(30.0)
        return real(path)

    monkeypatch.setattr(module, "open_for_reading", stalls)
    recall, begun_s = Recall(site, journal, SetClock(NOON)), time.monotonic()
    recall.start()
    met(reaction=time.monotonic() - begun_s)
    assert recall.take() is None
    assert "no answer of the disk" in recall.trouble
    stalled.set()
    assert taken(recall) == ["1"]


def test_it_stops_when_told_to(site, journal):
    recall = Recall(site, journal, SetClock(RELEASED - timedelta(days=1)))
    recall.start()
    recall.stop()
    recall._thread.join(5.0)
    assert not recall._thread.is_alive()


def test_a_damaged_journal_is_recalled_from_the_new_one(site, journal):
    journal.write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    recall = Recall(site, journal, SetClock(NOON))
    recall.start()
    assert recall.take() is None
    open_for_writing(journal)[0].close()  # set aside, and begun anew
    assert taken(recall) == []


def controlled(path, until, *, heated=True):
    """Keep what a night's control leaves in the journal until it ended; the yuzu was heated earlier."""
    kept = Journal(path)
    kept.start()
    for minutes, name, active in (
        (40.0, "yuzu", True),
        (40.0, "lemon", False),
        (20.0, "yuzu", False),
        (20.0, "lemon", heated),
    ):
        kept.put_decision(
            Decision(
                kind="tree",
                name=name,
                at=until - timedelta(minutes=minutes),
                active=active,
                reason=Reason.COLD,
                temp_c=0.4,
                limit_c=0.5,
            )
        )
    kept.put_reading("air-lemon", until, 0.4)
    kept.stop()
    return path


def test_how_long_nothing_was_controlled_is_told_by_the_clock_of_the_place(site, tmp_path):
    night = datetime(2027, 1, 16, 4, 5, 30, tzinfo=UTC)
    path = controlled(tmp_path / "journal.db", night - timedelta(hours=2))
    recall = Recall(site, path, SetClock(night))
    recall.start()
    told = recall.take().away.finding(site.place)
    assert (told.code, told.severity) == (FindingCode.CONTROL_WAS_AWAY, 3)
    assert told.because == "nothing was controlled from 02:05 to 04:05; heat was on then for lemon"


def test_where_no_tree_was_heated_it_is_worth_less_and_after_days_it_has_a_date(site, tmp_path):
    noon = datetime(2027, 7, 16, 11, 0, 30, tzinfo=UTC)
    path = controlled(tmp_path / "journal.db", noon - timedelta(days=3), heated=False)
    recall = Recall(site, path, SetClock(noon))
    recall.start()
    told = recall.take().away.finding(site.place)
    assert told.severity == 2
    # the Irish coast has summer time
    assert told.because == "nothing was controlled from 2027-07-13 12:00 to 2027-07-16 12:00"


def test_a_new_release_s_minute_is_not_told(site, tmp_path):
    path = controlled(tmp_path / "journal.db", NOON - timedelta(minutes=3))
    recall = Recall(site, path, SetClock(NOON))
    recall.start()
    assert recall.take().away is None


def test_what_is_kept_while_the_clock_was_not_set_does_not_shorten_it(site, tmp_path, monkeypatch):
    path = controlled(tmp_path / "journal.db", NOON - timedelta(hours=3))
    clock = SetClock(RELEASED - timedelta(days=3000))
    recall = Recall(site, path, clock)
    recall.start()
    assert recall.take() is None
    began_s = clock.mono_s()
    monkeypatch.setattr(clock, "mono_s", lambda: began_s + 1800.0)  # control has gone on for half an hour
    kept = Journal(path)
    kept.start()
    kept.put_reading("air-lemon", NOON - timedelta(minutes=5), 0.3)
    kept.stop()
    clock.shown = NOON
    away = taken_whole(recall).away
    assert away.since == NOON - timedelta(hours=3)
    assert away.until == pytest.approx(NOON - timedelta(minutes=30), abs=timedelta(seconds=5))


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
