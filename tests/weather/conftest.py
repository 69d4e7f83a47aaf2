"""A place, a time, and an answer of Open-Meteo's form as its documentation describes it."""

import json
import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from controller.site.model import Place

NOW = datetime(2027, 1, 14, 17, 20, tzinfo=UTC)
DAY_S = datetime(2027, 1, 14, tzinfo=UTC).timestamp()
PLACE = Place(latitude_deg=52.2, longitude_deg=-6.4, elevation_m=30.0, time_zone="Europe/Dublin")

_FIXTURES = next(
    (p / "shared" / "forecast-fixtures" for p in Path(__file__).resolve().parents if (p / "shared").is_dir()),
    None,
)


def recorded(name: str) -> str:
    """Return a real recorded answer, or skip where the folder of recordings is not at hand."""
    if _FIXTURES is None or not (_FIXTURES / name).is_file():
        pytest.skip("the folder of recorded answers is not at hand")
    return (_FIXTURES / name).read_text("utf-8")


def open_meteo_document(hours: int = 96) -> dict[str, Any]:
    """Return a good answer: a cold clear evening at the invented site."""
    index = range(hours)
    return {
        "latitude": 52.2,
        "longitude": -6.4,
        "generationtime_ms": 0.09,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": 30.0,
        "hourly_units": {
            "time": "unixtime",
            "temperature_2m": "°C",
            "dew_point_2m": "°C",
            "wind_speed_10m": "m/s",
            "wind_gusts_10m": "m/s",
            "cloud_cover": "%",
            "shortwave_radiation": "W/m²",
            "precipitation": "mm",
        },
        "hourly": {
            "time": [int(DAY_S) + 3600 * i for i in index],
            "temperature_2m": [round(2.0 + 4.0 * math.sin((i - 9) * math.pi / 12), 1) for i in index],
            "dew_point_2m": [-3.0] * hours,
            "wind_speed_10m": [1.5] * hours,
            "wind_gusts_10m": [3.5] * hours,
            "cloud_cover": [10] * hours,
            "shortwave_radiation": [
                max(0.0, round(200 * math.sin((i - 9) * math.pi / 9), 1)) if 9 <= i % 24 <= 17 else 0.0
                for i in index
            ],
            "precipitation": [0.0] * hours,
        },
    }


def as_asked(text: str) -> dict[str, Any]:
    """Return a recorded answer as the service gives it for the units and times that are asked for here.

    Recordings were asked for in local ISO labels and other units; those are translated by the offset and
    the units they state.
    """
    document: dict[str, Any] = json.loads(text)
    hourly, units = document["hourly"], document["hourly_units"]
    offset_s = document["utc_offset_seconds"]
    hourly["time"] = [
        int(datetime.fromisoformat(t).replace(tzinfo=UTC).timestamp() - offset_s) for t in hourly["time"]
    ]
    units["time"], document["utc_offset_seconds"] = "unixtime", 0
    changes: dict[str, tuple[str, Callable[[float], float]]] = {
        "km/h": ("m/s", lambda v: v / 3.6),
        "mp/h": ("m/s", lambda v: v * 0.44704),
        "°F": ("°C", lambda v: (v - 32) / 1.8),
        "inch": ("mm", lambda v: v * 25.4),
    }
    for name, unit in list(units.items()):
        if unit in changes:
            units[name], change = changes[unit]
            hourly[name] = [None if v is None else change(v) for v in hourly[name]]
    return document


def says(*fields: str) -> str:
    """Return a pattern that all these texts must follow one another in an error."""
    return ".*".join(re.escape(field) for field in fields)
