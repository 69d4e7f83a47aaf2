"""The fruit's lag behind the air, against the textbook response of a first-order lag."""

import math

import pytest

from controller.thermal.fruit import lagged_c


def test_after_one_lag_63_percent_of_a_step_is_done():
    # 1 - 1/e, the definition of a time constant
    assert lagged_c(5.0, -5.0, 3600.0, 3600.0) == pytest.approx(5.0 - 10.0 * 0.632121, abs=1e-5)


def test_two_half_steps_are_one_whole():
    half = lagged_c(4.0, -2.0, 900.0, 4000.0)
    assert lagged_c(half, -2.0, 900.0, 4000.0) == pytest.approx(lagged_c(4.0, -2.0, 1800.0, 4000.0))


def test_it_never_passes_the_air():
    assert lagged_c(4.0, -2.0, 1e9, 4000.0) == pytest.approx(-2.0)
    assert lagged_c(4.0, -2.0, 0.0, 4000.0) == 4.0


def test_unknown_fruit_begins_at_the_air_and_unknown_air_stays_unknown():
    assert lagged_c(math.nan, 1.5, 60.0, 4000.0) == 1.5
    assert math.isnan(lagged_c(4.0, math.nan, 60.0, 4000.0))
