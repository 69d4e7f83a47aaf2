"""Prices of many times at once; see ``price``."""

import numpy as np

from controller.physics import FloatArray
from controller.site.model import Site
from controller.site.price import price_at


def price_per_kwh_at(site: Site, at_s: FloatArray) -> FloatArray:
    """Return the price of a kilowatt-hour at times, in the tariff's currency.

    Parameters
    ----------
    site
        Its tariff, and its time zone.
    at_s
        UTC seconds since 1970, shape (K,).
    """
    if site.tariff.night_price_per_kwh is None:
        return np.full(np.shape(at_s), site.tariff.price_per_kwh)
    return np.array([price_at(site, float(s)) for s in at_s])
