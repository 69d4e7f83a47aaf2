"""The journal keeps what it is given, survives what happens to files, and never stops its caller."""

import math
import sqlite3
import threading
import time
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest

from controller.errors import JournalError
from controller.guard.confirm import Confirmation
from controller.guard.decision import Decision, Reason
from controller.guard.hand import Answer, HandOrder, Order
from controller.journal.reader import confirmations, standing_orders
from controller.journal.store import connect, open_for_reading, open_for_writing
from controller.journal.writer import KEEP_S, QUEUE_ROWS, Journal
from controller.site.work import Work
from tests.conftest import DUSK


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "journal.db"


def order(order_id="o1", *, target="lemon", hours=2, position=Order.HAND_ON):
    return HandOrder(
        id=order_id,
        who="Nora",
        target_kind="tree",
        target=target,
        order=position,
        until=DUSK + timedelta(hours=hours),
    )


def answer(order_id="o1", *, accepted=True):
    return Answer(id=order_id, accepted=accepted, because="so be it")


def written(path, *puts):
    journal = Journal(path)
    journal.start()
    for put in puts:
        put(journal)
    journal.stop()
    return journal


def rows(path, table):
    connection = sqlite3.connect(path)
    try:
        return connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 (a test's own names)
    finally:
        connection.close()


def test_readings_and_decisions_are_kept(path):
    decision = Decision(
        kind="tree", name="lemon", at=DUSK, active=True, reason=Reason.COLD, temp_c=0.5, limit_c=1.0
    )
    journal = written(
        path,
        lambda j: j.put_reading("air-lemon", DUSK, 0.5),
        lambda j: j.put_reading("air-lemon", DUSK, math.nan),
        lambda j: j.put_decision(decision),
    )
    assert rows(path, "reading") == [("air-lemon", DUSK.timestamp(), 0.5)]
    ((_, at_s, kind, name, active, reason, because, temp_c, limit_c),) = rows(path, "decision")
    assert (at_s, kind, name, active, reason) == (DUSK.timestamp(), "tree", "lemon", 1, "cold")
    assert because == "0.50 °C is not above the hold temperature 1.00 °C"
    assert (temp_c, limit_c) == (0.5, 1.0)
    assert (journal.rows_written, journal.rows_dropped, journal.trouble) == (2, 0, "")


def test_standing_orders_are_the_latest_accepted_ones_that_have_not_ended(path):
    written(
        path,
        lambda j: j.put_order(order("a"), answer("a"), DUSK),
        lambda j: j.put_order(order("b", hours=3), answer("b"), DUSK + timedelta(minutes=1)),
        lambda j: j.put_order(order("c", target="yuzu", hours=1), answer("c"), DUSK),
        lambda j: j.put_order(order("d", target="yuzu"), answer("d", accepted=False), DUSK),
    )
    connection = open_for_reading(path)
    try:
        later = standing_orders(connection, DUSK + timedelta(minutes=90))
        assert [(each.id, each.target, each.until) for each in later] == [
            ("b", "lemon", DUSK + timedelta(hours=3))
        ]
        # a clock that stands before an order was given cannot bring it back
        assert standing_orders(connection, DUSK - timedelta(days=1)) == []
    finally:
        connection.close()


def test_old_telemetry_is_forgotten(path):
    written(
        path,
        lambda j: j.put_reading("outside", DUSK - timedelta(seconds=KEEP_S + 1), 1.0),
        lambda j: j.put_reading("outside", DUSK, 2.0),
        lambda j: j.prune(DUSK),
    )
    assert [temp_c for _, _, temp_c in rows(path, "reading")] == [2.0]


def test_opening_again_keeps_what_is_there(path):
    written(path, lambda j: j.put_reading("outside", DUSK, 1.0))
    written(path, lambda j: j.put_reading("outside", DUSK + timedelta(minutes=1), 2.0))
    assert len(rows(path, "reading")) == 2


@pytest.mark.fault("D03", "D04")
def test_a_damaged_journal_is_set_aside_and_a_new_one_begun(path, met):
    written(path, lambda j: j.put_reading("outside", DUSK, 1.0))
    whole = path.read_bytes()
    path.write_bytes(b"\x00" * 200 + whole[200:])
    damaged_s = time.monotonic()
    journal = written(path, lambda j: j.put_reading("outside", DUSK, 2.0))
    begun_anew_s = time.monotonic() - damaged_s
    assert "journal.db.damaged-1" in journal.note
    assert path.with_name("journal.db.damaged-1").exists()
    assert [temp_c for _, _, temp_c in rows(path, "reading")] == [2.0]
    path.write_bytes(b"\xff" * 4096)
    written(path)
    assert path.with_name("journal.db.damaged-2").exists()
    met(reaction=begun_anew_s, alarm=begun_anew_s)  # the note is there with the new journal


@pytest.mark.fault("D13")
def test_a_newer_journal_is_left_alone_and_control_goes_on_without_it(path, met):
    connection, _ = open_for_writing(path)
    connection.execute("PRAGMA user_version = 999")
    connection.close()
    opened_s = time.monotonic()
    journal = written(path, lambda j: j.put_reading("outside", DUSK, 1.0))
    told_s = time.monotonic() - opened_s
    assert "made by a newer Rimeward" in journal.trouble
    assert journal.rows_dropped == 1
    assert rows(path, "reading") == []
    met(reaction="none: control goes on without it", alarm=told_s)


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("no folder")
    with pytest.raises((JournalError, OSError)):
        open_for_writing(tmp_path / "file" / "journal.db")


@pytest.mark.fault("D08")
def test_a_lock_held_by_another_costs_rows_and_nothing_else(path, monkeypatch, met):
    monkeypatch.setattr("controller.journal.store.BUSY_S", 0.05)
    written(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    locked_s = time.monotonic()
    try:
        journal = written(path, lambda j: j.put_order(order(), answer(), DUSK))
    finally:
        other.execute("ROLLBACK")
        other.close()
    told_s = time.monotonic() - locked_s
    assert "could not be kept" in journal.trouble or "cannot be used" in journal.trouble
    assert journal.rows_dropped == 1
    met(reaction="none: nothing waits for rows", alarm=told_s)


def test_a_stalled_disk_drops_rows_and_never_waits(path):
    journal = Journal(path)  # not started: nothing is taken from the queue
    for n in range(QUEUE_ROWS + 5):
        journal.put_reading("outside", DUSK + timedelta(seconds=n), 1.0)
    assert journal.rows_dropped == 5


def test_reading_where_there_is_no_journal_is_said(tmp_path):
    with pytest.raises(JournalError, match="no journal can be read here"):
        open_for_reading(tmp_path / "none.db")


def test_words_are_read_back_in_order_for_a_month(path):
    def word(name, what=Work.COVERED, **given):
        return Confirmation(
            id=name, who="Nora", what=what, target_kind="tree", target="lemon", at=DUSK, version=2, **given
        )

    given = (word("a"), word("b", Work.TAKEN_BACK, of="a"))
    written(
        path,
        lambda j: j.put_confirmation(word("old"), answer("old"), DUSK - timedelta(days=31)),
        lambda j: j.put_confirmation(given[0], answer("a"), DUSK),
        lambda j: j.put_confirmation(word("no"), answer("no", accepted=False), DUSK),
        lambda j: j.put_confirmation(given[1], answer("b"), DUSK + timedelta(minutes=1)),
    )
    with closing(open_for_reading(path)) as connection:
        assert confirmations(connection, DUSK + timedelta(hours=1)) == list(given)
        assert confirmations(connection, DUSK) == [given[0]]


# ---- orders after a restart --------------------------------------------------------------------------------


def ordered(*orders):
    """Return puts that keep orders as received a minute after each other."""

    def put(number, each):
        received = DUSK + timedelta(minutes=number)
        return lambda journal: journal.put_order(each, answer(each.id), received)

    return [put(number, each) for number, each in enumerate(orders)]


def recalled(path, minutes):
    with closing(open_for_reading(path)) as connection:
        orders = standing_orders(connection, DUSK + timedelta(minutes=minutes))
    return [(each.target, str(each.order), (each.until - DUSK).total_seconds() / 60.0) for each in orders]


@pytest.mark.fault("P-08")
def test_an_order_that_was_replaced_by_a_shorter_one_does_not_come_to_life_again(path, met):
    written(path, *ordered(order("1", position=Order.HAND_OFF, hours=3), order("2", hours=1)))
    assert recalled(path, 30) == [("lemon", "hand-on", 60.0)]
    assert recalled(path, 90) == []
    met(
        reaction="none: what has ended or was replaced is not recalled",
        alarm="none: what has ended or was replaced is not recalled",
    )


@pytest.mark.fault("P-08")
def test_no_restart_prolongs_an_order_beyond_what_it_was_given(path, met):
    written(path, *ordered(order("1", position=Order.HAND_OFF, hours=10)))
    assert recalled(path, 180) == [("lemon", "hand-off", 240.0)]  # four hours at most, from when it came
    assert recalled(path, 241) == []
    met(
        reaction="none: what has ended or was replaced is not recalled",
        alarm="none: what has ended or was replaced is not recalled",
    )


def test_what_was_taken_back_stays_so_and_what_was_let_go_too(path):
    gone = replace(order("1", position=Order.HAND_OFF), consent="let the lemon go")
    everything = replace(order("2", hours=3), target_kind="all", target="all")
    back = replace(order("3", position=Order.TAKEN_BACK), of="2", target_kind="all", target="all")
    written(path, *ordered(gone, everything))
    assert recalled(path, 10) == [("all", "hand-on", 180.0)]
    written(path, lambda journal: journal.put_order(back, answer("3"), DUSK + timedelta(minutes=5)))
    assert recalled(path, 10) == [("lemon", "hand-off", 120.0)]
    with closing(open_for_reading(path)) as connection:
        (order_again,) = standing_orders(connection, DUSK + timedelta(minutes=10))
    assert order_again.lets_go


@pytest.mark.fault("D16")
def test_an_old_backup_brings_back_no_order(path, met):
    written(path, *ordered(order("1", position=Order.HAND_OFF, hours=4)))
    assert recalled(path, 3 * 24 * 60) == []
    met(
        reaction="none: the order has ended and is not recalled",
        alarm="none: the order has ended and is not recalled",
    )


def test_whoever_waits_is_told_whether_a_row_is_kept(path, monkeypatch):
    told = []
    journal = Journal(path)
    journal.start()
    journal.put_order(order(), answer(), DUSK, told.append)
    journal.stop()
    assert told == [True]
    path.parent.chmod(0o700)
    unwritable = Journal(path.parent)  # a folder is no file
    unwritable.start()
    unwritable.put_order(order(), answer(), DUSK, told.append)
    unwritable.stop()
    assert told == [True, False]
    monkeypatch.setattr("controller.journal.writer.QUEUE_ROWS", 1)
    full = Journal(path)
    full.put_order(order(), answer(), DUSK, told.append)
    full.put_order(order(), answer(), DUSK, told.append)
    assert told == [True, False, False]


@pytest.mark.parametrize(
    "odd", [{"who": None}, {"version": 2**63}, {"who": "\ud800"}, {"who": object()}, {"consent": "x" * 2000}]
)
def test_a_row_that_the_database_refuses_is_told_too_and_costs_no_other(path, odd):
    told = []

    def connect_for_short_texts(file):
        connection = connect(file)
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 1900)
        return connection

    journal = Journal(path, connect_for_short_texts)
    journal.put_reading("outside", DUSK, 1.0)
    journal.put_order(replace(order(), **odd), answer(), DUSK, told.append)
    journal.put_order(order("o2"), answer("o2"), DUSK, told.append)
    journal.start()
    journal.stop()
    assert told == [False, True]
    assert (journal.rows_written, journal.rows_dropped, journal._unsaved) == (2, 1, [])
    assert len(rows(path, "reading")) == len(rows(path, "hand_order")) == 1


# ---- a disk that fails and is mended -----------------------------------------------------------------------


@pytest.mark.fault("D01", "D02", "P-24")
@pytest.mark.parametrize(
    ("fails", "mended"),
    [("max_page_count = 1", "max_page_count = 100000"), ("query_only = 1", "query_only = 0")],
)
def test_what_must_survive_waits_until_a_full_or_read_only_disk_is_mended(path, fails, mended, met):
    told, opened = [], []

    def connect_and_fail(file):
        opened.append(connect(file))
        return opened[-1]

    journal = Journal(path, connect_and_fail)
    journal.start()
    journal.put_order(order("1"), answer("1"), DUSK, told.append)
    wait_for(lambda: told)
    opened[0].execute(f"PRAGMA {fails}")
    failed_s = time.monotonic()
    for n in range(2, 40):
        journal.put_order(order(f"{n}" + "x" * 900), answer(), DUSK, told.append)
    wait_for(lambda: False in told and journal.trouble)
    told_s = time.monotonic() - failed_s  # in the answer to the person, and as a trouble
    wait_for(lambda: len(told) == 39)
    assert False in told
    assert journal.trouble
    opened[0].execute(f"PRAGMA {mended}")
    journal.put_order(order("last"), answer("last"), DUSK, told.append)
    wait_for(lambda: len(told) == 40)
    journal.stop()
    assert (told[-1], journal.trouble) == (True, "")
    assert len(rows(path, "hand_order")) == 40
    met(reaction="none: orders stand, and wait in memory for the disk", alarm=told_s)


class FullFor:
    """A connection to a disk that has no room for one order, until it is mended."""

    def __init__(self, real, order_id):
        self.real, self.order_id = real, order_id

    def execute(self, sql, values=()):
        if self.order_id in values:
            raise sqlite3.OperationalError("database or disk is full")
        return self.real.execute(sql, values)

    def __getattr__(self, name):
        return getattr(self.real, name)


def test_beside_a_wrong_row_too_an_order_waits_for_a_full_disk_and_none_overtakes_it(path):
    told, journal = [], Journal(path)
    journal.put_reading("outside", DUSK, 1.0)
    for name, version in (("odd", 2**63), ("o1", 0), ("o2", 0)):
        journal.put_order(
            replace(order(name), version=version),
            answer(name),
            DUSK,
            lambda kept, n=name: told.append((n, kept)),
        )
    journal.put_reading("house", DUSK, 2.0)
    batch = [journal._rows.get() for _ in range(5)]
    connection, _ = open_for_writing(path)
    with closing(connection):
        full = FullFor(connection, "o1")
        assert journal._write(full, batch)
        assert told == [("odd", False), ("o1", False), ("o2", False)]
        assert [row.values[0] for row in journal._unsaved] == ["o1", "o2"]
        assert journal.trouble == "1 rows could not be kept: database or disk is full"
        assert (journal.rows_written, journal.rows_dropped) == (1, 2)  # a reading; the odd one and a reading
        full.order_id = "no such order"
        assert journal._write(full, journal._unsaved)
    assert [row[1] for row in rows(path, "hand_order")] == ["o1", "o2"]
    assert (len(told), journal._unsaved, journal.trouble) == (3, [], "")


def test_a_row_lost_beside_others_is_a_trouble_until_the_next_are_kept(path):
    journal = Journal(path)
    journal.put_reading(object(), DUSK, 1.0)
    journal.put_reading("house", DUSK, 2.0)
    batch = [journal._rows.get() for _ in range(2)]
    connection, _ = open_for_writing(path)
    with closing(connection):
        assert journal._write(connection, batch)
        assert "1 rows could not be kept" in journal.trouble
        assert journal._write(connection, batch[1:])
    assert journal.trouble == ""


@pytest.mark.fault("D03")
def test_a_journal_found_damaged_while_it_is_used_is_opened_and_judged_anew(path):
    class Damaged:
        in_transaction = False

        def __init__(self, real):
            self.real = real

        def execute(self, sql, values=()):
            if sql == "COMMIT":
                self.real.execute("ROLLBACK")
                raise sqlite3.DatabaseError("database disk image is malformed")
            return self.real.execute(sql, values)

        def __getattr__(self, name):
            return getattr(self.real, name)

    told, opened = [], []

    def connect_once_damaged(file):
        opened.append(connect(file))
        return Damaged(opened[-1]) if len(opened) == 1 else opened[-1]

    journal = Journal(path, connect_once_damaged)
    journal.put_order(order("1"), answer("1"), DUSK, told.append)
    journal.start()
    wait_for(lambda: told)
    wait_for(lambda: journal._unsaved)
    journal._reopen_due_s = 0.0
    journal.put_order(order("2"), answer("2"), DUSK, told.append)
    wait_for(lambda: len(told) == 2)
    journal.stop()
    assert told == [False, True]
    assert len(rows(path, "hand_order")) == 2


def wait_for(condition):
    waiting = threading.Event()
    for _ in range(2000):
        if condition():
            return
        waiting.wait(0.005)
    pytest.fail("it did not come")


@pytest.mark.fault("D05")
@pytest.mark.parametrize("empty", [False, True])
def test_a_journal_that_is_missing_or_empty_is_begun_anew(path, empty, met):
    path.parent.mkdir(parents=True)
    if empty:
        path.touch()
    journal = written(path, lambda journal: journal.put_order(order(), answer(), DUSK))
    assert journal.trouble == ""
    assert len(rows(path, "hand_order")) == 1
    met(
        reaction="none: a new one is begun, and orders are kept in it",
        alarm="none: a new one is begun, and orders are kept in it",
    )


@pytest.mark.fault("D14")
def test_a_long_reader_lets_the_log_grow_only_until_it_ends(path, met):
    connection, _ = open_for_writing(path)
    log = path.with_name(path.name + "-wal")
    reader = sqlite3.connect(path, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM reading").fetchone()
    for number in range(3000):
        connection.execute(
            "INSERT INTO reading VALUES (?, ?, ?)", (f"probe-{number % 50}", float(number), 1.0)
        )
    grown = log.stat().st_size
    reader.execute("COMMIT")
    reader.close()
    for number in range(3000, 3100):
        connection.execute("INSERT INTO reading VALUES (?, ?, ?)", ("probe", float(number), 1.0))
    assert grown > 8_000_000  # else nothing was shown
    assert log.stat().st_size <= 8_000_000  # journal_size_limit
    connection.close()
    met(
        reaction="none: the log shrinks by itself when the reader ends",
        alarm="none: the log shrinks by itself when the reader ends",
    )
