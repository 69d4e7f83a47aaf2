"""The journal as a record of a site: its readings, what was switched, and the weather that was forecast."""

import json
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import numpy as np

from controller.errors import LogbookError
from controller.journal.columns import columns_of, nearest
from controller.journal.reader import readings_of
from controller.journal.store import open_for_reading
from controller.learn.logbook import Logbook, Table
from controller.physics import FloatArray
from controller.site.model import Probe, Site

STEP_S = 300.0
# Older than this the house, the fleece and the leaves were different [s].
LONGEST_S = 30 * 86400.0
# A reading this near to a step's beginning stands for it [s].
NEAR_S = 150.0
_WEATHER = {
    "dew_point_c": "dew_point_c",
    "wind_m_s": "wind_m_s",
    "cloud_frac": "cloud_frac",
    "shortwave_w_m2": "shortwave_w_m2",
}
_SHORTEST_RUN = 2


def record_of_journal(path: Path, site: Site, longest_s: float = LONGEST_S) -> Logbook:
    """Return the last days of a journal, 30 at most, as a record.

    Raises
    ------
    JournalError
        There is no journal to read.
    LogbookError
        There are too few readings in it.
    """
    with closing(open_for_reading(path)) as connection:
        begin_s, end_s = _span(connection, path, longest_s)
        at_s = np.arange(begin_s, end_s, STEP_S)
        outside_c = _coldest(connection, site.probes_of("outside"), at_s)
        weather = _weather(connection, at_s)
        if np.isfinite(weather["outside_c"]).any():
            # without an outside probe its forecast is the next best
            outside_c = np.where(np.isfinite(outside_c), outside_c, weather["outside_c"])
        columns = {**weather, "outside_c": outside_c}
        columns["house_c"] = _coldest(connection, site.probes_of("house"), at_s)
        for tree in site.trees:
            under = [probe for probe in site.probes if probe.name in tree.probes]
            columns[f"{tree.name}.air_c"] = _coldest(connection, under, at_s)
            columns[f"{tree.name}.string_w"] = tree.power_w * _share_on(connection, "tree", tree.name, at_s)
        columns["vent_m3_s"] = np.sum(
            [vent.flow_m3_s * _share_on(connection, "vent", vent.name, at_s) for vent in site.vents]
            or [np.zeros(len(at_s))],
            axis=0,
        )
    table = Table(path=path, at_s=at_s, columns=columns, ignored=())
    table.check_enough(site, site.trees)
    return table.logbook(site, site.trees)


def _span(connection: sqlite3.Connection, path: Path, longest_s: float) -> tuple[float, float]:
    first_s, last_s = connection.execute("SELECT min(at_s), max(at_s) FROM reading").fetchone()
    if first_s is None or last_s - first_s < 2 * STEP_S:
        raise LogbookError(f"{path}: no readings of any length in it yet; run the daemon for some days first")
    begin_s = max(first_s, last_s - longest_s)
    return float(begin_s - begin_s % STEP_S + STEP_S), float(last_s + 1.0)


def _coldest(connection: sqlite3.Connection, probes: Iterable[Probe], at_s: FloatArray) -> FloatArray:
    """Return the coldest reading near each time of some probes, as the guard sees them; NaN where none."""
    coldest = np.full(len(at_s), np.nan)
    for probe in probes:
        readings = readings_of(connection, probe, float(at_s[0]) - NEAR_S, float(at_s[-1]) + NEAR_S)
        coldest = np.fmin(coldest, nearest(at_s, *columns_of(readings), NEAR_S))
    return coldest


def _share_on(connection: sqlite3.Connection, kind: str, name: str, at_s: FloatArray) -> FloatArray:
    """Return for which share of each step an output was active by the decisions made; 0 before the first."""
    rows = connection.execute(
        "SELECT at_s, active FROM decision WHERE kind = ? AND name = ? AND at_s <= ? ORDER BY at_s, id",
        (kind, name, float(at_s[-1] + STEP_S)),
    ).fetchall()
    if not rows:
        return np.zeros(len(at_s))
    turned = np.array(rows, dtype=np.float64)
    edges_s = np.r_[at_s, at_s[-1] + STEP_S]
    ends_s = np.r_[turned[:, 0], max(edges_s[-1], turned[-1, 0]) + 1.0]
    total_s = np.r_[0.0, np.cumsum(turned[:, 1] * np.diff(ends_s))]
    return np.asarray(np.diff(np.interp(edges_s, ends_s, total_s, left=0.0)) / STEP_S)


def _weather(connection: sqlite3.Connection, at_s: FloatArray) -> dict[str, FloatArray]:
    """Return the weather of each step from the newest forecast made before it; NaN where none reaches."""
    names = {**_WEATHER, "outside_c": "outside_temp_c"}
    found = {name: np.full(len(at_s), np.nan) for name in names}
    for fetched_s, body in connection.execute(
        "SELECT fetched_s, body FROM forecast WHERE fetched_s > ? ORDER BY fetched_s",
        (float(at_s[0]) - 2 * 86400.0,),
    ):
        run = json.loads(body)
        hour_s = np.array(run["at_s"], dtype=np.float64)
        later = at_s >= fetched_s - 3600.0
        if hour_s.size < _SHORTEST_RUN or not later.any():
            continue
        for name, theirs in names.items():
            values = np.array(run.get(theirs) or [None] * hour_s.size, dtype=np.float64)
            # sunshine is the mean of the hour before its stamp: it stands at that hour's middle
            stamp_s = hour_s - 1800.0 if name == "shortwave_w_m2" else hour_s
            known = np.isfinite(values)
            if known.sum() < _SHORTEST_RUN:
                continue
            here = np.interp(at_s, stamp_s[known], values[known], left=np.nan, right=np.nan)
            found[name] = np.where(later & np.isfinite(here), here, found[name])
    return found
