"""Reading the journal.

It keeps what the probes said, raw; each probe's ``offset_k`` of the site file is added here and nowhere else,
so that a correction made today also mends the past.
"""

import math
import sqlite3
from collections.abc import Iterable
from datetime import UTC, datetime

from controller.guard.confirm import HARVEST_H, Confirmation
from controller.guard.hand import LONGEST_ON_S, HandOrder, Order, Orders, in_force, take
from controller.guard.now import Now
from controller.site.model import Probe
from controller.site.work import Work

# A reading older than this says little of the present [s].
LATEST_S = 900.0
# Every decision is kept again within this time, news or not [s].
DECIDED_S = 3600.0
# No word of a person is recalled from longer ago [s]: "fleece off" has no end of its own.
WORDS_S = HARVEST_H * 3600.0


def readings_of(
    connection: sqlite3.Connection, probe: Probe, begin_s: float = -math.inf, end_s: float = math.inf
) -> list[tuple[float, float]]:
    """Return when a probe was read from ``begin_s`` to ``end_s``, in order, and what it then read [°C]."""
    rows = connection.execute(
        "SELECT at_s, temp_c FROM reading WHERE probe = ? AND at_s BETWEEN ? AND ? ORDER BY at_s",
        (probe.name, begin_s, end_s),
    )
    return [(at_s, temp_c + probe.offset_k) for at_s, temp_c in rows]


def latest_readings(
    connection: sqlite3.Connection, probes: Iterable[Probe], now: datetime
) -> dict[str, float]:
    """Return what each probe last read within a quarter of an hour [°C]."""
    read = {
        probe.name: readings_of(connection, probe, now.timestamp() - LATEST_S, now.timestamp())
        for probe in probes
    }
    return {name: readings[-1][1] for name, readings in read.items() if readings}


def last_kept(connection: sqlite3.Connection, probes: Iterable[Probe], before: datetime) -> datetime | None:
    """Return when a reading or a decision was last kept before a time; None if there was none."""
    last_s = [
        connection.execute(
            "SELECT max(at_s) FROM reading WHERE probe = ? AND at_s < ?", (probe.name, before.timestamp())
        ).fetchone()[0]
        for probe in probes
    ]
    decided = connection.execute("SELECT max(at_s) FROM decision WHERE at_s < ?", (before.timestamp(),))
    known_s = [at_s for at_s in (*last_s, decided.fetchone()[0]) if at_s is not None]
    return _utc(max(known_s)) if known_s else None


def heated_last(connection: sqlite3.Connection, at: datetime) -> tuple[str, ...]:
    """Return the trees whose last decision, within an hour before a time, was heat."""
    rows = connection.execute(
        "SELECT name, active FROM decision WHERE kind = 'tree' AND at_s > ? AND at_s <= ? ORDER BY at_s, id",
        (at.timestamp() - DECIDED_S, at.timestamp()),
    )
    last = dict(rows.fetchall())
    return tuple(name for name, active in sorted(last.items()) if active)


def standing_orders(connection: sqlite3.Connection, now: datetime) -> list[HandOrder]:
    """Return the orders that act now, each until the end it was given when it was taken.

    What people ordered in the last hours is taken once more, in order and as of then: so an order that was
    replaced, taken back or has ended does not come to life again, and none is prolonged.
    """
    rows = connection.execute(
        "SELECT id, received_s, who, target_kind, target, position, until_s, version, consent, taken_back "
        "FROM hand_order WHERE accepted = 1 AND received_s > ? AND received_s <= ? ORDER BY number",
        (now.timestamp() - LONGEST_ON_S, now.timestamp()),
    )
    orders = Orders()
    for row in rows:
        order = HandOrder(
            id=row[0],
            who=row[2],
            target_kind=row[3],
            target=row[4],
            order=Order(row[5]),
            until=_utc(row[6]),
            version=row[7],
            consent=row[8],
            of=row[9],
        )
        then = Now(mono_s=row[1], utc=_utc(row[1]))
        orders, _ = take(orders, order, frozenset({order.target}), then)
    present = Now(mono_s=now.timestamp(), utc=now)
    return [each.order for each in in_force(orders.standing, present)]


def _utc(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, tz=UTC)


def confirmations(connection: sqlite3.Connection, now: datetime) -> list[Confirmation]:
    """Return what people said was done and was taken in the last month, in order; some of it has ended."""
    rows = connection.execute(
        "SELECT id, who, what, target_kind, target, at_s, version, taken_back FROM confirmation "
        "WHERE accepted = 1 AND received_s > ? AND received_s <= ? ORDER BY received_s",
        (now.timestamp() - WORDS_S, now.timestamp()),
    )
    return [
        Confirmation(
            id=row[0],
            who=row[1],
            what=Work(row[2]),
            target_kind=row[3],
            target=row[4],
            at=datetime.fromtimestamp(row[5], tz=UTC),
            version=row[6],
            of=row[7],
        )
        for row in rows
    ]
