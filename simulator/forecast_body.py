"""What a forecast service says about a simulated sky, in the Open-Meteo form, right or wrong.

The form is that of Open-Meteo's public documentation: query-driven, GMT, arrays by the hour from midnight,
units beside them, sunshine and rain of the hour before each stamp.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qs

import numpy as np

from controller.physics import FloatArray, saturation_vapour_pressure_kpa, wet_bulb_c
from controller.site.model import Place
from simulator.night import ForecastFault
from simulator.sky import Sky
from simulator.sun import diffuse_share

HOUR_S = 3600.0
DAY_S = 86400.0
# A model run starts every six hours and is served two and a half hours later (from memory of such services).
RUN_EVERY_S = 6 * HOUR_S
SERVED_AFTER_S = 2.5 * HOUR_S
# How far a stalled service lags behind [s].
STALLED_S = 48 * HOUR_S
# Grid of the model [°]; an answer carries the place of its cell.
GRID_DEG = 0.0625
# A gust is taken as half more than the mean wind (estimate).
GUST_FACTOR = 1.5
# Error of the forecast: what share is common to all runs, how long it lasts [h], and how it grows with the
# lead [h] (a forecast's error depends less on its range than one would think).
COMMON_SHARE = 0.8
ERROR_LASTS_H = 12.0
GROWTH_LEAD_H, GROWTH = (0.0, 24.0, 96.0), (0.5, 1.0, 2.0)

# How much warmer a night under cloud is said to be than the clear one that comes [K] (estimate).
CLOUD_WARMS_K = 5.0

# Wind above which a clear night is mixed and a model has it right [m/s] (estimate).
CALM_M_S = 4.0

# Ways in which what is said can be wrong, each with what a client sees.
WRONG_BODIES: dict[str, str] = {
    "null-tail": "no temperature for the last two days",
    "undefined": "a temperature column of nothing but null",
    "wrong-units": "temperatures in °F whatever was asked for",
    "wrong-length": "a column shorter than the stamps",
    "repeated-hours": "a stamp that is there twice",
    "missing-hours": "a day from which some hours are left out",
    "overcast": "full cloud and the warmth it keeps, whatever the sky does",
    "impossible": "dew points above the air, wind below zero, humidity beyond all",
    "old-hours": "hours that begin four days ago",
    "stale": "200 from a model run of two days ago",
}


class BadQueryError(ValueError):
    """A request asks for something this service does not have."""


# The unit of each variable, and its decimals.
_VARIABLES: dict[str, tuple[str, int]] = {
    "temperature_2m": ("°C", 1),
    "dew_point_2m": ("°C", 1),
    "wet_bulb_temperature_2m": ("°C", 1),
    "relative_humidity_2m": ("%", 0),
    "wind_speed_10m": ("m/s", 2),
    "wind_gusts_10m": ("m/s", 2),
    "cloud_cover": ("%", 0),
    "cloud_cover_low": ("%", 0),
    "cloud_cover_mid": ("%", 0),
    "cloud_cover_high": ("%", 0),
    "shortwave_radiation": ("W/m²", 1),
    "direct_radiation": ("W/m²", 1),
    "diffuse_radiation": ("W/m²", 1),
    "precipitation": ("mm", 2),
    "rain": ("mm", 2),
    "snowfall": ("cm", 2),
    "surface_pressure": ("hPa", 1),
}
_WIND_UNITS = {"kmh": ("km/h", 3.6), "ms": ("m/s", 1.0), "mph": ("mp/h", 2.23694), "kn": ("kn", 1.94384)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """What a request asks for."""

    hourly: tuple[str, ...]
    elevation_m: float | None = None
    fahrenheit: bool = False
    wind_unit: str = "kmh"
    unix_time: bool = False
    past_days: int = 0
    forecast_days: int = 7

    @classmethod
    def of(cls, text: str) -> "Query":
        """Return a request from the text after the question mark; raise ``BadQueryError`` with a reason."""
        given = {key: values[-1] for key, values in parse_qs(text).items()}
        for key in ("latitude", "longitude"):
            _number(given, key, 0.0, required=True)
        if given.get("timezone", "GMT") not in {"GMT", "UTC"}:
            raise BadQueryError("Invalid timezone: this stand-in serves GMT")
        hourly = tuple(name for name in given.get("hourly", "").split(",") if name)
        for name in hourly:
            if name not in _VARIABLES:
                raise BadQueryError(f"Cannot initialize from invalid String value {name} for key hourly")
        return cls(
            hourly=hourly,
            elevation_m=_number(given, "elevation", math.nan) if "elevation" in given else None,
            fahrenheit=_choice(given, "temperature_unit", ("celsius", "fahrenheit")) == "fahrenheit",
            wind_unit=_choice(given, "wind_speed_unit", tuple(_WIND_UNITS)),
            unix_time=_choice(given, "timeformat", ("iso8601", "unixtime")) == "unixtime",
            past_days=int(_number(given, "past_days", 0, low=0, high=92)),
            forecast_days=int(_number(given, "forecast_days", 7, low=0, high=16)),
        )


# What Rimeward's own client asks for, for rehearsals without HTTP.
USUAL_QUERY = Query(
    hourly=(
        "temperature_2m",
        "dew_point_2m",
        "relative_humidity_2m",
        "wind_speed_10m",
        "wind_gusts_10m",
        "cloud_cover",
        "cloud_cover_low",
        "shortwave_radiation",
        "direct_radiation",
        "diffuse_radiation",
        "precipitation",
        "snowfall",
    ),
    wind_unit="ms",
    unix_time=True,
    past_days=2,
    forecast_days=4,
)


def forecast_body(
    sky: Sky,
    place: Place,
    fault: ForecastFault,
    seed: int,
    now: datetime,
    query: Query = USUAL_QUERY,
    faults: Iterable[str] = (),
) -> dict[str, Any]:
    """Return what the service says at a time, before it becomes text.

    Parameters
    ----------
    sky, place
        The truth, and where.
    fault : ForecastFault
        How far the forecast is off.
    seed : int
        Decides its random error; the same run says the same at every request.
    now : datetime
        When the request comes, aware.
    query : Query
        What it asks for.
    faults : iterable of str
        Names of ``WRONG_BODIES``; others change nothing here.
    """
    faults = frozenset(faults) | ({"overcast"} if fault.overcast else set())
    run_s = latest_run(now, stalled="stale" in faults).timestamp()
    midnight_s = now.timestamp() // DAY_S * DAY_S - (4 * DAY_S if "old-hours" in faults else 0.0)
    hours = 24 * (query.past_days + query.forecast_days)
    at_s = midnight_s - query.past_days * DAY_S + HOUR_S * np.arange(hours, dtype=np.float64)
    columns = _columns(sky, at_s, temperature_error_k(sky, fault, seed, run_s, at_s))
    series: dict[str, list[Any]] = {"time": _stamps(at_s, unix_time=query.unix_time)}
    units = {"time": "unixtime" if query.unix_time else "iso8601"}
    for name in query.hourly:
        units[name], series[name] = _as_asked(name, columns[name], query)
    _spoil(series, units, faults)
    head: dict[str, Any] = {
        "latitude": round(round(place.latitude_deg / GRID_DEG) * GRID_DEG, 4),
        "longitude": round(round(place.longitude_deg / GRID_DEG) * GRID_DEG, 4),
        "generationtime_ms": 0.1,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
    }
    elevation_m = place.elevation_m if query.elevation_m is None else query.elevation_m
    if not math.isnan(elevation_m):
        head["elevation"] = float(elevation_m)
    if query.hourly:
        head |= {"hourly_units": units, "hourly": series}
    return head


def latest_run(now: datetime, *, stalled: bool = False) -> datetime:
    """Return when the model run began that is served at a time."""
    ready_s = now.timestamp() - SERVED_AFTER_S - (STALLED_S if stalled else 0.0)
    return datetime.fromtimestamp(ready_s // RUN_EVERY_S * RUN_EVERY_S, tz=UTC)


def temperature_error_k(
    sky: Sky, fault: ForecastFault, seed: int, run_s: float, at_s: FloatArray
) -> FloatArray:
    """Return how far a run's temperature is off [K] at each time.

    A part of the error stays from run to run, because a model is wrong about a place in its own way; both
    parts last for half a day.
    """
    steady_k = fault.bias_k + _of_regime_k(sky, fault, at_s) + _busts_k(sky, fault, seed, at_s)
    if fault.noise_k == 0.0:
        return steady_k
    common = _course(seed, 0, sky.begin.timestamp(), at_s)
    own = _course(seed, int(run_s), run_s - 30 * DAY_S, at_s)
    mixed = COMMON_SHARE * common + (1.0 - COMMON_SHARE**2) ** 0.5 * own
    growth = np.interp((at_s - run_s) / HOUR_S, GROWTH_LEAD_H, GROWTH)
    return np.asarray(steady_k + fault.noise_k * growth * mixed)


def _of_regime_k(sky: Sky, fault: ForecastFault, at_s: FloatArray) -> FloatArray:
    """Return the error of clear, calm nights [K]: models mix the air near the ground too well then."""
    if fault.clear_night_bias_k == 0.0:
        return np.zeros(len(at_s))
    begin_s = sky.begin.timestamp()
    rows = [sky.at_s(float(s) - begin_s) for s in at_s]
    share = [
        (1.0 - row.cloud_frac) * max(0.0, 1.0 - row.wind_m_s / CALM_M_S) if row.shortwave_w_m2 < 1.0 else 0.0
        for row in rows
    ]
    return fault.clear_night_bias_k * np.array(share)


def _busts_k(sky: Sky, fault: ForecastFault, seed: int, at_s: FloatArray) -> FloatArray:
    """Return the error of nights that are altogether wrong [K]; they rise and fall about the dawn."""
    if fault.bust_chance == 0.0:
        return np.zeros(len(at_s))
    day = np.floor((at_s - DAY_S / 2.0) / DAY_S).astype(int)  # midday to midday
    first = math.floor(sky.begin.timestamp() / DAY_S) - 2
    chance = np.random.default_rng([seed, 0x62757374])
    count = int(day.max()) - first + 2
    wrong = chance.random(count) < fault.bust_chance
    signs = np.where(chance.random(count) < 0.5, -1.0, 1.0)
    since_midday = (at_s - DAY_S / 2.0) / DAY_S - day
    return np.asarray((wrong * signs)[day - first] * fault.bust_k * np.sin(np.pi * since_midday) ** 2)


def _course(seed: int, run: int, begin_s: float, at_s: FloatArray) -> FloatArray:
    """Return a random course of unit deviation by the hour, the same for the same seed and run."""
    first_h = math.floor(begin_s / HOUR_S)
    count = max(2, math.ceil(float(at_s[-1]) / HOUR_S) - first_h + 2)
    shocks = np.random.default_rng([seed, run, 0x666372]).standard_normal(count)
    keep = math.exp(-1.0 / ERROR_LASTS_H)
    course = np.empty(count)
    value = float(shocks[0])
    for index, shock in enumerate(shocks.tolist()):
        value = keep * value + math.sqrt(1.0 - keep * keep) * shock
        course[index] = value
    return np.interp(at_s / HOUR_S, first_h + np.arange(count), course)


def _columns(sky: Sky, at_s: FloatArray, error_k: FloatArray) -> dict[str, FloatArray]:
    """Return every variable in the service's own units."""
    begin_s = sky.begin.timestamp()
    states = np.array([sky.at_s(float(s) - begin_s) for s in at_s])
    temp_c, dew_c, wind, cloud = states[:, 0] + error_k, states[:, 1] + error_k, states[:, 2], states[:, 3]
    rh_pct = 100.0 * saturation_vapour_pressure_kpa(dew_c) / saturation_vapour_pressure_kpa(temp_c)
    middles_s = HOUR_S * (np.arange(6) + 0.5) / 6.0
    sun = np.array(
        [np.mean([sky.at_s(float(s - HOUR_S + m) - begin_s).shortwave_w_m2 for m in middles_s]) for s in at_s]
    )
    diffuse = sun * diffuse_share(cloud)
    nothing = np.zeros(len(at_s))
    return {
        "temperature_2m": temp_c,
        "dew_point_2m": dew_c,
        "wet_bulb_temperature_2m": wet_bulb_c(temp_c, rh_pct),
        "relative_humidity_2m": np.minimum(rh_pct, 100.0),
        "wind_speed_10m": wind,
        "wind_gusts_10m": GUST_FACTOR * wind,
        "cloud_cover": 100.0 * cloud,
        "cloud_cover_low": 100.0 * cloud,
        "cloud_cover_mid": nothing,
        "cloud_cover_high": nothing,
        "shortwave_radiation": sun,
        "direct_radiation": sun - diffuse,
        "diffuse_radiation": diffuse,
        "precipitation": nothing,
        "rain": nothing,
        "snowfall": nothing,
        "surface_pressure": 10.0 * states[:, 6],
    }


