"""What the fruit has now, followed from the air round it."""

import math


def lagged_c(fruit_c: float, air_c: float, elapsed_s: float, lag_s: float) -> float:
    """Return the fruit's temperature after some time in air of one temperature.

    Parameters
    ----------
    fruit_c
        Fruit temperature before [°C]; NaN where it is not known: then it is taken to be the air's.
    air_c
        Air temperature meanwhile [°C]; NaN gives NaN, since a guess would look like a measurement.
    elapsed_s
        How long [s], >= 0.
    lag_s
        The fruit's time constant [s], > 0: heat capacity over conductance to the air.

    Returns
    -------
    float
        Fruit temperature [°C].

    Notes
    -----
    dT/dt = (air - T)/lag, solved exactly.  Radiation to the sky through thin fleece, which can make fruit
    colder than the air, is left out: the estimate errs on the warm side by a few tenths of a kelvin.
    """
    if not math.isfinite(fruit_c):
        return air_c
    return air_c + (fruit_c - air_c) * math.exp(-elapsed_s / lag_s)
