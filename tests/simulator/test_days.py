from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from simulator.days import Day, sky_of_days

BEGIN = datetime(2027, 1, 12, tzinfo=UTC)
FIRST = datetime(2027, 1, 15, 15, tzinfo=UTC)
MILD = Day(day=-5, max_c=8.0, min_c=3.0, dew_point_c=2.0, cloud_frac=0.8, wind_m_s=4.0)
FROST = Day(day=0, max_c=4.0, min_c=-6.0, dew_point_c=-3.0, cloud_frac=0.0, wind_m_s=0.5)


@pytest.fixture
def still(monkeypatch):
    """Weather that does not wander."""
    monkeypatch.setattr("simulator.days.WANDER_K", 0.0)
    monkeypatch.setattr("simulator.days.WANDER_WIND", 0.0)


def made(place, days=(MILD, FROST), seed=1, begin=BEGIN, first=FIRST, length=timedelta(days=7)):
    return sky_of_days(days, place, first, begin, begin + length, seed)


def hours(sky, begin, count, step_min=10):
    times = [begin + timedelta(minutes=step_min * k) for k in range(int(count * 60 / step_min) + 1)]
    return times, np.array([sky.at(time) for time in times])


def test_the_night_falls_to_its_minimum_just_at_sunrise(still, place):
    times, rows = hours(made(place), FIRST, 24)
    coldest = times[rows[:, 0].argmin()]
    assert rows[:, 0].min() == pytest.approx(-6.0, abs=0.1)
    # sunrise at 52.2 N 6.4 W on 16 January: 08:27 UTC (computed with the almanac's formulas, refraction in)
    assert abs(coldest - datetime(2027, 1, 16, 8, 27, tzinfo=UTC)) <= timedelta(minutes=15)


def test_the_afternoon_reaches_its_maximum_after_noon(still, place):
    times, rows = hours(made(place), datetime(2027, 1, 15, 8, tzinfo=UTC), 10)
    warmest = times[rows[:, 0].argmax()]
    assert rows[:, 0].max() == pytest.approx(4.0, abs=0.1)
    assert 13 <= warmest.hour <= 15


def test_temperature_has_no_jumps(still, place):
    _, rows = hours(made(place), BEGIN, 24 * 6, step_min=5)
    assert np.abs(np.diff(rows[:, 0])).max() < 0.35  # in five minutes


def test_cloud_and_wind_change_over_at_noon(still, place):
    sky = made(place)
    assert sky.at(datetime(2027, 1, 15, 9, tzinfo=UTC)).cloud_frac == pytest.approx(0.8)
    assert sky.at(datetime(2027, 1, 15, 15, tzinfo=UTC)).cloud_frac == pytest.approx(0.0)
    assert sky.at(datetime(2027, 1, 15, 9, tzinfo=UTC)).wind_m_s == pytest.approx(4.0)
    assert sky.at(datetime(2027, 1, 16, 3, tzinfo=UTC)).wind_m_s == pytest.approx(0.5)


def test_days_not_listed_are_like_the_last_before_them_and_the_first(still, place):
    sky = made(place)
    assert sky.at(datetime(2027, 1, 12, 3, tzinfo=UTC)).cloud_frac == pytest.approx(0.8)
    _, rows = hours(sky, datetime(2027, 1, 17, 12, tzinfo=UTC), 24)
    assert rows[:, 0].min() == pytest.approx(-6.0, abs=0.1)


def test_dew_point_stays_below_the_air(place):
    _, rows = hours(made(place), BEGIN, 24 * 6)
    assert np.all(rows[:, 1] <= rows[:, 0] - 0.25)


def test_the_sun_shines_by_day_only_and_less_under_cloud(still, place):
    sky = made(place)
    assert sky.at(datetime(2027, 1, 15, 20, tzinfo=UTC)).shortwave_w_m2 == 0.0
    noon_w_m2 = [sky.at(datetime(2027, 1, day, 13, 30, tzinfo=UTC)).shortwave_w_m2 for day in (14, 15)]
    assert 0.0 < noon_w_m2[0] < 0.7 * noon_w_m2[1]


def test_in_the_south_july_has_the_short_days(place):
    south = place.model_copy(update={"latitude_deg": -46.4, "longitude_deg": 168.9})
    lengths = {}
    for month in (1, 7):
        begin = datetime(2027, month, 10, tzinfo=UTC)
        sky = made(south, begin=begin, first=begin + timedelta(days=2))
        _, rows = hours(sky, begin + timedelta(days=1), 24)
        lengths[month] = (rows[:, 4] > 0).sum() / 6
    assert lengths[7] < 9.5
    assert lengths[1] > 14.5


def test_polar_night_and_midnight_sun_are_survived(place):
    north = place.model_copy(update={"latitude_deg": 78.0})
    for month in (1, 7):
        begin = datetime(2027, month, 10, tzinfo=UTC)
        _, rows = hours(made(north, begin=begin, first=begin + timedelta(days=3)), begin, 24 * 6)
        assert np.all(np.isfinite(rows))
        assert rows[:, 0].min() == pytest.approx(-6.0, abs=1.0)


def test_weather_wanders_by_its_seed_and_no_further(place):
    first, again, other = (hours(made(place, seed=seed), BEGIN, 140)[1] for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    difference_k = first[:, 0] - other[:, 0]
    # two courses of 0.15 K deviation each
    assert difference_k.std() == pytest.approx(0.15 * 2**0.5, rel=0.25)
