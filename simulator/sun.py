"""Where the sun stands and what it gives under a clear or cloudy sky.

Angles are in degrees; times are UTC seconds since 1970.  All functions take scalars or arrays.
"""

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray

# 2000 January 1, 12:00, the epoch of the almanac's formulas (universal and ephemeris time taken as one).
J2000_S = 946728000.0


def solar_elevation_deg(utc_s: ArrayLike, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the sun's true elevation [°] above the horizon, without refraction.

    Parameters
    ----------
    utc_s : array_like
        Time [s since 1970, UTC], within 1950..2050.
    latitude_deg, longitude_deg : float
        Place [°], north and east positive.

    References
    ----------
    Michalsky 1988, Solar Energy 40(3):227, the Astronomical Almanac's short formulas, stated there to hold
    0.01° (coefficients from memory; the tests check them against the example of Reda & Andreas 2004).
    """
    days = (np.asarray(utc_s, dtype=np.float64) - J2000_S) / 86400.0
    mean_longitude_deg = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = np.radians(mean_longitude_deg + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    hour_of_day = (days * 24.0 + 12.0) % 24.0
    sidereal_h = 6.697375 + 0.0657098242 * days + hour_of_day
    hour_angle = np.radians(sidereal_h * 15.0 + longitude_deg) - ascension
    latitude = np.radians(latitude_deg)
    sine = np.sin(declination) * np.sin(latitude)
    sine = sine + np.cos(declination) * np.cos(latitude) * np.cos(hour_angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def clear_sky_w_m2(elevation_deg: ArrayLike) -> FloatArray:
    """Return global irradiance on the horizontal under a clear sky [W/m²]; 0 with the sun down.

    References
    ----------
    Haurwitz 1945, J. Meteorol. 2:154: 1098 cos z exp(-0.059 / cos z).
    """
    cosine = np.sin(np.radians(np.asarray(elevation_deg, dtype=np.float64)))
    up = np.maximum(cosine, 1e-3)
    return np.asarray(np.where(cosine > 1e-3, 1098.0 * up * np.exp(-0.059 / up), 0.0))


def cloudy_sky_w_m2(clear_w_m2: ArrayLike, cloud_frac: ArrayLike) -> FloatArray:
    """Return global irradiance [W/m²] under a share ``cloud_frac`` (0..1) of cloud.

    References
    ----------
    Kasten & Czeplak 1980, Solar Energy 24:177: G = G₀ (1 - 0.75 (N/8)^3.4), N in eighths.
    """
    cloud_frac = np.asarray(cloud_frac, dtype=np.float64)
    return np.asarray(np.asarray(clear_w_m2, dtype=np.float64) * (1.0 - 0.75 * cloud_frac**3.4))


def diffuse_share(cloud_frac: ArrayLike) -> FloatArray:
    """Return which share of the global irradiance is diffuse (Kasten & Czeplak 1980, same place)."""
    return np.asarray(0.3 + 0.7 * np.asarray(cloud_frac, dtype=np.float64) ** 2)
