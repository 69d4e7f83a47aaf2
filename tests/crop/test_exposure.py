"""Exposed fruit against the measurements of 1942."""

import numpy as np
import pytest

from controller.crop.exposure import fruit_below_air_k


def test_bare_fruit_on_clear_nights_as_measured():
    # BAMS 23(1):16, 1942: 3 °F (1.7 K) dry, 1-2 °F (0.6-1.1 K) under dew
    assert fruit_below_air_k(0.0, covered=False) == pytest.approx(3.0 / 1.8, abs=0.05)
    assert 0.6 <= fruit_below_air_k(0.0, dewy=True, covered=False) <= 1.1


def test_cloud_and_fleece_keep_it_off_and_the_unknown_counts_as_clear():
    assert fruit_below_air_k(1.0, covered=False) == 0.0
    assert fruit_below_air_k(np.array([0.0, 0.5, np.nan])) == pytest.approx([0.85, 0.425, 0.85])
