"""Open-Meteo: one deterministic forecast, asked for in the units and times used here.

Times are asked for as seconds since 1970 in GMT, because the service labels a whole series with the one
offset that is valid today.  Gusts, sunshine and rain are those of the hour before each time, as in
``Forecast``.  Terms: data CC BY 4.0; the free host is for non-commercial use.
"""

import re
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import FetchError, ForecastError, Retry, ShapeError
from controller.physics import FloatArray
from controller.site.model import ForecastService, Place
from controller.weather.fetch import fetch, user_agent
from controller.weather.forecast import Forecast
from controller.weather.hours import TEMP_RANGE_C, Origin, assemble, check_place
from controller.weather.shape import column, mapping, number, shown, wrong

SOURCE = "Open-Meteo"
ENSEMBLE_SOURCE = "Open-Meteo ensemble"
ATTRIBUTION = "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0"
FORECAST_DAYS = 4
# A worldwide ensemble of 51 runs.
ENSEMBLE_MODEL = "ecmwf_ifs025_ensemble"
# Fewer runs than this, or than half of those announced, are no ensemble.
LEAST_MEMBERS = 5

# The service's name and unit, and the field of ``Forecast`` it becomes times a factor.
HOURLY: dict[str, tuple[str, str, float]] = {
    "temperature_2m": ("°C", "outside_temp_c", 1.0),
    "dew_point_2m": ("°C", "dew_point_c", 1.0),
    "wind_speed_10m": ("m/s", "wind_m_s", 1.0),
    "wind_gusts_10m": ("m/s", "gust_m_s", 1.0),
    "cloud_cover": ("%", "cloud_frac", 0.01),
    "shortwave_radiation": ("W/m²", "shortwave_w_m2", 1.0),
    "precipitation": ("mm", "precipitation_mm", 1.0),
}
# The unit the service gives a quantity its model does not have.
NOT_GIVEN = "undefined"
_KEY_MOST_CHARS = 200


class OpenMeteo:
    """The forecast service at ``settings.url``, for one place."""

    def __init__(self, settings: ForecastService, place: Place, contact: str = "") -> None:
        self._settings = settings
        self._place = place
        self._headers = {"User-Agent": user_agent(contact)}

    def latest(self, now: datetime) -> Forecast:
        """Return the newest forecast; raise ``ForecastError`` naming what was wrong with the answer."""
        is_ensemble = self._settings.kind == "open-meteo-ensemble"
        url = f"{self._settings.url}/v1/{'ensemble' if is_ensemble else 'forecast'}"
        params = self._params()
        if model := self._settings.model or (ENSEMBLE_MODEL if is_ensemble else ""):
            params["models"] = model
        answer = fetch(url, params, headers=self._headers)
        read = ensemble_from if is_ensemble else forecast_from
        return read(answer.value, now, self._place)

    def _params(self) -> dict[str, str]:
        params = {
            "latitude": f"{self._place.latitude_deg:.4f}",
            "longitude": f"{self._place.longitude_deg:.4f}",
            "elevation": f"{self._place.elevation_m:g}",
            "hourly": ",".join(HOURLY),
            "wind_speed_unit": "ms",
            "timeformat": "unixtime",
            "timezone": "GMT",
            "forecast_days": str(FORECAST_DAYS),
        }
        if self._settings.key_file is not None:
            params["apikey"] = read_key(Path(self._settings.key_file))
        return params


def read_key(path: Path) -> str:
    """Return an access key from its file; raise ``FetchError`` if there is none."""
    try:
        key = path.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise FetchError(
            f"key_file {path}: cannot be read ({type(error).__name__})", Retry.WHEN_MENDED
        ) from error
    if not key or len(key) > _KEY_MOST_CHARS or not key.isprintable() or " " in key:
        raise FetchError(f"key_file {path}: expected one access key and nothing else", Retry.WHEN_MENDED)
    return key


