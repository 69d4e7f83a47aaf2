"""What a winter costs."""

import numpy as np
import pytest

from controller.guard import tree as guard
from controller.plan.winter import BAND_K, winter_of
from simulator.weather_years import winter_weather


@pytest.fixture(scope="module")
def north_sea(curlew_yard):
    pytest.importorskip("demandlib")
    return winter_weather("1", curlew_yard.place)


def priced(site, price):
    return site.model_copy(update={"tariff": site.tariff.model_copy(update={"price_per_kwh": price})})


def test_about_a_cent_a_fruit(curlew_yard, north_sea):
    # growers' rule: a cent of electricity a fruit (common practice, no source), at 0.12 a kilowatt-hour
    found = winter_of(priced(curlew_yard, 0.12), north_sea)
    assert 0.4 <= found.cents_per_fruit <= 1.6
    # the same rule as energy, for 100 fruit on a tree held at 0 °C; a lemon, held at +1 °C, takes twice that
    at_zero = [tree.hold_or_default_c == 0.0 for tree in curlew_yard.trees]
    assert 0 < sum(at_zero) < len(at_zero)
    assert 3.3 <= np.mean(np.compress(at_zero, found.energy_kwh)) <= 12.9
    # held by thermostats, strings as they are: a band of half a kelvin lies a quarter above what is held
    assert BAND_K == guard.BAND_K
    more = np.sum(found.thermostat_kwh) / np.sum(found.energy_kwh)
    print(f"thermostats take {more - 1.0:.1%} more")
    assert 1.0 < more < 1.4
    assert found.cost == pytest.approx(0.12 * sum(found.energy_kwh))
    assert 30 <= found.frost_nights <= 60
    assert found.outside_min_c == pytest.approx(-7.8, abs=0.1)


def test_a_picked_orchard_has_no_price_a_fruit(curlew_yard, north_sea):
    trees = tuple(tree.model_copy(update={"fruit_count": 0}) for tree in curlew_yard.trees)
    assert np.isnan(winter_of(curlew_yard.model_copy(update={"trees": trees}), north_sea).cents_per_fruit)
