"""From a service's columns to a ``Forecast``: what every service's answer must be, whatever its form.

A temperature that is absurd, times that are not hours, or a forecast of another place or another day make the
whole answer worthless; another quantity that is absurd is only taken out, and named in ``missing``.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from controller.errors import ShapeError
from controller.physics import FloatArray
from controller.site.earth import great_circle_km
from controller.site.model import Place
from controller.weather.forecast import STEP_S, Forecast

# Temperature falls this much per metre of height [K/m] in the ICAO standard atmosphere.
LAPSE_K_PER_M = 0.0065
# Beyond this difference of height [m] a constant lapse says nothing about the site.
MOST_ELEVATION_DIFFERENCE_M = 500.0
# Services answer for a cell of their grid, up to 28 km wide, and may choose a neighbour on land.
MOST_DISTANCE_KM = 50.0
# A forecast must reach this far ahead [h] to speak of the coming night.
LEAST_AHEAD_H = 18
# An older beginning, or one still to come, means a wrong clock: the service's or this machine's.
OLDEST_BEGIN_S = 96 * 3600.0
# Coldest and hottest air ever measured near the ground are -89 and 57 °C; citrus is grown in neither.
TEMP_RANGE_C = (-60.0, 60.0)
# Rounding to 0.1 K may lift a dew point over the temperature by this much [K]; more is a fault.
DEW_OVER_TEMP_K = 0.25
# What each other quantity can be; the highest wind and gust ever measured are about 103 and 113 m/s, the
# sun outside the atmosphere gives 1361 W/m² (its passing cloud edges, a little more for an hour at most).
RANGES: dict[str, tuple[float, float]] = {
    "wind_m_s": (0.0, 110.0),
    "gust_m_s": (0.0, 120.0),
    "cloud_frac": (0.0, 1.0),
    "shortwave_w_m2": (0.0, 1500.0),
    "precipitation_mm": (0.0, 400.0),
}
# A model run older than this [s] is no forecast of the coming night: services have answered with runs of
# several days ago and status 200.
OLDEST_RUN_S = 36 * 3600.0
# A run may lie this far in the future [s] by clocks that differ.
MOST_AHEAD_S = 3600.0


@dataclass(frozen=True, slots=True)
class Origin:
    """Where an answer came from."""

    source: str
    attribution: str
    issued_at: datetime | None = None


def check_place(latitude_deg: float, longitude_deg: float, place: Place) -> None:
    """Refuse an answer for another place, such as one with latitude and longitude swapped."""
    if not (-90.0 <= latitude_deg <= 90.0 and -540.0 <= longitude_deg <= 540.0):
        raise ShapeError(
            f"latitude, longitude: expected a point on Earth, got {latitude_deg}, {longitude_deg}"
        )
    far_km = great_circle_km(latitude_deg, longitude_deg, place.latitude_deg, place.longitude_deg)
    if far_km > MOST_DISTANCE_KM:
        raise ShapeError(
            f"latitude, longitude: expected within {MOST_DISTANCE_KM:g} km of the site, "
            f"got {latitude_deg:g}, {longitude_deg:g}, which is {far_km:.0f} km away"
        )


def lapse_k(elevation_m: float, place: Place) -> float:
    """Return what to add [K] to temperatures given for a height so that they hold at the site's."""
    difference_m = elevation_m - place.elevation_m
    if abs(difference_m) > MOST_ELEVATION_DIFFERENCE_M:
        raise ShapeError(
            f"elevation: expected within {MOST_ELEVATION_DIFFERENCE_M:g} m of the site's "
            f"{place.elevation_m:g} m, got {elevation_m:g} m"
        )
    return LAPSE_K_PER_M * difference_m


