"""Writing the journal: callers only put rows into a bounded queue; one thread writes them in batches.

Rows of the must-survive kind (what people ordered and said) are committed with a full sync; telemetry is not,
and is what is dropped when the disk stalls.
"""

import json
import math
import queue
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import JournalError
from controller.guard.confirm import Confirmation
from controller.guard.decision import Decision
from controller.guard.hand import Answer, HandOrder
from controller.journal.parcel import Parcel
from controller.journal.store import Connect, connect, open_for_writing
from controller.weather.forecast import Forecast

QUEUE_ROWS = 20_000
BATCH_S = 2.0
# A journal that cannot be opened is tried again after so long; so many rows that must survive wait for it.
REOPEN_S = 60.0
MOST_UNSAVED = 500
# What SQLite, or the way to it, raises at a row that it can never keep.
WRONG_ROW = (
    sqlite3.IntegrityError,
    sqlite3.DataError,
    sqlite3.ProgrammingError,
    OverflowError,
    TypeError,
    ValueError,
)
# Two winters and the summers between.
KEEP_S = 800 * 86400.0


# Called with whether a row is kept.
Then = Callable[[bool], None]


@dataclass(frozen=True, slots=True)
class _Row:
    sql: str
    values: tuple[Any, ...]
    must_survive: bool = False
    then: Then | None = None


