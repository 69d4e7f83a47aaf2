"""The journal's forecasts beside its readings: what the correction learns from and is judged by."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from controller.journal.columns import columns_of, nearest
from controller.journal.reader import readings_of
from controller.journal.store import open_for_reading
from controller.physics import FloatArray
from controller.site.model import Site
from controller.weather.pairs import Pairs, PairsError

# Hours ahead that are scored, and how close in time [s] a reading must be to count for an hour.
MOST_LEAD_H = 48.0
READING_WITHIN_S = 900.0
# Runs nearer together than this [s] say nearly the same; the first of them counts.
RUNS_APART_S = 3.0 * 3600.0
_COLUMNS = ("outside_temp_c", "dew_point_c", "wind_m_s", "cloud_frac", "spread_k")


def pairs_in(journal: Path, site: Site) -> Pairs:
    """Return the pairs of a journal.

    Raises
    ------
    JournalError
        There is no journal to read.
    PairsError
        There are no forecasts, or no readings of an outside probe, in it.
    """
    with closing(open_for_reading(journal)) as connection:
        at_s, temp_c = _outside(connection, site)
        parts = []
        last_s = -np.inf
        for fetched_s, body in connection.execute("SELECT fetched_s, body FROM forecast ORDER BY fetched_s"):
            if fetched_s - last_s >= RUNS_APART_S:
                last_s = fetched_s
                parts.append(_run(float(fetched_s), json.loads(body)))
    if not parts:
        raise PairsError(
            f"{journal}: no forecast has been kept in it yet; run the daemon for some days first"
        )
    if not at_s.size:
        raise PairsError(f"{journal}: no reading of an outside probe in it; name one in the site file")
    run = np.concatenate(parts, axis=1)
    return Pairs(
        at_s=run[0],
        lead_h=run[1],
        forecast_c=run[2],
        dew_point_c=run[3],
        wind_m_s=run[4],
        cloud_frac=run[5],
        spread_k=run[6],
        observed_c=nearest(run[0], at_s, temp_c, READING_WITHIN_S),
    ).sorted()


def _outside(connection: sqlite3.Connection, site: Site) -> tuple[FloatArray, FloatArray]:
    """Return the readings of the first outside probe that has any, in order of time."""
    for probe in site.probes_of("outside"):
        if readings := readings_of(connection, probe):
            return columns_of(readings)
    return columns_of(())


def _run(fetched_s: float, body: dict[str, Any]) -> FloatArray:
    """Return a run's rows: time, lead and its columns, shape (2 + columns, hours ahead)."""
    at_s = np.array(body["at_s"], dtype=np.float64)
    columns = [
        np.array(values if (values := body.get(name)) else [None] * at_s.size, dtype=np.float64)
        for name in _COLUMNS
    ]
    # a run counts as made on the whole hour in which it was fetched
    lead_h = at_s / 3600.0 - fetched_s // 3600.0
    ahead = (lead_h >= 0.0) & (lead_h <= MOST_LEAD_H)
    return np.stack([at_s, lead_h, *columns])[:, ahead]
