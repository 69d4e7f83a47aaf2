"""Reading the journal."""

import sqlite3
from datetime import UTC, datetime

from controller.guard.hand import HandOrder, Order


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
