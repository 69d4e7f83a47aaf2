"""The US National Weather Service: the raw layers of one grid point, free for everybody.

A place is first resolved to a grid point, which is kept until the service no longer knows it.  Layers hold
intervals of different lengths with one value each; they are spread over their hours.  It has no sunshine.
Terms: public domain; an identifying User-Agent.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import numpy as np

from controller.errors import FetchError, Retry
from controller.physics import FloatArray
from controller.site.model import ForecastService, Place
from controller.weather.forecast import STEP_S, Forecast
from controller.weather.hours import Origin, assemble, check_place
from controller.weather.polite import Polite
from controller.weather.shape import column, instant, mapping, number, sequence, text, wrong

SOURCE = "US National Weather Service"
ATTRIBUTION = "Forecast by the US National Weather Service (https://www.weather.gov/), public domain"
MEDIA = "application/geo+json"
MOST_HOURS = 24 * 10

_KMH = 1.0 / 3.6
# The service's layer and unit, the field it becomes, by which factor, whether it is a sum over its interval,
# and whether ``Forecast`` has it at the end of the hour.
LAYERS: dict[str, tuple[str, str, float, bool, bool]] = {
    "temperature": ("wmoUnit:degC", "outside_temp_c", 1.0, False, False),
    "dewpoint": ("wmoUnit:degC", "dew_point_c", 1.0, False, False),
    "windSpeed": ("wmoUnit:km_h-1", "wind_m_s", _KMH, False, False),
    "windGust": ("wmoUnit:km_h-1", "gust_m_s", _KMH, False, True),
    "skyCover": ("wmoUnit:percent", "cloud_frac", 0.01, False, False),
    "quantitativePrecipitation": ("wmoUnit:mm", "precipitation_mm", 1.0, True, True),
}
_INTERVAL = re.compile(r"P(?:(\d{1,3})D)?(?:T(?:(\d{1,4})H)?)?")
_GRID = re.compile(r"[A-Z]{3}")


class Nws:
    """The service at ``settings.url`` for one place."""

    def __init__(self, settings: ForecastService, place: Place, contact: str = "") -> None:
        self._base_url = settings.url
        self._place = place
        self._points, self._grid = Polite(contact, MEDIA), Polite(contact, MEDIA)
        self._path = ""
        self._last: Forecast | None = None

    def latest(self, now: datetime) -> Forecast:
        """Return the newest forecast: the same one again while it stands."""
        if not self._path:
            place = f"{self._place.latitude_deg:.4f},{self._place.longitude_deg:.4f}"
            document, _ = self._points.get(f"{self._base_url}/points/{place}", {}, now)
            self._path = grid_path(document)
        try:
            document, new = self._grid.get(f"{self._base_url}{self._path}", {}, now)
            if new or self._last is None:
                self._last = forecast_from(document, now, self._place)
        except Exception:
            # the grid may have been drawn anew: resolve the place again, and read the next answer whole
            self._path = ""
            self._points.forget()
            self._grid.forget()
            raise
        return self._last


def grid_path(document: Any) -> str:
    """Return the path of the grid point that a place lies in, from the service's answer about the place."""
    properties = mapping(mapping(document, "answer").get("properties"), "properties")
    office = text(properties.get("gridId"), "properties.gridId")
    if not _GRID.fullmatch(office):
        raise wrong("properties.gridId", "three capital letters", office)
    x, y = (_grid_number(properties.get(key), f"properties.{key}") for key in ("gridX", "gridY"))
    return f"/gridpoints/{office}/{x},{y}"


def _grid_number(value: Any, field: str) -> int:
    """Return a grid index; it has come as a number and as a text."""
    if re.fullmatch(r"\d{1,4}", str(value)) is None or isinstance(value, bool):
        raise wrong(field, "a grid index", value)
    return int(value)


