"""What a kilowatt-hour costs at a time: one price, or a cheaper one between two times of the local clock."""

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import numpy as np

from controller.physics import FloatArray
from controller.site.model import Site


def price_per_kwh_at(site: Site, at_s: FloatArray) -> FloatArray:
    """Return the price of a kilowatt-hour at times, in the tariff's currency.

    Parameters
    ----------
    site
        Its tariff, and its time zone: cheap hours go by the clock on the wall, summer time included.
    at_s
        UTC seconds since 1970, shape (K,).
    """
    tariff = site.tariff
    if tariff.night_price_per_kwh is None or tariff.night_from is None or tariff.night_until is None:
        return np.full(np.shape(at_s), tariff.price_per_kwh)
    zone = ZoneInfo(site.place.time_zone)
    night = [
        _between(
            datetime.fromtimestamp(float(s), tz=UTC).astimezone(zone).time(),
            tariff.night_from,
            tariff.night_until,
        )
        for s in at_s
    ]
    return np.where(night, tariff.night_price_per_kwh, tariff.price_per_kwh)


def _between(clock: time, begin: time, end: time) -> bool:
    return begin <= clock < end if begin < end else clock >= begin or clock < end
