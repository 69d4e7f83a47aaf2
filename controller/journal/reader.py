"""Reading the journal."""

import sqlite3
from datetime import UTC, datetime

from controller.guard.hand import HandOrder, Order

# A reading older than this says little of the present [s].
LATEST_S = 900.0


def latest_readings(connection: sqlite3.Connection, now: datetime) -> dict[str, float]:
    """Return what each probe last said within a quarter of an hour [°C]."""
    rows = connection.execute(
        "SELECT probe, temp_c, max(at_s) FROM reading WHERE at_s > ? AND at_s <= ? GROUP BY probe",
        (now.timestamp() - LATEST_S, now.timestamp()),
    )
    return {probe: temp_c for probe, temp_c, _ in rows}


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
