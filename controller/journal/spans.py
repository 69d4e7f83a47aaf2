"""When heat was on or vents were open, by the journal's decisions; nights and seasons to count them by."""

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime

from controller.site.model import Place

Span = tuple[float, float]  # begin and end, UTC seconds
DAY_S = 86400.0


def active_spans(
    connection: sqlite3.Connection, kind: str, name: str, begin_s: float, end_s: float
) -> Iterator[Span]:
    """Yield when a tree's heat (or a vent's opening) was decided within a time, as spans."""
    before = connection.execute(
        "SELECT active FROM decision WHERE kind = ? AND name = ? AND at_s <= ? ORDER BY at_s DESC LIMIT 1",
        (kind, name, begin_s),
    ).fetchone()
    rows = connection.execute(
        "SELECT at_s, active FROM decision WHERE kind = ? AND name = ? AND at_s > ? AND at_s <= ? "
        "ORDER BY at_s",
        (kind, name, begin_s, end_s),
    )
    since_s = begin_s if before and before[0] else None
    for at_s, active in rows:
        if active and since_s is None:
            since_s = at_s
        elif not active and since_s is not None:
            yield since_s, at_s
            since_s = None
    if since_s is not None:
        yield since_s, end_s


def by_night(span: Span, place: Place) -> Iterator[tuple[int, float]]:
    """Yield each night that a span touches, by its number, and how long the span lasts in it [s].

    A night lasts from noon to noon by the sun, which passes a degree in 240 s.
    """
    begin_s, end_s = span
    noon_s = 43200.0 - place.longitude_deg * 240.0
    for night in range(int((begin_s - noon_s) // DAY_S), int((end_s - noon_s) // DAY_S) + 1):
        from_s = noon_s + night * DAY_S
        yield night, min(end_s, from_s + DAY_S) - max(begin_s, from_s)


def evening_of(night: int, place: Place) -> datetime:
    """Return the noon before a night, by the sun."""
    return datetime.fromtimestamp(43200.0 - place.longitude_deg * 240.0 + night * DAY_S, tz=UTC)


def season_begin(place: Place, now: datetime) -> datetime:
    """Return the midsummer, or nearly, before the present: the first of July, or of January in the south."""
    month = 7 if place.latitude_deg >= 0.0 else 1
    year = now.year if now.month >= month else now.year - 1
    return datetime(year, month, 1, tzinfo=UTC)
