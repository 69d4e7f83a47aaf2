"""What to expect when no service has answered for long: the site's own last days, said as such, and wide.

The course of the day is that of the last days at the outside probe, moved by its present departure; the
spread is that of days against their fore-days in a temperate winter.  It warns of frost too often rather than
too seldom.
"""

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from controller.physics import FloatArray
from controller.site.model import Place
from controller.weather.forecast import STEP_S, Forecast
from controller.weather.regime import sun_height

SOURCE = "no forecast: the last days at the outside probe"
HOURS = 48
# How far back the probe's readings count [h].
LAST_DAYS_H = 72.0
# The present departure fades with this time [h], and the spread [K] grows from the first to the last.
FADE_H = 18.0
FIRST_SPREAD_K, LAST_SPREAD_K, SPREAD_GROWS_H = 1.0, 4.0, 12.0
# Without enough readings the day's course is taken as that of a clear winter day: half its range [K].
HALF_RANGE_K = 4.0
# At least this many hours of the day must have been read for their course to count.
LEAST_HOURS = 18


NOT_KNOWN = ("dew_point_c", "wind_m_s", "gust_m_s", "cloud_frac", "shortwave_w_m2", "precipitation_mm")


def fallback_forecast(
    at_s: Sequence[float], outside_temp_c: Sequence[float], place: Place, now: datetime
) -> Forecast | None:
    """Return a forecast from the outside probe alone; None without a reading in the last three hours.

    Parameters
    ----------
    at_s, outside_temp_c
        Readings of the outside probe, seconds since 1970 and °C, in any order.
    place, now
        For the sun, and the present.
    """
    times, temps = np.asarray(at_s, dtype=np.float64), np.asarray(outside_temp_c, dtype=np.float64)
    now_s = now.timestamp()
    usable = np.isfinite(temps) & (times <= now_s) & (times >= now_s - 3600.0 * LAST_DAYS_H)
    times, temps = times[usable], temps[usable]
    if not times.size or times.max() < now_s - 3.0 * STEP_S:
        return None
    latest = int(times.argmax())
    stamps = np.floor(now_s / STEP_S) * STEP_S + STEP_S * np.arange(HOURS + 1)
    course = _course_c(times, temps, stamps, place)
    here = _course_c(times, temps, np.array([times[latest]]), place)[0]
    ahead_h = np.maximum(stamps - now_s, 0.0) / 3600.0
    departure_k = temps[latest] - here
    grown = 1.0 - np.exp(-ahead_h / SPREAD_GROWS_H)
    return Forecast(
        source=SOURCE,
        attribution="",
        fetched_at=now,
        issued_at=None,
        elevation_m=place.elevation_m,
        at_s=stamps,
        outside_temp_c=course + departure_k * np.exp(-ahead_h / FADE_H),
        dew_point_c=np.full(stamps.size, np.nan),
        wind_m_s=np.full(stamps.size, np.nan),
        gust_m_s=np.full(stamps.size, np.nan),
        cloud_frac=np.full(stamps.size, np.nan),
        shortwave_w_m2=np.full(stamps.size, np.nan),
        precipitation_mm=np.full(stamps.size, np.nan),
        missing=NOT_KNOWN,
        spread_k=FIRST_SPREAD_K + (LAST_SPREAD_K - FIRST_SPREAD_K) * grown,
        remark="no service has answered: this is what the outside probe's last days suggest, and no more",
    )


def _course_c(times: FloatArray, temps: FloatArray, wanted: FloatArray, place: Place) -> FloatArray:
    """Return the usual temperature [°C] at the wanted times of day."""
    hour_of = (np.round(times / STEP_S) % 24).astype(int)
    count = np.bincount(hour_of, minlength=24)
    known = count > 0
    if known.sum() >= LEAST_HOURS:
        mean = np.bincount(hour_of, weights=temps, minlength=24)[known] / count[known]
        return np.interp(wanted / STEP_S % 24.0, np.flatnonzero(known), mean, period=24.0)
    # warmest about two hours after noon, coldest before sunrise: the sun's height, two hours late
    height = sun_height(wanted - 2.0 * STEP_S, place)
    base = sun_height(times - 2.0 * STEP_S, place)
    scale = HALF_RANGE_K / max(0.2, math.cos(math.radians(place.latitude_deg)))
    return np.asarray(temps.mean() + scale * (height - base.mean()))
