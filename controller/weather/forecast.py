"""One forecast, whatever service it came from, in one convention."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

import numpy as np

from controller.physics import FloatArray

STEP_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast:
    """An hourly forecast for the site.

    Every array has one value per stamp of ``at_s`` (UTC, seconds since 1970, exactly 3600 s apart).
    Temperatures, wind and cloud are at the stamp; gust, shortwave and precipitation are the maximum, mean and
    sum of the hour before it.  A value that the service does not give is NaN, and its name stands in
    ``missing``: the reader decides what is the careful substitute.  ``spread_k`` is one standard deviation of
    the outside temperature where the service, its members or a second opinion give one; ``members_c`` holds
    an ensemble's runs, shape (members, hours); ``remark`` is what a grower should know about this forecast.
    """

    source: str
    attribution: str
    fetched_at: datetime
    issued_at: datetime | None
    elevation_m: float
    at_s: FloatArray
    outside_temp_c: FloatArray
    dew_point_c: FloatArray
    wind_m_s: FloatArray
    gust_m_s: FloatArray
    cloud_frac: FloatArray
    shortwave_w_m2: FloatArray
    precipitation_mm: FloatArray
    missing: tuple[str, ...] = ()
    spread_k: FloatArray | None = None
    members_c: FloatArray | None = None
    remark: str = ""

    def age_s(self, now: datetime) -> float:
        """Return how long ago the model run began [s], or the fetch where the service does not say."""
        return (now - (self.issued_at or self.fetched_at)).total_seconds()

    @property
    def ends_at(self) -> datetime:
        """The last hour forecast."""
        return datetime.fromtimestamp(float(self.at_s[-1]), tz=UTC)

    def lowest(self, begin: datetime, end: datetime) -> tuple[float, datetime] | None:
        """Return the lowest outside temperature [°C] between two times and when; None if not covered."""
        inside = (self.at_s >= begin.timestamp()) & (self.at_s <= end.timestamp())
        if not inside.any():
            return None
        index = int(np.argmin(np.where(inside, self.outside_temp_c, np.inf)))
        return float(self.outside_temp_c[index]), datetime.fromtimestamp(float(self.at_s[index]), tz=UTC)


class ForecastService(Protocol):
    """Where forecasts come from."""

    def latest(self, now: datetime) -> Forecast:
        """Return the newest forecast; raise ``ForecastError`` when there is none."""
        ...
