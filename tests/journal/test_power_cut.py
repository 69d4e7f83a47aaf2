"""The power fails while the journal writes: what people ordered and were told of stands, nothing is corrupt.

The campaign (`pytest -m long tests/journal`) cuts a thousand times; CI a few.
"""

import random
import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta

import pytest

from controller.guard.hand import Answer, HandOrder, Order
from controller.journal.parcel import Parcel
from controller.journal.store import open_for_writing
from controller.journal.writer import Journal
from tests.conftest import DUSK

pytest.importorskip("apsw")
from tests.journal.power_cut import Connection, Disk

# APSW reports that the files could not be closed in good order: the power is off
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
ROWS = 12


def order(name):
    until = DUSK + timedelta(hours=2)
    return HandOrder(
        id=name, who="Nora", target_kind="tree", target="lemon", order=Order.HAND_ON, until=until
    )


def message(name):
    return Parcel(
        id=name, way="nora", kind="alarm", severity=4, subject="too cold", text="-2 °C", made_at=DUSK
    )


class Run:
    """A journal that writes until the power fails; ``kept`` are the orders it said were kept."""

    def __init__(self, folder, number, chance, *, lies=False, fails_at=None):
        self.path = folder / "journal.db"
        self.disk = Disk(chance, fails_at or chance.randrange(3, 150), lies=lies)
        self.kept, self.alarms = [], []
        journal = Journal(self.path, lambda path: Connection(path, self.disk))
        journal.start()
        for n in range(ROWS):
            name = f"{number}-{n}"
            for k in range(chance.randrange(4)):
                at = DUSK + timedelta(seconds=1000 * number + 10 * n + k)
                journal.put_reading("air-lemon", at, 1.5)
            answer = Answer(id=name, accepted=True, because="so be it")
            journal.put_order(
                order(name), answer, DUSK, lambda kept, name=name: kept and self.kept.append(name)
            )
            if n % 3 == 0:
                journal.put_message(message(name))
                journal.put_alarm(name, "{}")
        journal.stop(30.0)
        assert not journal.thread.is_alive()


def look(folder):
    """Return what SQLite itself, in the version that Python brings, says of a journal after the cut."""
    with closing(sqlite3.connect(folder / "journal.db")) as connection:
        (verdict,) = connection.execute("PRAGMA integrity_check").fetchone()
        try:
            orders = {row[0] for row in connection.execute("SELECT id FROM hand_order")}
            messages = {row[0] for row in connection.execute("SELECT id FROM message")}
        except sqlite3.OperationalError:  # cut before the first table stood
            orders, messages = set(), set()
        return verdict, orders, messages


def cut(folder, times, seed):
    """Cut the power again and again, each time going on with what the last cut left; return the losses."""
    chance = random.Random(seed)
    now = folder / "now"
    now.mkdir()
    promised, lost, corrupt, told = set(), 0, 0, 0
    for number in range(times):
        run = Run(now, number, chance)
        after = folder / "after"
        after.mkdir()
        run.disk.leave_in(after)
        shutil.rmtree(now)
        after.rename(now)
        promised |= set(run.kept)
        told += len(run.kept)
        verdict, orders, messages = look(now)
        corrupt += verdict != "ok"
        lost += len(promised - orders)
        # a message goes into the journal before the alarm that says it was sent, and right after its order
        assert {name for name in orders if int(name.split("-")[1]) % 3 == 0} - messages <= last_of(orders)
        if number % 10 == 9:  # begin anew, so that the first tables are cut into as well
            shutil.rmtree(now)
            now.mkdir()
            promised = set()
    return told, lost, corrupt


def last_of(orders):
    """Return each run's last order: the cut may stand between it and its message."""
    by_run = {}
    for name in orders:
        run, n = name.split("-")
        by_run[run] = max(by_run.get(run, 0), int(n))
    return {f"{run}-{n}" for run, n in by_run.items()}


@pytest.mark.fault("D07")
@pytest.mark.parametrize("times", [20, pytest.param(1000, marks=pytest.mark.long)])
def test_no_order_or_alarm_that_was_kept_is_lost_by_a_power_cut_and_nothing_is_corrupt(tmp_path, times):
    told, lost, corrupt = cut(tmp_path, times, seed=7)
    assert told > times, "most runs keep something before the cut"
    assert (lost, corrupt) == (0, 0)


def test_the_cuts_would_find_orders_that_are_not_synced(tmp_path, monkeypatch):
    """Break the journal on purpose: with telemetry's looser sync, orders that were kept are lost."""
    loose = Connection.execute

    def execute(self, sql, values=()):
        return loose(self, sql.replace("synchronous = FULL", "synchronous = NORMAL"), values)

    monkeypatch.setattr(Connection, "execute", execute)
    _, lost, corrupt = cut(tmp_path, 20, seed=7)
    assert lost > 0
    assert corrupt == 0


@pytest.mark.fault("D10")
def test_a_card_that_lies_about_syncing_may_lose_rows_but_the_journal_begins_anew_by_itself(tmp_path, met):
    chance, set_aside = random.Random(11), 0
    for number in range(8):
        now, after = tmp_path / f"{number}", tmp_path / f"after-{number}"
        now.mkdir()
        after.mkdir()
        with closing(open_for_writing(now / "journal.db")[0]) as sound:
            sound.executemany("INSERT INTO reading VALUES ('a', ?, 1.0)", [(float(n),) for n in range(1000)])
        run = Run(now, number, chance, lies=True, fails_at=chance.randrange(30, 200))
        run.disk.leave_in(after)
        connection, note = open_for_writing(after / "journal.db")
        with closing(connection):
            assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            connection.execute("SELECT count(*) FROM hand_order")
        set_aside += bool(note)
    assert set_aside < 8
    met(
        reaction="none: rows may be lost, and the journal begins anew by itself",
        alarm="none: rows may be lost, and the journal begins anew by itself",
    )
