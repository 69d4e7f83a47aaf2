import numpy as np
import pytest

from controller.weather.fallback import SOURCE, fallback_forecast
from tests.weather.conftest import DAY_S, NOW, PLACE


def readings(hours=72, *, until_s=None, shift_k=0.0):
    """A daily course, warmest at 15 o'clock, read every half hour."""
    at_s = (until_s or NOW.timestamp()) - 1800.0 * np.arange(2 * hours)
    hour = at_s / 3600.0 % 24.0
    return at_s.tolist(), (3.0 + 5.0 * np.cos((hour - 15.0) * np.pi / 12.0) + shift_k).tolist()


def test_the_coming_days_are_as_the_last_ones_were():
    got = fallback_forecast(*readings(), PLACE, NOW)
    hour = got.at_s / 3600.0 % 24.0
    assert got.outside_temp_c == pytest.approx(3.0 + 5.0 * np.cos((hour - 15.0) * np.pi / 12.0), abs=0.9)
    assert got.at_s[0] <= NOW.timestamp() < got.at_s[1]
    assert got.at_s.size == 49


def test_it_is_named_for_what_it_is_and_its_spread_is_wide():
    got = fallback_forecast(*readings(), PLACE, NOW)
    assert got.source == SOURCE
    assert "no service" in got.remark
    assert (np.diff(got.spread_k[1:]) > 0.0).all()
    assert got.spread_k[-1] > 3.5
    assert np.isnan(got.cloud_frac).all()
    assert "cloud_frac" in got.missing


def test_a_cold_present_moves_the_coming_hours_down():
    at_s, temp_c = readings()
    temp_c[0] -= 6.0
    cold, usual = fallback_forecast(at_s, temp_c, PLACE, NOW), fallback_forecast(*readings(), PLACE, NOW)
    moved = cold.outside_temp_c - usual.outside_temp_c
    assert moved[1] < -4.5
    assert abs(moved[-1]) < 1.5


def test_one_reading_is_enough_for_a_course_that_falls_by_night():
    got = fallback_forecast([NOW.timestamp()], [3.0], PLACE, NOW)
    by_hour = dict(zip(((got.at_s - DAY_S) / 3600.0).tolist(), got.outside_temp_c.tolist(), strict=True))
    assert by_hour[31.0] < by_hour[18.0]  # seven in the morning is colder than now
    assert by_hour[38.0] > by_hour[31.0]


def test_without_a_recent_reading_there_is_nothing_to_say():
    assert fallback_forecast([], [], PLACE, NOW) is None
    assert fallback_forecast([NOW.timestamp() - 4 * 3600.0], [3.0], PLACE, NOW) is None
    assert fallback_forecast([NOW.timestamp()], [float("nan")], PLACE, NOW) is None
