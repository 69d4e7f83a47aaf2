"""What kind of hour it is: night or day, how strongly the ground can radiate, how still the air is.

Forecasts err by the kind of hour: in a hollow on a clear, still night they are degrees too warm, under cloud
or in wind nearly right.  Each kind is a share from 0 to 1, so that an hour may lie between kinds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray, sky_temp_c
from controller.site.model import Place

# A clear, dry night's difference between air and sky [K]; sky_temp_c gives 17-22 K on a frosty clear night.
CLEAR_DEPRESSION_K = 20.0
# Share of that which a whole cover of cloud takes (Unsworth & Monteith 1975).
CLOUD_SHELTER = 0.84
# Wind that mixes the cold air away [m/s]: at it, stillness is 1/e.  From common practice (frost nights are
# calm below about 2 m/s), no source.
STIRRING_WIND_M_S = 2.5
# What stands in for what a service does not give: half a sky of cloud, a light wind, a moist dew point.
UNKNOWN_CLOUD, UNKNOWN_WIND_M_S, UNKNOWN_DEW_DEPRESSION_K = 0.5, 2.5, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Regime:
    """The kind of each hour; arrays of one shape, each 0..1."""

    night: FloatArray
    radiating: FloatArray
    still: FloatArray

    @property
    def inversion(self) -> FloatArray:
        """How much cold air can gather at the ground."""
        return self.night * self.radiating * self.still


def sun_height(at_s: ArrayLike, place: Place) -> FloatArray:
    """Return the sine of the sun's height above the horizon.

    Notes
    -----
    Declination after Cooper 1969 (as in Duffie & Beckman, from memory), clock time by longitude alone: right
    to about 20 minutes, which is enough to tell night from day.
    """
    days = np.asarray(at_s, dtype=np.float64) / 86400.0
    # 1970 began on a first of January; 365.25 days keep the season
    declination = np.radians(23.45) * np.sin(2.0 * np.pi * (days % 365.25 + 285.0) / 365.25)
    hour_angle = 2.0 * np.pi * (days % 1.0 - 0.5) + np.radians(place.longitude_deg)
    latitude = np.radians(place.latitude_deg)
    return np.asarray(
        np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    )


def regime_of(
    at_s: ArrayLike,
    place: Place,
    *,
    temp_c: ArrayLike,
    dew_point_c: ArrayLike = np.nan,
    wind_m_s: ArrayLike = np.nan,
    cloud_frac: ArrayLike = np.nan,
) -> Regime:
    """Return the kind of each hour from what was forecast for it; NaN takes a middling substitute."""
    temp_c = np.asarray(temp_c, dtype=np.float64)
    cloud = np.where(np.isfinite(cloud_frac), cloud_frac, UNKNOWN_CLOUD)
    wind = np.where(np.isfinite(wind_m_s), wind_m_s, UNKNOWN_WIND_M_S)
    dew = np.where(np.isfinite(dew_point_c), dew_point_c, temp_c - UNKNOWN_DEW_DEPRESSION_K)
    # cold air begins to gather about an hour before sunset: from 6° of sun down to the horizon
    night = np.clip(1.0 - sun_height(at_s, place) / 0.10, 0.0, 1.0)
    depression_k = (temp_c - sky_temp_c(temp_c, dew, 0.0)) * (1.0 - CLOUD_SHELTER * cloud)
    radiating = np.clip(depression_k / CLEAR_DEPRESSION_K, 0.0, 1.0)
    still = np.exp(-np.maximum(wind, 0.0) / STIRRING_WIND_M_S)
    night, radiating, still = np.broadcast_arrays(night, radiating, still)
    return Regime(night, radiating, still)
