"""The past night, read from the journal: temperatures, heat, and what it used."""

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

from controller.errors import JournalError
from controller.journal.reader import readings_of
from controller.journal.spans import Span, active_spans, by_night, season_begin
from controller.journal.store import open_for_reading
from controller.site.model import Site
from controller.site.price import cost_of

PAST_S = 14 * 3600.0
LEDGER_S = 24 * 3600.0
# Readings are drawn as means of ten minutes.
BUCKET_S = 600.0
# How far back the air's change is told: design rule, a rise within 20 to 30 min proves heat.
RISE_S = 1200.0

Points = tuple[tuple[float, float], ...]  # (UTC seconds, °C)
Spans = tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What the journal says of the last hours; ``aired`` is when each vent was to be open or running."""

    probes_c: dict[str, Points]
    heated: dict[str, Spans]
    rise_k: dict[str, float]
    energy_kwh: float = 0.0
    cost: float = 0.0
    aired: dict[str, Spans] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What heat was decided since a season's begin, or since the journal's where that is later."""

    since: datetime
    nights: int
    energy_kwh: float
    cost: float


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

    def active(kind: str, name: str) -> Spans:
        return tuple(active_spans(connection, kind, name, now_s - LEDGER_S, now_s))

    heated = {tree.name: active("tree", tree.name) for tree in site.trees}
    return History(
        probes_c=probes_c,
        heated=heated,
        rise_k=rise_k,
        energy_kwh=_energy_kwh(site, heated),
        cost=sum(cost_of(site, tree.power_w, *span) for tree in site.trees for span in heated[tree.name]),
        aired={vent.name: active("vent", vent.name) for vent in site.vents},
    )


def ledger_of(path: Path, site: Site, now: datetime) -> Ledger | None:
    """Return the season so far, None where no journal can be read; it reads months, so seldom ask it."""
    try:
        with closing(open_for_reading(path)) as connection:
            return _ledger(connection, site, now)
    except (JournalError, sqlite3.Error):
        return None


def _ledger(connection: sqlite3.Connection, site: Site, now: datetime) -> Ledger | None:
    begin_s = season_begin(site.place, now).timestamp()
    ((first_s,),) = connection.execute("SELECT min(at_s) FROM decision WHERE at_s >= ?", (begin_s,))
    if first_s is None:
        return None
    nights: set[int] = set()
    energy_kwh = cost = 0.0
    for tree in site.trees:  # span by span: a season's would weigh several megabytes together
        for span in active_spans(connection, "tree", tree.name, begin_s, now.timestamp()):
            cost += cost_of(site, tree.power_w, *span)
            for night, lasts_s in by_night(span, site.place):
                nights.add(night)
                energy_kwh += tree.power_w * lasts_s / 3.6e6
    return Ledger(
        since=datetime.fromtimestamp(first_s, tz=UTC), nights=len(nights), energy_kwh=energy_kwh, cost=cost
    )


def _energy_kwh(site: Site, heated: Mapping[str, Spans]) -> float:
    return sum(
        tree.power_w * sum(end - begin for begin, end in heated[tree.name]) / 3.6e6 for tree in site.trees
    )


def _means(readings: Iterable[tuple[float, float]]) -> Points:
    buckets = groupby(readings, key=lambda reading: reading[0] // BUCKET_S)
    return tuple(
        (_mean(at_s), _mean(temp_c)) for at_s, temp_c in (zip(*each, strict=True) for _, each in buckets)
    )


def _rise_k(readings: Sequence[tuple[float, float]], now_s: float) -> float | None:
    """Return by how much a probe changed over ``RISE_S`` [K], from means of 150 s; None without readings."""
    then_c = [temp_c for at_s, temp_c in readings if abs(at_s - (now_s - RISE_S)) <= 75.0]
    lately_c = [temp_c for at_s, temp_c in readings if at_s >= now_s - 150.0]
    return _mean(lately_c) - _mean(then_c) if then_c and lately_c else None


def _mean(numbers: Sequence[float]) -> float:
    return sum(numbers) / len(numbers)