def _as_asked(name: str, values: FloatArray, query: Query) -> tuple[str, list[Any]]:
    """Return a column's unit and its values as JSON has them."""
    unit, decimals = _VARIABLES[name]
    if unit == "°C" and query.fahrenheit:
        unit, values = "°F", values * 1.8 + 32.0
    elif unit == "m/s":
        unit, factor = _WIND_UNITS[query.wind_unit]
        values = values * factor
    if decimals == 0:
        return unit, np.rint(values).astype(int).tolist()
    return unit, (np.round(values, decimals) + 0.0).tolist()  # + 0.0 makes a -0.0 a 0.0


def _stamps(at_s: FloatArray, *, unix_time: bool) -> list[Any]:
    if unix_time:
        return np.rint(at_s).astype(int).tolist()  # type: ignore[no-any-return]
    return [datetime.fromtimestamp(s, tz=UTC).strftime("%Y-%m-%dT%H:%M") for s in at_s.tolist()]


def _spoil(series: dict[str, list[Any]], units: dict[str, str], faults: frozenset[str]) -> None:
    """Change what is said, as the faults have it."""
    temps = series.get("temperature_2m")
    if temps is None:
        return
    if "null-tail" in faults:
        temps[-48:] = [None] * len(temps[-48:])
    if "undefined" in faults:
        units["temperature_2m"] = "undefined"
        temps[:] = [None] * len(temps)
    if "wrong-units" in faults:
        units["temperature_2m"] = "°F"
        temps[:] = [value if value is None else round(value * 1.8 + 32.0, 1) for value in temps]
    if "wrong-length" in faults:
        del temps[-1]
    if "repeated-hours" in faults:
        series["time"][-1] = series["time"][-2]
    if "missing-hours" in faults:
        for column in series.values():
            del column[30:34]
    _mislead(series, temps, faults)


