"""The dose against the two points it was made from, and against published ones it was not."""

import numpy as np
import pytest

from controller.crop.dose import FRUIT_ONSET_K, dose_k_h, lost_share
from controller.site.handbook import CROPS, CropKind

ONSET_C = CROPS[CropKind.SWEET_ORANGE].fruit_damage_c + FRUIT_ONSET_K


def held(temp_c, hours):
    """Return the share of ripe oranges lost to hours at a fruit temperature."""
    steps = int(hours * 12)
    return lost_share(dose_k_h(np.full((steps + 1, 1), temp_c), ONSET_C, 300.0))[0]


def test_it_passes_through_the_two_published_points():
    # Falivene & Filippi 2014: -2 °C for 4 h: inspect; -4 °C for 5 h: stop the harvest
    assert pytest.approx(-1.5) == ONSET_C
    assert dose_k_h(np.full((49, 1), -2.0), ONSET_C, 300.0) == pytest.approx(2.0)
    assert held(-2.0, 4.0) == pytest.approx(0.1)
    assert held(-4.0, 5.0) == pytest.approx(0.9)


def test_it_agrees_with_published_points_that_it_was_not_made_from():
    # McGhie, UC Master Gardeners: mandarins stand 24 °F briefly; several hours at 26 °F freeze them
    assert held((24.0 - 32.0) / 1.8, 0.5) < 0.1
    assert held((26.0 - 32.0) / 1.8, 5.0) > 0.5
    # California Citrus Mutual (trade press): navels 28 °F for 4 h is where damage begins
    assert 0.05 < held((28.0 - 32.0) / 1.8, 4.0) < 0.5


def test_a_dose_is_the_area_below_the_onset():
    # a triangle 2 K deep and 2 h long, seen every quarter of an hour, is 2 K·h
    depth_k = np.minimum(np.arange(9), np.arange(9)[::-1]) / 4.0 * 2.0
    assert dose_k_h(-1.5 - depth_k[:, None], -1.5, 900.0) == pytest.approx([2.0])


def test_limits_of_the_share():
    assert lost_share(0.0) == 0.0
    assert lost_share(1e6) == pytest.approx(1.0)
    assert np.isnan(lost_share(np.nan))
    doses = np.linspace(0.0, 30.0, 50)
    assert np.all(np.diff(lost_share(doses)) > 0.0)
    assert np.isnan(dose_k_h(np.array([[0.0], [np.nan]]), -1.5, 300.0)).all()
