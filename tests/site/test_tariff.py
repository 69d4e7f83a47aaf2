"""Two rates by the clock on the wall, over the change to summer time and back."""

from datetime import UTC, datetime, time

import numpy as np
import pytest
from pydantic import ValidationError

from controller.site.model import Tariff
from controller.site.price import bill_of, cost_of
from controller.site.tariff import price_per_kwh_at

NIGHT = {"night_price_per_kwh": 0.12, "night_from": time(23, 0), "night_until": time(8, 0)}


def priced(site, *times, **tariff):
    tariff = Tariff(currency="EUR", price_per_kwh=0.30, **(NIGHT | tariff))
    site = site.model_copy(update={"tariff": tariff})
    return price_per_kwh_at(site, np.array([at.timestamp() for at in times])).tolist()


def test_one_price_holds_at_all_times(curlew_yard):
    at_s = np.array([0.0, 4e4, 8e4])
    assert price_per_kwh_at(curlew_yard, at_s).tolist() == [0.30] * 3


@pytest.mark.parametrize(("month", "offset_h"), [(1, 0), (7, 1)])
def test_cheap_hours_go_by_the_clock_on_the_wall(curlew_yard, month, offset_h):
    # Irish time is UTC in January, UTC + 1 h in July
    clocks = ((22, 59), (23, 0), (7, 59), (8, 0))
    times = [datetime(2027, month, 14, hour - offset_h, minute, tzinfo=UTC) for hour, minute in clocks]
    assert priced(curlew_yard, *times) == [0.30, 0.12, 0.12, 0.30]


def test_the_nights_of_the_change_have_an_hour_less_and_one_more(curlew_yard):
    # clocks go forward on 28 March 2027 and back on 31 October 2027 (Directive 2000/84/EC: last Sundays)
    for day, month, hours in ((27, 3, 8), (30, 10, 10)):
        begin = datetime(2027, month, day, 12, tzinfo=UTC).timestamp()
        times = [datetime.fromtimestamp(begin + 1800.0 + 3600.0 * h, tz=UTC) for h in range(24)]
        assert priced(curlew_yard, *times).count(0.12) == hours


def test_cheap_hours_by_day(curlew_yard):
    noon, dusk = (datetime(2027, 1, 14, hour, tzinfo=UTC) for hour in (13, 17))
    assert priced(curlew_yard, noon, dusk, night_from=time(12, 0), night_until=time(16, 0)) == [0.12, 0.30]


@pytest.mark.parametrize("left_out", list(NIGHT))
def test_a_night_rate_is_whole_or_not_there(left_out):
    given = {name: value for name, value in NIGHT.items() if name != left_out}
    with pytest.raises(ValidationError, match="all three or none"):
        Tariff(currency="EUR", price_per_kwh=0.30, **given)


def test_a_load_costs_each_hour_at_its_own_price(curlew_yard):
    begin = datetime(2027, 1, 14, 22, 0, tzinfo=UTC).timestamp()
    one_kw_two_hours = (1000.0, begin, begin + 7200.0)
    assert cost_of(curlew_yard, *one_kw_two_hours) == pytest.approx(2 * 0.30)
    two_rates = curlew_yard.model_copy(update={"tariff": Tariff(currency="EUR", price_per_kwh=0.30, **NIGHT)})
    assert cost_of(two_rates, *one_kw_two_hours) == pytest.approx(0.30 + 0.12)
    assert cost_of(two_rates, 1000.0, begin + 100.0, begin + 100.0) == 0.0


def test_a_bill_counts_cheap_hours_apart(curlew_yard):
    assert bill_of(curlew_yard.tariff, 3.0, 0.0) == 3.0 * 0.30
    two_rates = Tariff(currency="EUR", price_per_kwh=0.30, **NIGHT)
    assert bill_of(two_rates, 3.0, 2.0) == pytest.approx(0.30 + 2.0 * 0.12)
