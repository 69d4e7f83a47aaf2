"""Invented weather: a sky from a few numbers for each day."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from controller.physics import FloatArray, pressure_at_elevation_kpa
from controller.site.model import Place
from simulator.sky import Sky, longwave_down_w_m2
from simulator.sun import clear_sky_w_m2, cloudy_sky_w_m2, solar_elevation_deg

STEP_S = 300.0
DAY_S = 86400.0
# Parton & Logan 1981, Agric. Meteorol. 23:205, air at 1.5 m (from memory): the maximum comes 1.86 h after
# noon's half of the day, and the night falls with 2.20 over its length.
MAXIMUM_LATER_H = 1.86
NIGHT_FALL = 2.20
# Gustiness of the invented weather: how far temperature and wind wander, and for how long.
WANDER_K = 0.15
WANDER_WIND = 0.15
WANDER_S = 1800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day and the night that follows it.

    ``max_c`` is the afternoon's highest and ``min_c`` the lowest at the next dawn; the rest holds from noon
    to noon.  ``day`` counts from the first day of the night's scenario; days that are not listed are like
    the last listed before them, and those before the first like the first.
    """

    day: int
    max_c: float
    min_c: float
    dew_point_c: float
    cloud_frac: float
    wind_m_s: float


def sky_of_days(
    days: Sequence[Day], place: Place, first: datetime, begin: datetime, end: datetime, seed: int
) -> Sky:
    """Return invented weather between two times.

    Parameters
    ----------
    days : sequence of Day
        In rising order of ``day``, at least one.
    place : Place
        Where; sunrise and sunset follow from it.
    first : datetime
        A time on the local date that is day 0, aware.
    begin, end : datetime
        What the sky covers, aware.
    seed : int
        Decides how temperature and wind wander about their course.
    """
    # the sun's own time decides what a day is, so that no clock change falls into a night
    solar_s = place.longitude_deg / 360.0 * DAY_S
    begin_s = float(np.floor(begin.timestamp() / STEP_S) * STEP_S)
    at_s = np.arange(begin_s, end.timestamp() + STEP_S, STEP_S)
    local_s = at_s + solar_s
    zero = int((first.timestamp() + solar_s) // DAY_S)
    dates = np.arange(local_s[0] // DAY_S - 2.0, local_s[-1] // DAY_S + 3.0)
    listed = [_day_for(days, int(date) - zero) for date in dates]
    rise_s, set_s = _sun_hours(dates * DAY_S - solar_s, place)
    temp_c = _course_c(at_s, listed, rise_s, set_s)
    rng = np.random.default_rng([seed, 0x736B79])
    noon_s = dates * DAY_S - solar_s + 0.5 * DAY_S
    cloud = np.clip(_steps(at_s, noon_s, [day.cloud_frac for day in listed]), 0.0, 1.0)
    wind = _steps(at_s, noon_s, [day.wind_m_s for day in listed])
    wind = wind * np.exp(WANDER_WIND * _wander(rng, len(at_s)))
    temp_c = temp_c + WANDER_K * _wander(rng, len(at_s))
    dew_c = np.minimum(_steps(at_s, noon_s, [day.dew_point_c for day in listed]), temp_c - 0.3)
    clear = clear_sky_w_m2(solar_elevation_deg(at_s, place.latitude_deg, place.longitude_deg))
    return Sky(
        datetime.fromtimestamp(begin_s, tz=UTC),
        STEP_S,
        {
            "outside_temp_c": temp_c,
            "dew_point_c": dew_c,
            "wind_m_s": wind,
            "cloud_frac": cloud,
            "shortwave_w_m2": cloudy_sky_w_m2(clear, cloud),
            "longwave_down_w_m2": longwave_down_w_m2(temp_c, dew_c, cloud),
            "pressure_kpa": np.full(len(at_s), pressure_at_elevation_kpa(place.elevation_m)),
        },
    )


def _day_for(days: Sequence[Day], number: int) -> Day:
    earlier = [day for day in days if day.day <= number]
    return earlier[-1] if earlier else days[0]


def _sun_hours(midnight_s: FloatArray, place: Place) -> tuple[FloatArray, FloatArray]:
    """Return sunrise and sunset of each day [s]; where there is none, a day of a minute or of nearly all."""
    offsets_s = np.arange(0.0, DAY_S, 60.0)
    elevation = solar_elevation_deg(midnight_s[:, None] + offsets_s, place.latitude_deg, place.longitude_deg)
    up = elevation > -0.833  # upper limb with refraction, the almanac's sunrise
    up[:, len(offsets_s) // 2] = True  # polar night: a minute of day
    up[:, 0] = False  # midnight sun: a minute of night
    rise_s = midnight_s + offsets_s[up.argmax(axis=1)]
    set_s = midnight_s + offsets_s[len(offsets_s) - 1 - up[:, ::-1].argmax(axis=1)]
    return rise_s, set_s


def _course_c(at_s: FloatArray, days: Sequence[Day], rise_s: FloatArray, set_s: FloatArray) -> FloatArray:
    """Return the temperature's course: a sine by day, an exponential fall by night."""
    highest = np.array([day.max_c for day in days])
    dawn = np.array([days[max(i - 1, 0)].min_c for i in range(len(days))])  # the night before ends here
    next_dawn = np.array([day.min_c for day in days])
    index = np.searchsorted(rise_s, at_s, side="right") - 1
    length_s = set_s - rise_s
    swing_s = length_s + 2.0 * MAXIMUM_LATER_H * 3600.0

    def by_day(elapsed_s: FloatArray, which: np.ndarray) -> FloatArray:
        rising = np.sin(np.pi * elapsed_s / swing_s[which])
        return np.asarray(dawn[which] + (highest[which] - dawn[which]) * rising)

    night_s = rise_s[np.minimum(index + 1, len(days) - 1)] - set_s[index]
    share = np.clip((at_s - set_s[index]) / np.maximum(night_s, 60.0), 0.0, 1.0)
    fallen = (np.exp(-NIGHT_FALL * share) - np.exp(-NIGHT_FALL)) / (1.0 - np.exp(-NIGHT_FALL))
    at_sunset = by_day(length_s[index], index)
    by_night = next_dawn[index] + (at_sunset - next_dawn[index]) * fallen
    return np.asarray(np.where(at_s <= set_s[index], by_day(at_s - rise_s[index], index), by_night))


def _steps(at_s: FloatArray, noon_s: FloatArray, values: Sequence[float]) -> FloatArray:
    """Return values that hold from noon to noon and change over within two hours about noon."""
    hour_s = 3600.0
    knots_s = np.stack([noon_s - hour_s, noon_s + hour_s], axis=1).ravel()
    before = [values[max(i - 1, 0)] for i in range(len(values))]
    return np.asarray(np.interp(at_s, knots_s, np.stack([before, values], axis=1).ravel()))


def _wander(rng: np.random.Generator, count: int) -> FloatArray:
    """Return a first-order random course of unit deviation."""
    keep = float(np.exp(-STEP_S / WANDER_S))
    shocks = rng.standard_normal(count)
    course = np.empty(count)
    value = shocks[0]
    for index, shock in enumerate(shocks.tolist()):
        value = keep * value + (1.0 - keep * keep) ** 0.5 * shock
        course[index] = value
    return course
