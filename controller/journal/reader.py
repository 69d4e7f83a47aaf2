"""Reading the journal.

It keeps what the probes said, raw; each probe's ``offset_k`` of the site file is added here and nowhere else,
so that a correction made today also mends the past.
"""

import sqlite3
from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np

from controller.guard.hand import HandOrder, Order
from controller.physics import FloatArray
from controller.site.model import Probe

# A reading older than this says little of the present [s].
LATEST_S = 900.0


def readings_of(
    connection: sqlite3.Connection, probe: Probe, begin_s: float = -np.inf, end_s: float = np.inf
) -> tuple[FloatArray, FloatArray]:
    """Return when a probe was read from ``begin_s`` to ``end_s``, in order, and what it then read [°C]."""
    rows = connection.execute(
        "SELECT at_s, temp_c FROM reading WHERE probe = ? AND at_s BETWEEN ? AND ? ORDER BY at_s",
        (probe.name, begin_s, end_s),
    ).fetchall()
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1] + probe.offset_k


def latest_readings(
    connection: sqlite3.Connection, probes: Iterable[Probe], now: datetime
) -> dict[str, float]:
    """Return what each probe last read within a quarter of an hour [°C]."""
    read = {
        probe.name: readings_of(connection, probe, now.timestamp() - LATEST_S, now.timestamp())[1]
        for probe in probes
    }
    return {name: float(temp_c[-1]) for name, temp_c in read.items() if temp_c.size}


def nearest(wanted_s: FloatArray, at_s: FloatArray, values: FloatArray, within_s: float) -> FloatArray:
    """Return the value nearest in time to each time wanted; NaN where none is within ``within_s``.

    ``at_s`` rises; of two values equally near the later counts.
    """
    if not at_s.size:
        return np.full(np.shape(wanted_s), np.nan)
    after = np.minimum(np.searchsorted(at_s, wanted_s), at_s.size - 1)
    before = np.maximum(after - 1, 0)
    index = np.where(np.abs(at_s[before] - wanted_s) < np.abs(at_s[after] - wanted_s), before, after)
    return np.where(np.abs(at_s[index] - wanted_s) <= within_s, values[index], np.nan)


def standing_orders(connection: sqlite3.Connection, now: datetime) -> list[HandOrder]:
    """Return the accepted orders that have not ended, the latest for each target, oldest first."""
    rows = connection.execute(
        "SELECT id, who, target_kind, target, position, until_s, version, max(received_s) FROM hand_order "
        "WHERE accepted = 1 AND until_s > ? AND received_s <= ? GROUP BY target_kind, target "
        "ORDER BY max(received_s)",
        (now.timestamp(), now.timestamp()),
    )
    return [
        HandOrder(
            id=row[0],
            who=row[1],
            target_kind=row[2],
            target=row[3],
            order=Order(row[4]),
            until=datetime.fromtimestamp(row[5], tz=UTC),
            version=row[6],
        )
        for row in rows
    ]
