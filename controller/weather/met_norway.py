"""MET Norway's Locationforecast 2.0, worldwide and free for commerce too.

Its periods look forward from each time where ``Forecast`` looks back, so rain is moved by an hour.  After
two to three days its steps are six hours; the forecast ends where the hours end.  It has no sunshine, and
gusts and a spread only in the Nordic countries.  Terms: NLOD 2.0 / CC BY 4.0; an identifying User-Agent, at
most four decimals, nothing asked again before it expires.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np

from controller.errors import FetchError, Retry
from controller.physics import FloatArray, dew_point_c, vapour_pressure_kpa
from controller.site.model import ForecastService, Place
from controller.weather.forecast import STEP_S, Forecast
from controller.weather.hours import TEMP_RANGE_C, Origin, assemble, check_place
from controller.weather.polite import Polite
from controller.weather.shape import instant, mapping, number, sequence, shown, wrong

SOURCE = "MET Norway"
ATTRIBUTION = "Data from MET Norway (https://api.met.no/), NLOD 2.0 / CC BY 4.0"
PATH = "/weatherapi/locationforecast/2.0/complete"

# The service's name and unit, the field it becomes, and by which factor.
INSTANT: dict[str, tuple[str, str, float]] = {
    "air_temperature": ("celsius", "outside_temp_c", 1.0),
    "dew_point_temperature": ("celsius", "dew_point_c", 1.0),
    "relative_humidity": ("%", "rh_pct", 1.0),
    "wind_speed": ("m/s", "wind_m_s", 1.0),
    "wind_speed_of_gust": ("m/s", "gust_m_s", 1.0),
    "cloud_area_fraction": ("%", "cloud_frac", 0.01),
    "air_temperature_percentile_10": ("celsius", "p10_c", 1.0),
    "air_temperature_percentile_90": ("celsius", "p90_c", 1.0),
}
# Between the 10th and the 90th percentile of a normal distribution lie this many standard deviations.
P10_TO_P90_SDS = 2.5631


class MetNorway:
    """Locationforecast at ``settings.url`` for one place."""

    def __init__(self, settings: ForecastService, place: Place, contact: str = "") -> None:
        self._url = f"{settings.url}{PATH}"
        self._place = place
        self._polite = Polite(contact)
        self._last: Forecast | None = None

    def latest(self, now: datetime) -> Forecast:
        """Return the newest forecast: the same one again while it stands."""
        params = {
            "lat": f"{self._place.latitude_deg:.4f}",
            "lon": f"{self._place.longitude_deg:.4f}",
            "altitude": f"{self._place.elevation_m:.0f}",
        }
        document, new = self._polite.get(self._url, params, now)
        if self._last is None or new:
            try:
                self._last = forecast_from(document, now, self._place)
            except Exception:
                self._polite.forget()
                raise
        return self._last


def forecast_from(document: Any, now: datetime, place: Place) -> Forecast:
    """Return the forecast in a Locationforecast document; raise ``ShapeError`` naming what is wrong."""
    top = mapping(document, "answer")
    properties = mapping(top.get("properties"), "properties")
    meta = mapping(properties.get("meta"), "properties.meta")
    if "error" in meta:
        raise FetchError(f"the service has no forecast: {shown(meta['error'])}", Retry.WHEN_MENDED)
    elevation_m = _checked_elevation(top, place)
    units = mapping(meta.get("units"), "properties.meta.units")
    steps = _hourly(sequence(properties.get("timeseries"), "properties.timeseries"))
    at_s = np.array([at for at, _ in steps])
    columns = _columns([data for _, data in steps], units)
    origin = Origin(SOURCE, ATTRIBUTION, instant(meta.get("updated_at"), "properties.meta.updated_at"))
    return assemble(origin, now, place, elevation_m=elevation_m, at_s=at_s, columns=columns)


def _checked_elevation(top: Mapping[str, Any], place: Place) -> float:
    field = "geometry.coordinates"
    point = sequence(mapping(top.get("geometry"), "geometry").get("coordinates"), field)
    if len(point) not in {2, 3}:
        raise wrong(field, "longitude, latitude and perhaps height", point)
    check_place(number(point[1], f"{field}[1]"), number(point[0], f"{field}[0]"), place)
    return number(point[2], f"{field}[2]") if len(point) == 3 else place.elevation_m


def _hourly(series: list[Any]) -> list[tuple[float, Mapping[str, Any]]]:
    """Return the leading steps that are an hour apart, with their times."""
    steps: list[tuple[float, Mapping[str, Any]]] = []
    for i, value in enumerate(series):
        field = f"timeseries[{i}]"
        step = mapping(value, field)
        at_s = instant(step.get("time"), f"{field}.time").timestamp()
        if steps and at_s - steps[-1][0] > STEP_S:
            break
        steps.append((at_s, mapping(step.get("data"), f"{field}.data")))
    return steps


def _columns(data: list[Mapping[str, Any]], units: Mapping[str, Any]) -> dict[str, FloatArray]:
    columns = {field: np.full(len(data), np.nan) for _, field, _ in INSTANT.values()}
    rain = np.full(len(data), np.nan)
    for i, step in enumerate(data):
        field = f"timeseries[{i}].data"
        instant_part = mapping(step.get("instant"), f"{field}.instant")
        details = mapping(instant_part.get("details"), f"{field}.instant.details")
        for name, (_, column, factor) in INSTANT.items():
            if details.get(name) is not None:
                columns[column][i] = number(details[name], f"{field}.instant.details.{name}") * factor
        hour = mapping(step.get("next_1_hours", {}), f"{field}.next_1_hours")
        amount = mapping(hour.get("details", {}), f"{field}.next_1_hours.details").get("precipitation_amount")
        if amount is not None and i + 1 < len(data):
            rain[i + 1] = number(amount, f"{field}.next_1_hours.details.precipitation_amount")
    _check_units(columns | {"rain": rain}, units)
    rh_pct, low_c, high_c = columns.pop("rh_pct"), columns.pop("p10_c"), columns.pop("p90_c")
    rh_pct = np.where((rh_pct > 0.0) & (rh_pct <= 105.0), np.minimum(rh_pct, 100.0), np.nan)
    low, high = TEMP_RANGE_C
    temp_c = columns["outside_temp_c"]
    possible_c = np.where((temp_c >= low) & (temp_c <= high), temp_c, np.nan)
    from_rh = dew_point_c(vapour_pressure_kpa(possible_c, rh_pct))
    columns["dew_point_c"] = np.where(np.isnan(columns["dew_point_c"]), from_rh, columns["dew_point_c"])
    return columns | {"precipitation_mm": rain, "spread_k": (high_c - low_c) / P10_TO_P90_SDS}


def _check_units(columns: Mapping[str, FloatArray], units: Mapping[str, Any]) -> None:
    expected = {name: (unit, field) for name, (unit, field, _) in INSTANT.items()}
    for name, (unit, field) in (expected | {"precipitation_amount": ("mm", "rain")}).items():
        if np.isfinite(columns[field]).any() and units.get(name) != unit:
            raise wrong(f"properties.meta.units.{name}", repr(unit), units.get(name))
