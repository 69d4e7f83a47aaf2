"""The power fails while the journal writes: what people ordered and were told of stands, nothing is corrupt.

The campaign (`pytest -m long tests/journal`) cuts a thousand times; CI a few.
"""

import random
import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from datetime import timedelta

import pytest

from controller.guard.hand import Answer, HandOrder, Order
from controller.journal import writer
from controller.journal.parcel import Parcel
from controller.journal.store import open_for_writing
from controller.journal.writer import Journal
from tests.conftest import DUSK

pytest.importorskip("apsw")
from tests.journal.power_cut import Connection, Disk

# APSW reports that the files could not be closed in good order: the power is off
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
LONG = (pytest.mark.long, pytest.mark.timeout(3600))
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
    """A journal that writes until the power fails; ``kept`` are the orders it said were kept.

    ``committed`` are the alarms and messages whose commit came back before the cut.
    """

    def __init__(self, folder, number, chance, *, lies=False, fails_at=None, once=False):
        self.path, self.number = folder / "journal.db", number
        self.disk = Disk(chance, fails_at or chance.randrange(3, 150), lies=lies, once=once)
        self.kept, self.committed = [], {}
        journal = Journal(self.path, lambda path: Connection(path, self.disk, self.committed))
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
                journal.put_alarm(name, f'{{"told": {n}}}')
            if n % 6 == 5:  # the alarm of two before is over
                journal.put_alarm(f"{number}-{n - 2}", None)
        journal.stop(30.0)
        assert not journal.thread.is_alive()
        self.journal = journal


def look(folder):
    """Return what SQLite itself, in the version that Python brings, says of a journal after the cut.

    That is the verdict on the file, the orders, and of messages and alarms what each row says.
    """
    with closing(sqlite3.connect(folder / "journal.db")) as connection:
        (verdict,) = connection.execute("PRAGMA integrity_check").fetchone()
        try:
            orders = {row[0] for row in connection.execute("SELECT id FROM hand_order")}
            rows = {
                "message": {row[0] for row in connection.execute("SELECT id FROM message")},
                "alarm": dict(connection.execute("SELECT key, body FROM alarm")),
            }
        except sqlite3.OperationalError:  # cut before the first table stood
            orders, rows = set(), {"message": set(), "alarm": {}}
        return verdict, orders, rows


def cut(folder, times, seed):
    """Cut the power again and again, each time going on with what the last cut left; return the losses."""
    chance = random.Random(seed)
    now = folder / "now"
    now.mkdir()
    promised, alarms, messages = set(), {}, set()
    lost, corrupt, told = Counter(), 0, Counter()
    for number in range(times):
        run = Run(now, number, chance)
        after = folder / "after"
        after.mkdir()
        run.disk.leave_in(after)
        shutil.rmtree(now)
        after.rename(now)
        promised |= set(run.kept)
        alarms |= run.committed.get("alarm", {})
        messages |= set(run.committed.get("message", {}))
        told.update(
            orders=len(run.kept),
            alarms=len(run.committed.get("alarm", {})),
            messages=len(run.committed.get("message", {})),
        )
        verdict, orders, rows = look(now)
        corrupt += verdict != "ok"
        for key in [key for key in alarms if may_be_over(key, run) and key not in rows["alarm"]]:
            alarms[key] = None
        lost["orders"] += len(promised - orders)
        lost["messages"] += len(messages - rows["message"])
        lost["alarms"] += sum(rows["alarm"].get(key) != (said and said[0]) for key, said in alarms.items())
        if number % 10 == 9:  # begin anew, so that the first tables are cut into as well
            shutil.rmtree(now)
            now.mkdir()
            promised, alarms, messages = set(), {}, set()
    return told, lost, corrupt


def may_be_over(key, run):
    """Tell whether an alarm's end may stand on the disk although the cut came before its commit was done."""
    number, n = map(int, key.split("-"))
    return number == run.number and n % 6 == 3


@pytest.mark.fault("D07")
@pytest.mark.parametrize("times", [20, pytest.param(1000, marks=LONG)])
def test_no_order_or_alarm_that_was_kept_is_lost_by_a_power_cut_and_nothing_is_corrupt(tmp_path, times):
    told, lost, corrupt = cut(tmp_path, times, seed=7)
    assert min(told.values()) > times / 2, "most runs keep something of each before the cut"
    print(f"{times} cuts: {dict(told)} said to be kept, {dict(lost)} lost, {corrupt} corrupt")
    assert (lost.total(), corrupt) == (0, 0)


def test_the_cuts_would_find_what_is_not_synced(tmp_path, monkeypatch):
    """Break the journal on purpose: with telemetry's looser sync, what was kept is lost."""
    loose = Connection.execute

    def execute(self, sql, values=()):
        return loose(self, sql.replace("synchronous = FULL", "synchronous = NORMAL"), values)

    monkeypatch.setattr(Connection, "execute", execute)
    _, lost, corrupt = cut(tmp_path, 20, seed=7)
    assert min(lost[what] for what in ("orders", "alarms", "messages")) > 0
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


@pytest.mark.parametrize("every", [11, pytest.param(1, marks=LONG)])
def test_an_error_at_any_one_operation_costs_no_row_and_the_journal_goes_on(tmp_path, monkeypatch, every):
    monkeypatch.setattr(writer, "REOPEN_S", 0.0)
    chance, tried = random.Random(3), 0
    (tmp_path / "whole").mkdir()
    whole = Run(tmp_path / "whole", 0, random.Random(3), fails_at=10**9)
    for number in range(1, whole.disk.operations, every):
        folder = tmp_path / f"{number}"
        folder.mkdir()
        run = Run(folder, number, chance, fails_at=number, once=True)
        verdict, orders, rows = look(folder)
        assert verdict == "ok"
        assert orders == {f"{number}-{n}" for n in range(ROWS)}, f"operation {number} failed"
        assert set(run.committed["message"]) <= rows["message"]
        assert run.journal.trouble == "", "it has mended itself"
        tried += 1
    print(f"{tried} of {whole.disk.operations} operations failed, one at a time: no order lost, none corrupt")