def assemble(
    origin: Origin,
    now: datetime,
    place: Place,
    *,
    elevation_m: float,
    at_s: FloatArray,
    columns: Mapping[str, FloatArray],
    members_c: FloatArray | None = None,
) -> Forecast:
    """Return a forecast from a service's columns, checked and brought to the site's height.

    Parameters
    ----------
    origin, now, place
        Where it came from, when, and for which site.
    elevation_m
        Height [m] the temperatures hold for.
    at_s
        Times, seconds since 1970, shape (n,); refused unless exactly an hour apart.
    columns
        By name of ``Forecast``'s fields and in their units, each of shape (n,), NaN where unknown.
        ``outside_temp_c`` must be there; what else is not there is missing.  ``spread_k`` may be there.
    members_c
        The runs of an ensemble, shape (members, n).

    Raises
    ------
    ShapeError
        Names the field, what was expected and what came.
    """
    _check_run(origin.issued_at, now)
    _check_times(at_s, now)
    add_k = lapse_k(elevation_m, place)
    temp_c = columns["outside_temp_c"] + add_k
    last = _last_usable(temp_c, at_s, now)
    keep = slice(0, last + 1)
    given = {name: columns.get(name, np.full(len(at_s), np.nan)) for name in ("dew_point_c", *RANGES)}
    given["dew_point_c"] = given["dew_point_c"] + add_k
    whole = {name: values[keep] for name, values in given.items()}
    whole = {
        name: v if _is_possible(name, v, temp_c[keep]) else np.full(last + 1, np.nan)
        for name, v in whole.items()
    }
    whole["dew_point_c"] = np.minimum(whole["dew_point_c"], temp_c[keep])
    return Forecast(
        source=origin.source,
        attribution=origin.attribution,
        fetched_at=now,
        issued_at=origin.issued_at,
        elevation_m=elevation_m,
        at_s=at_s[keep],
        outside_temp_c=temp_c[keep],
        missing=tuple(name for name, values in whole.items() if np.isnan(values).all()),
        spread_k=_spread(columns.get("spread_k"), keep),
        members_c=None if members_c is None else members_c[:, keep] + add_k,
        dew_point_c=whole["dew_point_c"],
        wind_m_s=whole["wind_m_s"],
        gust_m_s=whole["gust_m_s"],
        cloud_frac=whole["cloud_frac"],
        shortwave_w_m2=whole["shortwave_w_m2"],
        precipitation_mm=whole["precipitation_mm"],
    )


def _check_run(issued_at: datetime | None, now: datetime) -> None:
    if issued_at is None:
        return
    age_s = (now - issued_at).total_seconds()
    if not -MOST_AHEAD_S <= age_s <= OLDEST_RUN_S:
        raise ShapeError(
            f"model run: expected one of the {OLDEST_RUN_S / 3600.0:g} h before {now:%Y-%m-%d %H:%M} UTC, "
            f"got one of {issued_at:%Y-%m-%d %H:%M} UTC"
        )


def _spread(spread_k: FloatArray | None, keep: slice) -> FloatArray | None:
    """Return a spread that can be one: not negative, not absurd; else none."""
    if spread_k is None or not ((spread_k[keep] >= 0.0) & (spread_k[keep] < 30.0)).any():
        return None
    return np.where((spread_k[keep] >= 0.0) & (spread_k[keep] < 30.0), spread_k[keep], np.nan)


def _check_times(at_s: FloatArray, now: datetime) -> None:
    if len(at_s) < LEAST_AHEAD_H or np.isnan(at_s).any():
        raise ShapeError(f"time: expected at least {LEAST_AHEAD_H} hours, got {int(np.isfinite(at_s).sum())}")
    even = (at_s % STEP_S == 0.0) & (np.diff(at_s, prepend=at_s[0] - STEP_S) == STEP_S)
    if not even.all():
        index = int(np.flatnonzero(~even)[0])
        raise ShapeError(
            f"time[{index}]: expected a whole hour, 3600 s after the one before, got {at_s[index]:.0f} s "
            f"after {at_s[max(0, index - 1)]:.0f} s"
        )
    old_s = now.timestamp() - float(at_s[0])
    if not -STEP_S <= old_s <= OLDEST_BEGIN_S:
        raise ShapeError(
            f"time[0]: expected the day of {now:%Y-%m-%d %H:%M} UTC, got a beginning {old_s / 3600.0:+.0f} h "
            "old; is the clock of this machine right?"
        )


def _last_usable(temp_c: FloatArray, at_s: FloatArray, now: datetime) -> int:
    """Return the index of the last hour with a temperature; services end with nulls where a model ends."""
    low, high = TEMP_RANGE_C
    known = np.isfinite(temp_c)
    if (absurd := known & ~((temp_c >= low) & (temp_c <= high))).any():
        index = int(np.flatnonzero(absurd)[0])
        raise ShapeError(f"temperature[{index}]: expected {low:g} to {high:g} °C, got {temp_c[index]:g} °C")
    ahead = known & (at_s >= now.timestamp())
    if int(ahead.sum()) < LEAST_AHEAD_H:
        raise ShapeError(
            f"temperature: expected at least {LEAST_AHEAD_H} hours after {now:%Y-%m-%d %H:%M} UTC, "
            f"got {int(ahead.sum())}"
        )
    return int(np.flatnonzero(known)[-1])


def _is_possible(name: str, values: FloatArray, temp_c: FloatArray) -> bool:
    known = np.isfinite(values) & np.isfinite(temp_c)
    if name == "dew_point_c":
        return bool(
            (values[known] <= temp_c[known] + DEW_OVER_TEMP_K).all() and (values[known] > -100.0).all()
        )
    low, high = RANGES[name]
    known = np.isfinite(values)
    return bool(((values[known] >= low) & (values[known] <= high)).all())
