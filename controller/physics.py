"""Physical constants, moist air and the clear sky: formulas that every room may use.

All functions take scalars or arrays, return ``numpy`` floats or arrays of the broadcast shape, and give NaN
for NaN.  Temperatures are in °C and vapour pressures in kPa, as in FAO Irrigation and Drainage Paper 56
(Allen et al. 1998), "FAO-56" below.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# CODATA 2018, W/(m²·K⁴).
STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.670374419e-8
# Offset between the Celsius and the kelvin scale, exact (BIPM SI brochure).
KELVIN_OFFSET_K = 273.15
# Dry air at 0 °C and 101.325 kPa; ASHRAE Handbook of Fundamentals 2017, ch. 1 (from memory).
AIR_DENSITY_KG_PER_M3 = 1.29
AIR_HEAT_CAPACITY_J_PER_KG_K = 1006.0
STANDARD_PRESSURE_KPA = 101.325
# FAO-56 eq. 15, aspirated psychrometer, 1/K.
PSYCHROMETER_COEFFICIENT_PER_K = 0.000662


def saturation_vapour_pressure_kpa(temp_c: ArrayLike) -> FloatArray:
    """Return the saturation vapour pressure over liquid water [kPa] (FAO-56 eq. 11), valid -40..60 °C."""
    temp_c = np.asarray(temp_c, dtype=np.float64)
    return np.asarray(0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3)))


def saturation_vapour_pressure_over_ice_kpa(temp_c: ArrayLike) -> FloatArray:
    """Return the saturation vapour pressure over ice [kPa], valid -40..0 °C.

    References
    ----------
    Alduchov & Eskridge 1996, J. Appl. Meteorol. 35:601, eq. 23 (coefficients from memory; checked against
    PsychroLib's ASHRAE values in the tests).
    """
    temp_c = np.asarray(temp_c, dtype=np.float64)
    return np.asarray(0.61121 * np.exp(22.587 * temp_c / (temp_c + 273.86)))


def vapour_pressure_kpa(temp_c: ArrayLike, rh_pct: ArrayLike) -> FloatArray:
    """Return the vapour pressure [kPa] of air at ``temp_c`` and ``rh_pct``.

    Relative humidity is over water at all temperatures, as weather services report it (WMO convention).
    """
    return np.asarray(np.asarray(rh_pct, dtype=np.float64) / 100.0 * saturation_vapour_pressure_kpa(temp_c))


def dew_point_c(vapour_pressure: ArrayLike) -> FloatArray:
    """Return the dew point [°C] over water of air at a vapour pressure [kPa]: FAO-56 eq. 11 solved for T."""
    ratio = np.log(np.asarray(vapour_pressure, dtype=np.float64) / 0.6108)
    return np.asarray(237.3 * ratio / (17.27 - ratio))


def frost_point_c(vapour_pressure: ArrayLike) -> FloatArray:
    """Return the temperature [°C] at which rime forms: the saturation temperature over ice.

    Meaningful below 0 °C only; it lies above the dew point there, so rime comes before dew would.
    """
    ratio = np.log(np.asarray(vapour_pressure, dtype=np.float64) / 0.61121)
    return np.asarray(273.86 * ratio / (22.587 - ratio))


def wet_bulb_c(
    temp_c: ArrayLike, rh_pct: ArrayLike, pressure_kpa: float = STANDARD_PRESSURE_KPA
) -> FloatArray:
    """Return the wet-bulb temperature [°C]; below 0 °C of an iced bulb.

    Parameters
    ----------
    temp_c, rh_pct
        Air temperature [°C], -40..60, and relative humidity over water [%], 1..100; broadcast together.
    pressure_kpa
        Air pressure [kPa].

    Notes
    -----
    Solves the psychrometric equation of FAO-56 (eq. 15) by bisection.  Below 0 °C the bulb is iced: the
    saturation pressure is that over ice and the coefficient is smaller by the ratio of the latent heats of
    vaporisation and sublimation (2501/2834, from memory).
    """
    temp_c, rh_pct = np.broadcast_arrays(
        np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
    )
    actual_kpa = vapour_pressure_kpa(temp_c, rh_pct)

    def excess_kpa(bulb_c: FloatArray) -> FloatArray:
        iced = bulb_c < 0.0
        saturation_kpa = np.where(
            iced, saturation_vapour_pressure_over_ice_kpa(bulb_c), saturation_vapour_pressure_kpa(bulb_c)
        )
        coefficient = PSYCHROMETER_COEFFICIENT_PER_K * np.where(iced, 2501.0 / 2834.0, 1.0)
        return np.asarray(saturation_kpa - coefficient * pressure_kpa * (temp_c - bulb_c) - actual_kpa)

    low_c, high_c = temp_c - 40.0, temp_c.copy()
    for _ in range(50):  # 40 K halved fifty times is far below any rounding
        middle_c = 0.5 * (low_c + high_c)
        too_high = excess_kpa(middle_c) > 0.0
        high_c = np.where(too_high, middle_c, high_c)
        low_c = np.where(too_high, low_c, middle_c)
    return np.asarray(np.where(np.isfinite(actual_kpa), 0.5 * (low_c + high_c), np.nan))


def pressure_at_elevation_kpa(elevation_m: float) -> float:
    """Return the mean air pressure [kPa] at an elevation [m] (FAO-56 eq. 7)."""
    return float(101.3 * ((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26)


def absolute_humidity_g_per_m3(temp_c: ArrayLike, vapour_pressure: ArrayLike) -> FloatArray:
    """Return the water vapour held by air [g/m³], from the ideal gas law (molar gas constant of water)."""
    # 461.5 J/(kg·K): gas constant of water vapour; ASHRAE HoF 2017 ch. 1 (from memory).
    kelvin = np.asarray(temp_c, dtype=np.float64) + KELVIN_OFFSET_K
    return np.asarray(1e6 * np.asarray(vapour_pressure, dtype=np.float64) / (461.5 * kelvin))


def clear_sky_emissivity(dew_point: ArrayLike) -> FloatArray:
    """Return the long-wave emissivity of a cloudless sky for a dew point [°C] near the ground.

    References
    ----------
    Berdahl & Martin 1984, Solar Energy 32(5):663: 0.711 + 0.56 (Td/100) + 0.73 (Td/100)², night mean
    (coefficients as found in many public implementations).  Its spread against other formulas, about
    ±15 W/m² on a frosty night, is why the transfer model carries one fitted sky coefficient.
    """
    hundredth = np.asarray(dew_point, dtype=np.float64) / 100.0
    return np.asarray(0.711 + 0.56 * hundredth + 0.73 * hundredth**2)


def sky_temp_c(temp_c: ArrayLike, dew_point: ArrayLike, cloud_frac: ArrayLike) -> FloatArray:
    """Return the radiant temperature of the sky [°C] seen by a horizontal surface.

    Parameters
    ----------
    temp_c, dew_point
        Air temperature and dew point near the ground [°C].
    cloud_frac
        Cloud cover, 0 (clear) .. 1 (overcast).

    Notes
    -----
    A cover c closes the share 0.65 c² of what a clear sky leaves open.  Both numbers are those of the
    long-wave radiation that the DWD calculated for its test reference years of 2010, each against its own
    clear sky (night, below 5 °C); the usual 0.84 c of Unsworth & Monteith 1975 makes cloudy skies 2 to 5 K
    too warm there.  What observers call half covered is mostly high or thin cloud.
    """
    temp_c = np.asarray(temp_c, dtype=np.float64)
    closed = 0.65 * np.asarray(cloud_frac, dtype=np.float64) ** 2
    emissivity = (1.0 - closed) * clear_sky_emissivity(dew_point) + closed
    return np.asarray((temp_c + KELVIN_OFFSET_K) * emissivity**0.25 - KELVIN_OFFSET_K)
