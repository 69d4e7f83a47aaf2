"""Other years of the same climate: alike in all that a winter is told by, and no two the same."""

import numpy as np
import pytest

from simulator.night import Night, load_night
from simulator.weather_files import reference_year
from simulator.winters import another_year

WINTER = np.r_[0 : 90 * 24, 304 * 24 : 365 * 24]


@pytest.fixture(scope="module")
def coast():
    pytest.importorskip("demandlib")
    return reference_year(1)


def daily(values):
    return values.reshape(365, 24)


def test_the_same_seed_is_the_same_year_and_another_is_another(coast):
    one, again, other = (another_year(coast, seed) for seed in (1, 1, 2))
    assert np.array_equal(one.outside_temp_c, again.outside_temp_c)
    assert not np.array_equal(one.outside_temp_c, other.outside_temp_c)


def test_many_years_have_the_climate_of_the_file(coast):
    """Means, spreads and persistence of winter days lie within a fifth of the file's, over forty years."""
    years = [another_year(coast, seed, month_k=0.0) for seed in range(40)]
    drawn = np.array([daily(year.outside_temp_c).mean(axis=1) for year in years])
    own = daily(coast.outside_temp_c).mean(axis=1)
    cold = np.r_[0:59, 334:365]
    assert drawn[:, cold].mean() == pytest.approx(own[cold].mean(), abs=0.8)
    assert drawn[:, cold].std() == pytest.approx(own[cold].std(), rel=0.2)

    def persistence(days):
        return np.corrcoef(days[:58], days[1:59])[0, 1]

    assert np.mean([persistence(days) for days in drawn]) == pytest.approx(persistence(own), abs=0.15)
    frost = [(daily(year.outside_temp_c).min(axis=1) < 0.0).sum() for year in years]
    assert np.mean(frost) == pytest.approx((daily(coast.outside_temp_c).min(axis=1) < 0.0).sum(), rel=0.25)
    assert np.std(frost) > 3.0


def test_months_make_years_harder_and_milder_than_the_file(coast):
    lows = [another_year(coast, seed).outside_temp_c.min() for seed in range(20)]
    assert min(lows) < coast.outside_temp_c.min() < max(lows)


def test_what_belongs_together_stays_together(coast):
    year = another_year(coast, 3)
    assert np.all(year.dew_point_c <= year.outside_temp_c + 1e-9)
    night = daily(year.shortwave_w_m2)[:, :3]
    assert night.max() == 0.0
    steps = np.abs(np.diff(year.outside_temp_c))
    assert np.percentile(steps, 99) < 1.3 * np.percentile(np.abs(np.diff(coast.outside_temp_c)), 99)


def test_a_night_can_play_another_year_for_each_seed(curlew_yard):
    winter = load_night("winter")
    weather = winter.weather.model_copy(update={"another_year": True})
    other = winter.model_copy(update={"weather": weather, "hours": 240.0})
    assert isinstance(other, Night)
    begin = other.start_utc(curlew_yard)
    same, seeded = winter.sky(curlew_yard, 1), [other.sky(curlew_yard, seed).at(begin) for seed in (1, 2)]
    assert same.at(begin) != seeded[0] != seeded[1]