def forecast_from(document: Any, now: datetime, place: Place) -> Forecast:
    """Return the forecast in a grid point's raw layers; raise ``ShapeError`` naming what is wrong."""
    top = mapping(document, "answer")
    if isinstance(top.get("status"), int) and "detail" in top:
        raise FetchError(f"the service is in trouble: {top['detail']!r}", Retry.SOON)
    properties = mapping(top.get("properties"), "properties")
    check_place(*_middle(mapping(top.get("geometry"), "geometry")), place)
    elevation = mapping(properties.get("elevation"), "properties.elevation")
    if elevation.get("unitCode") != "wmoUnit:m":
        raise wrong("properties.elevation.unitCode", "'wmoUnit:m'", elevation.get("unitCode"))
    layers = {name: _intervals(properties, name) for name in LAYERS}
    at_s = _hours(layers["temperature"])
    columns = {
        field: _spread_out(at_s, layers[name], is_sum=is_sum, at_end=at_end) * factor
        for name, (_, field, factor, is_sum, at_end) in LAYERS.items()
    }
    origin = Origin(SOURCE, ATTRIBUTION, instant(properties.get("updateTime"), "properties.updateTime"))
    return assemble(
        origin,
        now,
        place,
        elevation_m=number(elevation.get("value"), "properties.elevation.value"),
        at_s=at_s,
        columns=columns,
    )


def _middle(geometry: Mapping[str, Any]) -> tuple[float, float]:
    """Return latitude and longitude of the middle of the grid cell."""
    field = "geometry.coordinates"
    rings = sequence(geometry.get("coordinates"), field)
    corners = [column(corner, field, 2) for corner in sequence(rings[0] if rings else None, field)]
    if not corners:
        raise wrong(field, "the corners of a cell", corners)
    longitude, latitude = np.mean(corners, axis=0)
    return float(latitude), float(longitude)


# One interval: begin [s], hours, value.
_Interval = tuple[float, int, float]


def _intervals(properties: Mapping[str, Any], name: str) -> list[_Interval]:
    """Return a layer's intervals; one that is not there, or empty, has none."""
    field = f"properties.{name}"
    layer = mapping(properties.get(name, {}), field)
    values = sequence(layer.get("values", []), f"{field}.values")
    if values and layer.get("uom") != LAYERS[name][0]:
        raise wrong(f"{field}.uom", repr(LAYERS[name][0]), layer.get("uom"))
    return [_interval(value, f"{field}.values[{i}]") for i, value in enumerate(values)]


def _interval(value: Any, field: str) -> _Interval:
    entry = mapping(value, field)
    begin, _, length = text(entry.get("validTime"), f"{field}.validTime").partition("/")
    found = _INTERVAL.fullmatch(length)
    hours = 24 * int(found[1] or 0) + int(found[2] or 0) if found else 0
    if hours == 0:
        raise wrong(f"{field}.validTime", "a time and a length such as PT3H", entry.get("validTime"))
    amount = entry.get("value")
    known = float("nan") if amount is None else number(amount, f"{field}.value")
    return instant(begin, f"{field}.validTime").timestamp(), hours, known


def _hours(intervals: list[_Interval]) -> FloatArray:
    """Return the hours that the temperature's intervals cover."""
    if not intervals:
        raise wrong("properties.temperature.values", "intervals", intervals)
    first_s = min(begin for begin, _, _ in intervals)
    last_s = max(begin + hours * STEP_S for begin, hours, _ in intervals)
    count = int(min((last_s - first_s) // STEP_S, MOST_HOURS))
    return np.asarray(first_s + STEP_S * np.arange(count))


def _spread_out(at_s: FloatArray, intervals: list[_Interval], *, is_sum: bool, at_end: bool) -> FloatArray:
    """Return one value an hour; a sum is shared by the hours of its interval."""
    values = np.full(len(at_s), np.nan)
    for index, value in _hour_values(at_s, intervals, is_sum=is_sum, at_end=at_end):
        values[index] = value
    return values


def _hour_values(
    at_s: FloatArray, intervals: list[_Interval], *, is_sum: bool, at_end: bool
) -> Iterator[tuple[slice, float]]:
    for begin_s, hours, value in intervals:
        first = int((begin_s - at_s[0]) // STEP_S) + int(at_end)
        yield slice(max(0, first), max(0, first + hours)), value / hours if is_sum else value