def forecast_from(
    document: Any, now: datetime, place: Place, *, source: str = SOURCE, attribution: str = ATTRIBUTION
) -> Forecast:
    """Return the forecast in an answer of Open-Meteo's form.

    Parameters
    ----------
    document
        The JSON document, as parsed.
    now
        When it was fetched.
    place
        The site; the answer must be for it, and temperatures are brought to its height.
    source, attribution
        How the forecast is named to people.

    Raises
    ------
    ShapeError
        The document is not what its documentation promises; the text names the field.
    """
    top = checked_top(document, place)
    units = mapping(top.get("hourly_units"), "hourly_units")
    hourly = mapping(top.get("hourly"), "hourly")
    length = len(hourly["time"]) if isinstance(hourly.get("time"), list) else 0
    at_s = column(hourly.get("time"), "hourly.time", length)
    columns = {}
    for name, (unit, field, factor) in HOURLY.items():
        came = units.get(name)
        if came == NOT_GIVEN and name != "temperature_2m":
            continue
        if came != unit:
            raise wrong(f"hourly_units.{name}", f"{unit!r}", came)
        columns[field] = column(hourly.get(name), f"hourly.{name}", length) * factor
    elevation_m = number(top.get("elevation"), "elevation")
    return assemble(
        Origin(source, attribution), now, place, elevation_m=elevation_m, at_s=at_s, columns=columns
    )


def ensemble_from(document: Any, now: datetime, place: Place) -> Forecast:
    """Return the forecast in an answer of the ensemble's form: means of its runs, their spread, and they.

    Runs are found by name, never by count: the service leaves out what it could not read and numbers the
    rest anew.  A run without a temperature for the coming day is left out.  Other quantities are means.
    """
    top = checked_top(document, place)
    hourly = mapping(top.get("hourly"), "hourly")
    units = mapping(top.get("hourly_units"), "hourly_units")
    length = len(hourly["time"]) if isinstance(hourly.get("time"), list) else 0
    at_s = column(hourly.get("time"), "hourly.time", length)
    runs = {
        field: np.array(
            [column(hourly[n], f"hourly.{n}", length) for n in _runs_of(name, unit, hourly, units)]
        )
        * factor
        for name, (unit, field, factor) in HOURLY.items()
    }
    coming = (at_s >= now.timestamp()) & (at_s <= now.timestamp() + 86400.0)
    all_c = runs.pop("outside_temp_c")
    low_c, high_c = TEMP_RANGE_C
    # one absurd run would move the mean by degrees and still look like weather
    whole = [np.isfinite(run[coming]).all() and not ((run < low_c) | (run > high_c)).any() for run in all_c]
    members_c = all_c[np.array(whole, dtype=bool)]
    if len(members_c) < max(LEAST_MEMBERS, len(all_c) / 2):
        raise ShapeError(
            f"hourly.temperature_2m_member..: expected at least {LEAST_MEMBERS} whole runs and half of all, "
            f"got {len(members_c)} of {len(all_c)}"
        )
    temp_c, spread_k = members_c.mean(axis=0), members_c.std(axis=0, ddof=1)
    columns = {field: _mean(values) for field, values in runs.items() if len(values)}
    return assemble(
        Origin(ENSEMBLE_SOURCE, ATTRIBUTION),
        now,
        place,
        elevation_m=number(top.get("elevation"), "elevation"),
        at_s=at_s,
        columns=columns | {"outside_temp_c": temp_c, "spread_k": spread_k},
        members_c=members_c,
    )


def _runs_of(name: str, unit: str, hourly: Mapping[str, Any], units: Mapping[str, Any]) -> list[str]:
    """Return the names under which an ensemble gives a quantity; those of another unit are named."""
    names = [key for key in hourly if re.fullmatch(rf"{name}(_member\d{{2,3}})?", key)]
    names = [key for key in names if units.get(key) != NOT_GIVEN]
    for key in names:
        if units.get(key) != unit:
            raise wrong(f"hourly_units.{key}", repr(unit), units.get(key))
    return names


def _mean(runs: FloatArray) -> FloatArray:
    """Return the mean of the runs that know an hour, NaN where none does."""
    known = np.isfinite(runs)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, runs, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def checked_top(document: Any, place: Place) -> Mapping[str, Any]:
    """Return an answer's outer object once it is sure to be an answer, in GMT and for this place."""
    top = mapping(document, "answer")
    if top.get("error"):
        raise ForecastError(f"the service refused: {shown(top.get('reason'))}", Retry.WHEN_MENDED)
    offset_s = number(top.get("utc_offset_seconds"), "utc_offset_seconds")
    if offset_s != 0.0:
        raise wrong("utc_offset_seconds", "0 (GMT was asked for)", offset_s)
    check_place(number(top.get("latitude"), "latitude"), number(top.get("longitude"), "longitude"), place)
    unit = mapping(top.get("hourly_units"), "hourly_units").get("time")
    if unit != "unixtime":
        raise wrong("hourly_units.time", "'unixtime'", unit)
    return top
