"""Age widens a forecast and moves no temperature."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from controller.weather.ageing import Pulse, widened
from controller.weather.open_meteo import forecast_from
from tests.weather.conftest import NOW, PLACE, open_meteo_document


@pytest.fixture
def forecast():
    return forecast_from(open_meteo_document(), NOW, PLACE)


def test_a_young_forecast_is_left_as_it_is(forecast):
    assert widened(forecast, 6.0) is forecast
    assert widened(forecast, float("nan")) is forecast


def test_an_old_one_is_wider_by_half_a_kelvin_for_each_six_hours_beyond_six(forecast):
    old = widened(forecast, 18.0)
    np.testing.assert_allclose(old.spread_k, 1.0)
    np.testing.assert_array_equal(old.outside_temp_c, forecast.outside_temp_c)
    spread = np.full(96, 1.0)
    spread[3] = np.nan
    both = widened(replace(forecast, spread_k=spread), 18.0)
    np.testing.assert_allclose(both.spread_k[[2, 3]], [np.sqrt(2.0), 1.0])


def later(forecast, hours, add_k=0.0):
    return replace(
        forecast,
        fetched_at=forecast.fetched_at + timedelta(hours=hours),
        outside_temp_c=forecast.outside_temp_c + add_k,
    )


def test_it_is_timed_how_long_the_numbers_stand_still(forecast):
    pulse = Pulse()
    assert pulse.unchanged_s(forecast) == 0.0
    assert pulse.unchanged_s(later(forecast, 5)) == 5 * 3600.0
    # the window moves on with the hours, the numbers in both do not change
    moved = later(forecast, 6)
    moved = replace(moved, at_s=moved.at_s[4:], outside_temp_c=moved.outside_temp_c[4:])
    assert pulse.unchanged_s(moved) == 6 * 3600.0
    assert pulse.unchanged_s(later(forecast, 7, add_k=0.1)) == 0.0
    assert pulse.unchanged_s(later(forecast, 9, add_k=0.1)) == 2 * 3600.0


def test_forecasts_that_share_no_night_tell_nothing(forecast):
    pulse = Pulse()
    pulse.unchanged_s(forecast)
    assert pulse.unchanged_s(replace(later(forecast, 5), at_s=forecast.at_s + 93 * 3600.0)) == 0.0
