"""The past night, read from the journal: temperatures, heat, and what it used."""

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

from controller.errors import JournalError
from controller.journal.reader import readings_of
from controller.journal.store import open_for_reading
from controller.site.model import Site

PAST_S = 14 * 3600.0
LEDGER_S = 24 * 3600.0
# Readings are drawn as means of ten minutes.
BUCKET_S = 600.0
# How far back the air's change is told: design rule, a rise within 20 to 30 min proves heat.
RISE_S = 1200.0

Points = tuple[tuple[float, float], ...]  # (UTC seconds, °C)
Spans = tuple[tuple[float, float], ...]  # (begin, end), UTC seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What the journal says of the last hours; ``aired`` is when each vent was to be open or running."""

    probes_c: dict[str, Points]
    heated: dict[str, Spans]
    rise_k: dict[str, float]
    energy_kwh: float = 0.0
    aired: dict[str, Spans] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What heat was decided since a season's begin, or since the journal's where that is later."""

    since: datetime
    nights: int
    energy_kwh: float


NOTHING = History(probes_c={}, heated={}, rise_k={})


def history_of(path: Path, site: Site, now: datetime) -> History:
    """Return the last hours; nothing where no journal can be read."""
    try:
        with closing(open_for_reading(path)) as connection:
            return _history(connection, site, now.timestamp())
    except (JournalError, sqlite3.Error):
        return NOTHING


def _history(connection: sqlite3.Connection, site: Site, now_s: float) -> History:
    probes_c: dict[str, Points] = {}
    rise_k: dict[str, float] = {}
    for probe in site.probes:  # one by one: the table is ordered by probe, then time
        if readings := readings_of(connection, probe, now_s - PAST_S, now_s):
            probes_c[probe.name] = _means(readings)
            if (change_k := _rise_k(readings, now_s)) is not None:
                rise_k[probe.name] = change_k
    begin_s = now_s - LEDGER_S
    heated = {tree.name: tuple(_active(connection, "tree", tree.name, begin_s, now_s)) for tree in site.trees}
    return History(
        probes_c=probes_c,
        heated=heated,
        rise_k=rise_k,
        energy_kwh=_energy_kwh(site, heated),
        aired={
            vent.name: tuple(_active(connection, "vent", vent.name, begin_s, now_s)) for vent in site.vents
        },
    )


def ledger_of(path: Path, site: Site, now: datetime) -> Ledger | None:
    """Return the season so far, None where no journal can be read; it reads months, so seldom ask it."""
    try:
        with closing(open_for_reading(path)) as connection:
            return _ledger(connection, site, now)
    except (JournalError, sqlite3.Error):
        return None


def _ledger(connection: sqlite3.Connection, site: Site, now: datetime) -> Ledger | None:
    begin_s = season_begin(site, now).timestamp()
    ((first_s,),) = connection.execute("SELECT min(at_s) FROM decision WHERE at_s >= ?", (begin_s,))
    if first_s is None:
        return None
    noon_s = 43200.0 - site.place.longitude_deg * 240.0  # by the sun, which passes a degree in 240 s
    nights: set[int] = set()
    energy_kwh = 0.0
    for tree in site.trees:  # span by span: a season's would weigh several megabytes together
        for begin, end in _active(connection, "tree", tree.name, begin_s, now.timestamp()):
            energy_kwh += tree.power_w * (end - begin) / 3.6e6
            nights.update(range(int((begin - noon_s) // 86400.0), int((end - noon_s) // 86400.0) + 1))
    return Ledger(since=datetime.fromtimestamp(first_s, tz=UTC), nights=len(nights), energy_kwh=energy_kwh)


def season_begin(site: Site, now: datetime) -> datetime:
    """Return the midsummer, or nearly, before the present: the first of July, or of January in the south."""
    month = 7 if site.place.latitude_deg >= 0.0 else 1
    year = now.year if now.month >= month else now.year - 1
    return datetime(year, month, 1, tzinfo=UTC)


def _energy_kwh(site: Site, heated: Mapping[str, Spans]) -> float:
    return sum(
        tree.power_w * sum(end - begin for begin, end in heated[tree.name]) / 3.6e6 for tree in site.trees
    )


def _means(readings: Iterable[tuple[float, float]]) -> Points:
    buckets = groupby(readings, key=lambda reading: reading[0] // BUCKET_S)
    return tuple(
        (_mean(at_s), _mean(temp_c)) for at_s, temp_c in (zip(*each, strict=True) for _, each in buckets)
    )


def _active(
    connection: sqlite3.Connection, kind: str, name: str, begin_s: float, now_s: float
) -> Iterator[tuple[float, float]]:
    """Yield when a tree's heat, or a vent's opening, was decided, as spans of time."""
    before = connection.execute(
        "SELECT active FROM decision WHERE kind = ? AND name = ? AND at_s <= ? ORDER BY at_s DESC LIMIT 1",
        (kind, name, begin_s),
    ).fetchone()
    rows = connection.execute(
        "SELECT at_s, active FROM decision WHERE kind = ? AND name = ? AND at_s > ? AND at_s <= ? "
        "ORDER BY at_s",
        (kind, name, begin_s, now_s),
    )
    since_s = begin_s if before and before[0] else None
    for at_s, active in rows:
        if active and since_s is None:
            since_s = at_s
        elif not active and since_s is not None:
            yield since_s, at_s
            since_s = None
    if since_s is not None:
        yield since_s, now_s


def _rise_k(readings: Sequence[tuple[float, float]], now_s: float) -> float | None:
    """Return by how much a probe changed over ``RISE_S`` [K], from means of 150 s; None without readings."""
    then_c = [temp_c for at_s, temp_c in readings if abs(at_s - (now_s - RISE_S)) <= 75.0]
    lately_c = [temp_c for at_s, temp_c in readings if at_s >= now_s - 150.0]
    return _mean(lately_c) - _mean(then_c) if then_c and lately_c else None


def _mean(numbers: Sequence[float]) -> float:
    return sum(numbers) / len(numbers)
