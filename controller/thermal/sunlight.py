"""Sunshine as a house feels it: its walls catch the low sun that a horizontal meter misses."""

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray
from controller.site.model import Site

# Irradiance above the atmosphere [W/m²]; World Meteorological Organization 1981.
SOLAR_CONSTANT_W_M2 = 1367.0
# At a lower sun its beam is blocked by hedges and hills, and a horizontal meter cannot tell its strength.
LOWEST_ALTITUDE_DEG = 4.0
_DAY_S = 86400.0
_YEAR_DAYS = 365.2422
# 2000-03-20 07:35 UTC, a March equinox.
_EQUINOX_S = 953537700.0


def sun_altitude_deg(at_s: ArrayLike, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the sun's height above the horizon [°].

    Parameters
    ----------
    at_s
        UTC, seconds since 1970, any shape.
    latitude_deg, longitude_deg
        North and east positive.

    Notes
    -----
    A circular orbit corrected by the equation of time and the first harmonic of the declination; good to
    about 0.5°, without refraction.

    References
    ----------
    Equation of time and declination: the short forms in FAO-56 eq. 24, 32 and 33.
    """
    at_s = np.asarray(at_s, dtype=np.float64)
    # Day of the year counted from the equinox, day 80.
    day = np.mod((at_s - _EQUINOX_S) / _DAY_S, _YEAR_DAYS) + 80.0
    declination = 0.409 * np.sin(2.0 * np.pi / 365.0 * day - 1.39)
    b = 2.0 * np.pi * (day - 81.0) / 364.0
    correction_h = 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    hour = np.mod(at_s / 3600.0, 24.0) + longitude_deg / 15.0 + correction_h
    angle = np.pi / 12.0 * (hour - 12.0)
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def diffuse_share(clearness: ArrayLike) -> FloatArray:
    """Return the diffuse share of sunshine for its clearness (share of what there is above the atmosphere).

    References
    ----------
    Erbs, Klein & Duffie 1982, Solar Energy 28(4):293 (coefficients from memory).
    """
    k = np.asarray(clearness, dtype=np.float64)
    middle = 0.9511 - 0.1604 * k + 4.388 * k**2 - 16.638 * k**3 + 12.336 * k**4
    return np.select([np.isnan(k), k <= 0.22, k <= 0.8], [np.nan, 1.0 - 0.09 * k, middle], 0.165)


def sun_on_house_w_m2(shortwave_w_m2: ArrayLike, at_s: ArrayLike, site: Site) -> FloatArray:
    """Return the sunshine that falls on a house for each m² of its floor [W/m²].

    Parameters
    ----------
    shortwave_w_m2
        Sunshine on the horizontal [W/m²].
    at_s
        UTC, seconds since 1970, in the middle of the time it is a mean of.
    site
        Where and how large the house is; its orientation is not known, so the mean over all counts.

    Notes
    -----
    The beam meets roof and walls: for a vertical wall all round, the mean area it sees is the perimeter times
    the height over π, and its strength there the horizontal one times the cotangent of the altitude.  Diffuse
    light meets half of each wall.  What stands around the house is left out.
    """
    sunshine = np.asarray(shortwave_w_m2, dtype=np.float64)
    altitude = np.radians(sun_altitude_deg(at_s, site.place.latitude_deg, site.place.longitude_deg))
    low = np.radians(LOWEST_ALTITUDE_DEG)
    held = np.maximum(altitude, low)
    share = diffuse_share(np.clip(sunshine / (SOLAR_CONSTANT_W_M2 * np.sin(held)), 0.0, 1.0))
    house = site.house
    perimeter_m = 2.0 * (house.length_m + house.width_m)
    wall_share = perimeter_m * house.eaves_height_m / house.floor_area_m2
    beam = np.where(altitude > low, 1.0 + wall_share / (np.pi * np.tan(held)), 1.0)
    return np.asarray(sunshine * (share * (1.0 + 0.5 * wall_share) + (1.0 - share) * beam))