def _mislead(series: dict[str, list[Any]], temps: list[Any], faults: frozenset[str]) -> None:
    """Change the weather that is told, in the form it should have."""
    if "overcast" in faults:
        temps[:] = [value if value is None else round(value + CLOUD_WARMS_K, 1) for value in temps]
        for name in ("cloud_cover", "cloud_cover_low"):
            series[name][:] = [100] * len(series[name])
    if "impossible" in faults:
        series["dew_point_2m"][:] = [None if value is None else value + 9.0 for value in temps]
        series["wind_speed_10m"][:] = [-1.0] * len(series["wind_speed_10m"])
        series["relative_humidity_2m"][:] = [140] * len(series["relative_humidity_2m"])


def _number(
    given: Mapping[str, str],
    key: str,
    default: float,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    required: bool = False,
) -> float:
    text = given.get(key)
    if text is None:
        if required:
            raise BadQueryError(f"Parameter '{key}' is missing")
        return default
    try:
        value = float(text)
    except ValueError:
        raise BadQueryError(f"Value of type 'Float' required for key '{key}'") from None
    if value < low or value > high:
        raise BadQueryError(f"Parameter '{key}' must be between {low:g} and {high:g}")
    return value


def _choice(given: Mapping[str, str], key: str, known: tuple[str, ...]) -> str:
    value = given.get(key, known[0])
    if value not in known:
        raise BadQueryError(f"Cannot initialize from invalid String value {value} for key {key}")
    return value
