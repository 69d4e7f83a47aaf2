"""Distances on Earth, and where on it each time zone is.

The database of time zones names one principal place for each (its file ``zone.tab``; ISO 6709 coordinates).
Plain mathematics: the page for phones reads site files too, and shall not need numpy for it.
"""

import math
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

# Mean radius, IUGG.
EARTH_RADIUS_KM = 6371.0
_POINT = re.compile(r"([+-])(\d{2})(\d{2})(\d{2})?([+-])(\d{3})(\d{2})(\d{2})?")


def great_circle_km(lat_a_deg: float, lon_a_deg: float, lat_b_deg: float, lon_b_deg: float) -> float:
    """Return the great-circle distance [km] between two points given in degrees (haversine)."""
    lat_a, lat_b = math.radians(lat_a_deg), math.radians(lat_b_deg)
    half_lat, half_lon = (lat_b - lat_a) / 2, math.radians(lon_b_deg - lon_a_deg) / 2
    chord = math.sin(half_lat) ** 2 + math.cos(lat_a) * math.cos(lat_b) * math.sin(half_lon) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(1.0, chord)))


def place_of(zone: str) -> tuple[float, float] | None:
    """Return latitude and longitude [°] of a zone's principal place; None where the database names none."""
    return _places().get(zone)


@cache
def _places() -> Mapping[str, tuple[float, float]]:
    text = (files("tzdata") / "zoneinfo" / "zone.tab").read_text(encoding="utf-8")
    rows = [line.split("\t") for line in text.splitlines() if line and not line.startswith("#")]
    return {row[2]: _degrees(row[1]) for row in rows}


def _degrees(iso_6709: str) -> tuple[float, float]:
    """Return the two angles of such as '+5320-00615' [°]: degrees, minutes and, in some, seconds."""
    match = _POINT.fullmatch(iso_6709)
    assert match is not None, iso_6709  # noqa: S101 (the database's own form, checked in a test)
    groups = match.groups("0")
    return _angle(*groups[:4]), _angle(*groups[4:])


def _angle(sign: str, degrees: str, minutes: str, seconds: str) -> float:
    size = int(degrees) + int(minutes) / 60.0 + int(seconds) / 3600.0
    return -size if sign == "-" else size
