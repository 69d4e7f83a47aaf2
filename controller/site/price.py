"""What a kilowatt-hour costs at a time: one price, or a cheaper one between two times of the local clock."""

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from controller.site.model import Site, Tariff

# A sum is made of pieces no longer than this, each at the price of its middle [s].
PIECE_S = 900.0


def price_at(site: Site, at_s: float) -> float:
    """Return the price of a kilowatt-hour at a time (UTC seconds since 1970), in the tariff's currency.

    Cheap hours go by the clock on the wall, summer time included.
    """
    tariff = site.tariff
    if tariff.night_price_per_kwh is None or not is_cheap_at(site, at_s):
        return tariff.price_per_kwh
    return tariff.night_price_per_kwh


def is_cheap_at(site: Site, at_s: float) -> bool:
    """Tell whether a time (UTC seconds since 1970) is in the cheap hours; with one rate there are none."""
    tariff = site.tariff
    if tariff.night_from is None or tariff.night_until is None:
        return False
    clock = datetime.fromtimestamp(at_s, tz=UTC).astimezone(ZoneInfo(site.place.time_zone)).time()
    return _between(clock, tariff.night_from, tariff.night_until)


def bill_of(tariff: Tariff, kwh: float, cheap_kwh: float) -> float:
    """Return what electricity costs of which ``cheap_kwh`` are of the cheap hours, in its currency."""
    if tariff.night_price_per_kwh is None:
        return kwh * tariff.price_per_kwh
    return (kwh - cheap_kwh) * tariff.price_per_kwh + cheap_kwh * tariff.night_price_per_kwh


def cost_of(site: Site, power_w: float, begin_s: float, end_s: float) -> float:
    """Return what a load costs from one time to another, in the tariff's currency."""
    if site.tariff.night_price_per_kwh is None:
        return power_w * (end_s - begin_s) / 3.6e6 * site.tariff.price_per_kwh
    cost, at_s = 0.0, begin_s
    while at_s < end_s:
        next_s = min(end_s, (at_s // PIECE_S + 1.0) * PIECE_S)
        cost += power_w * (next_s - at_s) / 3.6e6 * price_at(site, 0.5 * (at_s + next_s))
        at_s = next_s
    return cost


def _between(clock: time, begin: time, end: time) -> bool:
    return begin <= clock < end if begin < end else clock >= begin or clock < end
