"""Many winters from one weather year: other days in another order, warmer and colder months.

Each day, midday to midday, is a day of the year file, with all its hours and variables as they were.  The
next day is drawn among those that followed the days most like today, of about the same date: the nearest-
neighbour bootstrap of Lall & Sharma 1996 (Water Resour. Res. 32:679), as used for weather by Rajagopalan &
Lall 1999 (Water Resour. Res. 35:3089).  So persistence and what belongs together stay as in the file, while
no two winters are alike.  As a bootstrap alone has no month colder than the file's, whole months are moved.
"""

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np

from controller.physics import STEFAN_BOLTZMANN_W_PER_M2_K4, FloatArray
from simulator.probes import generator
from simulator.weather_files import HOURS, WeatherYear

DAYS = 365
# Days of about the same date, and how many nearest neighbours are drawn among (the square root of them).
WINDOW_DAYS = 12
# One day fades into the next within so many hours about midday.
SEAM_H = 8
# How much a winter month's mean differs from the usual from year to year, and how alike neighbours are:
# standard deviation of January means on the Irish coast 1.3 K, likeness a third (from memory, both).
MONTH_K, MONTH_LIKENESS = 1.3, 0.35
MONTH_DAYS = 30


def another_year(year: WeatherYear, seed: int, *, month_k: float = MONTH_K) -> WeatherYear:
    """Return another year that the same climate could have had; the same for the same seed.

    Parameters
    ----------
    year : WeatherYear
        What the climate is known by.
    seed : int
        Which other year.
    month_k : float
        Standard deviation by which months are warmer or colder [K].
    """
    chance = generator(seed, "winter")
    days = _drawn_days(_days_of(year), chance)
    names = [field.name for field in fields(year) if isinstance(getattr(year, field.name), np.ndarray)]
    drawn: dict[str, Any] = {name: _faded(getattr(year, name), days) for name in names}
    shift_k = _months_k(chance, month_k)
    sky_k = (drawn["longwave_down_w_m2"] / STEFAN_BOLTZMANN_W_PER_M2_K4) ** 0.25 + shift_k
    drawn["outside_temp_c"] = drawn["outside_temp_c"] + shift_k
    drawn["dew_point_c"] = drawn["dew_point_c"] + shift_k
    drawn["longwave_down_w_m2"] = STEFAN_BOLTZMANN_W_PER_M2_K4 * sky_k**4
    return replace(year, source=f"{year.source}, another year (seed {seed})", **drawn)


def _days_of(year: WeatherYear) -> FloatArray:
    """Return what tells days, midday to midday, apart, each in its own spread.

    How warm they are and how they end, their range, cloud and wind.
    """
    temp_c, cloud, wind = (
        np.roll(getattr(year, name), -12).reshape(DAYS, 24)
        for name in ("outside_temp_c", "cloud_frac", "wind_m_s")
    )
    table = np.stack(
        [
            temp_c.mean(axis=1),
            2.0 * temp_c[:, -SEAM_H:].mean(axis=1),  # the seam counts double
            temp_c.max(axis=1) - temp_c.min(axis=1),
            cloud.mean(axis=1),
            wind.mean(axis=1),
        ],
        axis=1,
    )
    spread = table.std(axis=0)
    spread[1] /= 2.0
    return np.asarray(table / np.where(spread > 0.0, spread, 1.0))


def _drawn_days(days: FloatArray, chance: np.random.Generator) -> list[int]:
    """Return which day of the file each day of the new year is."""
    offsets = np.arange(-WINDOW_DAYS, WINDOW_DAYS + 1)
    nearest = round(math.sqrt(len(offsets)))
    weights = 1.0 / np.arange(1, nearest + 1)  # Lall & Sharma's kernel
    weights /= weights.sum()
    drawn = [int((chance.choice(offsets)) % DAYS)]
    for date in range(1, DAYS):
        candidates = (date - 1 + offsets) % DAYS
        distance = ((days[candidates] - days[drawn[-1]]) ** 2).sum(axis=1)
        like = candidates[np.argsort(distance, kind="stable")[:nearest]]
        drawn.append(int((like[chance.choice(nearest, p=weights)] + 1) % DAYS))
    return drawn


def _faded(values: FloatArray, drawn: list[int]) -> FloatArray:
    """Return a column of the new year; about midday one day fades into the next over some hours."""
    blocks = np.array(drawn)[:, np.newaxis]
    before = np.roll(blocks, 1, axis=0) + 1
    hour = np.arange(24)
    share = np.clip((hour - 12.0 + SEAM_H / 2.0) / SEAM_H, 0.0, 1.0)
    old, new = values[(before * 24 + hour) % HOURS], values[(blocks * 24 + hour) % HOURS]
    return np.asarray(((1.0 - share) * old + share * new).ravel())


def _months_k(chance: np.random.Generator, month_k: float) -> FloatArray:
    """Return by how much each hour is warmer than usual [K]: a slow course of months."""
    months = HOURS // (24 * MONTH_DAYS) + 2
    shocks = chance.standard_normal(months)
    course = np.empty(months)
    course[0] = shocks[0]
    for month in range(1, months):
        course[month] = MONTH_LIKENESS * course[month - 1] + math.sqrt(1 - MONTH_LIKENESS**2) * shocks[month]
    at = np.arange(HOURS) / (24.0 * MONTH_DAYS)
    return np.asarray(month_k * np.interp(at, np.arange(months), course))