class Journal:
    """The journal, as the daemon writes it.

    Parameters
    ----------
    path
        The file; made if it is not there.
    connect
        Opens it; a test's own can drop what a disk would lose.
    """

    def __init__(self, path: Path, connect: Connect = connect) -> None:
        self.path, self._connect = path, connect
        self._unsaved: list[_Row] = []
        self._reopen_due_s = -math.inf
        self.trouble = ""
        self.note = ""
        self.rows_written = 0
        self.rows_dropped = 0
        self._rows: queue.Queue[_Row | None] = queue.Queue(maxsize=QUEUE_ROWS)
        self._thread = threading.Thread(target=self._write_all, name="journal", daemon=True)

    @property
    def thread(self) -> threading.Thread:
        """The writer's thread, for whoever watches over threads."""
        return self._thread

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Write what is queued and end."""
        with suppress(queue.Full):  # a disk that stands still holds nobody up
            self._rows.put(None, timeout=timeout_s)
        self._thread.join(timeout_s)

    # ---- rows; none of these waits or raises ----------------------------------------------------------

    def put_reading(self, probe: str, at: datetime, temp_c: float) -> None:
        """Keep a probe's reading; one that is no number is not kept."""
        if math.isfinite(temp_c):
            self._put("INSERT OR REPLACE INTO reading VALUES (?, ?, ?)", probe, at.timestamp(), temp_c)

    def put_decision(self, decision: Decision) -> None:
        """Keep a decision record."""
        self._put(
            "INSERT INTO decision (at_s, kind, name, active, reason, because, temp_c, limit_c) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            decision.at.timestamp(),
            decision.kind,
            decision.name,
            int(decision.active),
            str(decision.reason),
            decision.because,
            _or_null(decision.temp_c),
            _or_null(decision.limit_c),
        )

    def put_forecast(self, forecast: Forecast) -> None:
        """Keep a forecast as it was issued, so that it can be scored later."""
        arrays = {
            name: _without_nan(getattr(forecast, name).tolist())
            for name in forecast.__dataclass_fields__
            if isinstance(getattr(forecast, name), np.ndarray)
        }
        self._put(
            "INSERT INTO forecast (fetched_s, issued_s, source, body) VALUES (?, ?, ?, ?)",
            forecast.fetched_at.timestamp(),
            None if forecast.issued_at is None else forecast.issued_at.timestamp(),
            forecast.source,
            json.dumps(arrays, separators=(",", ":")),
        )

    def put_order(
        self, order: HandOrder, answer: Answer, received_at: datetime, then: Then | None = None
    ) -> None:
        """Keep a person's order and the answer; these rows survive a power cut.

        ``then`` is called, by the journal's thread, with whether it is kept.
        """
        self._put(
            "INSERT INTO hand_order (id, received_s, who, target_kind, target, position, until_s, version, "
            "accepted, because, consent, taken_back) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            order.id,
            received_at.timestamp(),
            order.who,
            order.target_kind,
            order.target,
            str(order.order),
            order.until.timestamp(),
            order.version,
            int(answer.accepted),
            answer.because,
            order.consent,
            order.of,
            must_survive=True,
            then=then,
        )

    def put_confirmation(
        self, word: Confirmation, answer: Answer, received_at: datetime, then: Then | None = None
    ) -> None:
        """Keep what a person said was done and the answer, as ``put_order`` does."""
        self._put(
            "INSERT OR REPLACE INTO confirmation VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            word.id,
            received_at.timestamp(),
            word.who,
            str(word.what),
            word.target_kind,
            word.target,
            word.at.timestamp(),
            word.version,
            word.of,
            int(answer.accepted),
            answer.because,
            must_survive=True,
            then=then,
        )

    def put_alarm(self, key: str, body: str | None) -> None:
        """Keep an alarm as it stands, or that it stands no more."""
        if body is None:
            self._put("DELETE FROM alarm WHERE key = ?", key, must_survive=True)
        else:
            self._put("INSERT OR REPLACE INTO alarm VALUES (?, ?)", key, body, must_survive=True)

    def put_alarm_event(
        self, at: datetime, key: str, event: str, severity: int, who: str, because: str
    ) -> None:
        """Keep that an alarm was raised, acknowledged (by whom) or ended."""
        self._put(
            "INSERT INTO alarm_event (at_s, key, event, severity, who, because) VALUES (?, ?, ?, ?, ?, ?)",
            at.timestamp(),
            key,
            event,
            severity,
            who,
            because,
            must_survive=True,
        )

    def put_message(self, message: Parcel) -> None:
        """Keep a message to people until it is delivered or given up."""
        self._put(
            "INSERT OR REPLACE INTO message (id, way, kind, severity, subject, text, made_s) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            message.id,
            message.way,
            message.kind,
            message.severity,
            message.subject,
            message.text,
            message.made_at.timestamp(),
            must_survive=True,
        )

    def put_attempt(self, message: str, trouble: str) -> None:
        """Keep that a message was not taken."""
        self._put("UPDATE message SET attempts = attempts + 1, trouble = ? WHERE id = ?", trouble, message)

    def put_delivered(self, message: str, at: datetime) -> None:
        """Keep that a message's way has taken it."""
        self._put("UPDATE message SET delivered_s = ? WHERE id = ?", at.timestamp(), message)

    def put_given_up(self, message: str, at: datetime, why: str) -> None:
        """Keep that a message is not sent any more."""
        self._put("UPDATE message SET given_up_s = ?, trouble = ? WHERE id = ?", at.timestamp(), why, message)

    def put_proof(self, tree: str, at: datetime) -> None:
        """Keep when heat was last proven for a tree."""
        self._put("INSERT OR REPLACE INTO proof VALUES (?, ?)", tree, at.timestamp())

    def prune(self, now: datetime) -> None:
        """Forget telemetry older than two winters."""
        oldest_s = now.timestamp() - KEEP_S
        self._put("DELETE FROM reading WHERE at_s < ?", oldest_s)
        self._put("DELETE FROM decision WHERE at_s < ?", oldest_s)
        self._put("DELETE FROM forecast WHERE fetched_s < ?", oldest_s)
        self._put("DELETE FROM alarm_event WHERE at_s < ?", oldest_s)
        self._put("DELETE FROM message WHERE made_s < ?", oldest_s)

    def _put(self, sql: str, *values: Any, must_survive: bool = False, then: Then | None = None) -> None:
        row = _Row(sql, values, must_survive, then)
        try:
            self._rows.put_nowait(row)
        except queue.Full:
            self._drop([row])

    def _drop(self, rows: list[_Row]) -> None:
        self.rows_dropped += len(rows)
        _tell(rows, kept=False)

    # ---- the writer's thread --------------------------------------------------------------------------

    def _write_all(self) -> None:
        connection, going_on = self._open_if_due(None), True
        while going_on:
            batch, going_on = self._next_batch()
            connection = self._open_if_due(connection)
            batch = [*self._unsaved, *batch]
            if not batch:
                continue
            if connection is None:
                self._not_kept(batch)
            elif not self._write(connection, batch):
                _close(connection)
                connection = None
        self.rows_dropped += len(self._unsaved)
        if connection is not None:
            _close(connection)

    def _open_if_due(self, connection: sqlite3.Connection | None) -> sqlite3.Connection | None:
        """Return the connection, a new one where there is none and it is time to try again."""
        if connection is not None or time.monotonic() < self._reopen_due_s:
            return connection
        self._reopen_due_s = time.monotonic() + REOPEN_S
        return self._open()

    def _open(self) -> sqlite3.Connection | None:
        try:
            connection, note = open_for_writing(self.path, self._connect)
        except JournalError as error:
            self.trouble = str(error)
            return None
        self.note = note or self.note
        return connection

    def _next_batch(self) -> tuple[list[_Row], bool]:
        """Return what came within ``BATCH_S``, or up to a row that must survive; and whether to go on."""
        batch: list[_Row] = []
        ends_s = float("inf")
        while True:
            try:
                wait_s = None if not batch else max(0.0, ends_s - time.monotonic())
                row = self._rows.get(timeout=wait_s)
            except queue.Empty:
                return batch, True
            if row is None:
                return batch, False
            batch.append(row)
            if row.must_survive:
                return batch, True
            ends_s = min(ends_s, time.monotonic() + BATCH_S)

    def _write(self, connection: sqlite3.Connection, batch: list[_Row]) -> bool:
        """Write a batch; return whether the connection is worth keeping."""
        durable = any(row.must_survive for row in batch)
        try:
            connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            connection.execute("BEGIN IMMEDIATE")
            for row in batch:
                connection.execute(row.sql, row.values)
            connection.execute("COMMIT")
        except WRONG_ROW as error:  # one row is wrong, the disk is not: keep the others
            _roll_back(connection)
            if len(batch) > 1:
                return self._write_singly(connection, batch)
            self._unsaved = []
            self._lost(batch, str(error))
        except sqlite3.Error as error:
            _roll_back(connection)
            self._not_kept(batch)
            self.trouble = f"{len(batch)} rows could not be kept: {error}"
            # a full or locked disk may be well again in a moment; anything else is opened, and judged, anew
            return isinstance(error, sqlite3.OperationalError) and "I/O" not in str(error)
        else:
            self.rows_written += len(batch)
            self._unsaved = []
            self.trouble = ""
            _tell(batch, kept=True)
        return True

    def _write_singly(self, connection: sqlite3.Connection, batch: list[_Row]) -> bool:
        """Write a batch row by row; return whether the connection is worth keeping.

        No row overtakes one that is held back: orders are recalled in the order in which they were kept.
        """
        trouble, worth_keeping = "", True
        for count, row in enumerate(batch, start=1):
            worth_keeping = self._write(connection, [row])
            trouble = self.trouble or trouble
            if self._unsaved or not worth_keeping:
                self._not_kept([*self._unsaved, *batch[count:]])
                break
        self.trouble = trouble
        return worth_keeping

    def _lost(self, rows: list[_Row], why: str) -> None:
        self.trouble = f"{len(rows)} rows could not be kept: {why}"
        self._drop(rows)

    def _not_kept(self, batch: list[_Row]) -> None:
        """Tell who waits; hold back what must survive until the disk is well again, and drop the rest."""
        held = [row for row in batch if row.must_survive][-MOST_UNSAVED:]
        self.rows_dropped += len(batch) - len(held)
        _tell(batch, kept=False)
        self._unsaved = [replace(row, then=None) for row in held]


def _roll_back(connection: sqlite3.Connection) -> None:
    with suppress(sqlite3.Error):  # some failures have rolled it back already
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _close(connection: sqlite3.Connection) -> None:
    with suppress(sqlite3.Error):
        connection.close()


def _tell(rows: list[_Row], *, kept: bool) -> None:
    for row in rows:
        if row.then is not None:
            row.then(kept)


def _without_nan(values: list[Any]) -> list[Any]:
    return [_without_nan(v) if isinstance(v, list) else _or_null(v) for v in values]


def _or_null(number: float) -> float | None:
    return number if math.isfinite(number) else None
