"""The past night, read from the journal: temperatures, heat, and what it used."""

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from pathlib import Path
from statistics import fmean

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
    """What the journal says of the last hours."""

    probes_c: dict[str, Points]
    heated: dict[str, Spans]
    rise_k: dict[str, float]
    energy_kwh: float = 0.0


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
    heated = {tree.name: _heated(connection, tree.name, now_s) for tree in site.trees}
    return History(
        probes_c=probes_c,
        heated=heated,
        rise_k=rise_k,
        energy_kwh=sum(
            tree.power_w * sum(end - begin for begin, end in heated[tree.name]) / 3.6e6 for tree in site.trees
        ),
    )


def _means(readings: Iterable[tuple[float, float]]) -> Points:
    buckets = groupby(readings, key=lambda reading: reading[0] // BUCKET_S)
    return tuple(
        (fmean(at_s), fmean(temp_c)) for at_s, temp_c in (zip(*each, strict=True) for _, each in buckets)
    )


def _heated(connection: sqlite3.Connection, tree: str, now_s: float) -> Spans:
    """Return when a tree's heat was decided, as spans of the ledger's time."""
    begin_s = now_s - LEDGER_S
    before = connection.execute(
        "SELECT active FROM decision WHERE kind = 'tree' AND name = ? AND at_s <= ? "
        "ORDER BY at_s DESC LIMIT 1",
        (tree, begin_s),
    ).fetchone()
    rows = connection.execute(
        "SELECT at_s, active FROM decision WHERE kind = 'tree' AND name = ? AND at_s > ? AND at_s <= ? "
        "ORDER BY at_s",
        (tree, begin_s, now_s),
    )
    spans: list[tuple[float, float]] = []
    since_s = begin_s if before and before[0] else None
    for at_s, active in rows:
        if active and since_s is None:
            since_s = at_s
        elif not active and since_s is not None:
            spans.append((since_s, at_s))
            since_s = None
    if since_s is not None:
        spans.append((since_s, now_s))
    return tuple(spans)


def _rise_k(readings: Sequence[tuple[float, float]], now_s: float) -> float | None:
    """Return by how much a probe changed over ``RISE_S`` [K], from means of 150 s; None without readings."""
    then_c = [temp_c for at_s, temp_c in readings if abs(at_s - (now_s - RISE_S)) <= 75.0]
    lately_c = [temp_c for at_s, temp_c in readings if at_s >= now_s - 150.0]
    return fmean(lately_c) - fmean(then_c) if then_c and lately_c else None
