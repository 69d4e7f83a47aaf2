"""Open-Meteo: one deterministic forecast, asked for in the units and times used here.

Times are asked for as seconds since 1970 in GMT, because the service labels a whole series with the one
offset that is valid today.  Gusts, sunshine and rain are those of the hour before each time, as in
``Forecast``.  Terms: data CC BY 4.0; the free host is for non-commercial use.
"""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.errors import FetchError, ForecastError, Retry
from controller.site.model import ForecastService, Place
from controller.weather.fetch import fetch, user_agent
from controller.weather.forecast import Forecast
from controller.weather.hours import Origin, assemble, check_place
from controller.weather.shape import column, mapping, number, shown, wrong

SOURCE = "Open-Meteo"
ATTRIBUTION = "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0"
FORECAST_DAYS = 4

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
    """The forecast service at ``settings.base_url``, for one place."""

    def __init__(self, settings: ForecastService, place: Place, contact: str = "") -> None:
        self._settings = settings
        self._place = place
        self._headers = {"User-Agent": user_agent(contact)}

    def latest(self, now: datetime) -> Forecast:
        """Return the newest forecast; raise ``ForecastError`` naming what was wrong with the answer."""
        url = f"{self._settings.base_url.rstrip('/')}/v1/forecast"
        answer = fetch(url, self._params(), headers=self._headers)
        return forecast_from(answer.value, now, self._place)

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
