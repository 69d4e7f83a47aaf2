"""Hardening against the published span and index."""

import math

import numpy as np
import pytest

from controller.crop.hardening import chill_h, leaf_limit_c, wood_limit_c
from controller.site.handbook import CROPS, CropKind


def test_hours_in_the_cool_count_over_the_last_five_hundred():
    # Ebel et al. 2005: hours <= 10 °C in the previous 500 h
    assert chill_h(np.full(1000, 9.0)) == 500.0
    assert chill_h(np.concatenate([np.full(500, 5.0), np.full(500, 15.0)])) == 0.0
    assert chill_h(np.array([10.0, 10.1, np.nan])) == 1.0, "the unknown counts as warm"


def test_a_hardened_tree_stands_three_kelvin_more():
    # LSU AgCenter: 5-6 °F (2.8-3.3 K); McGhie, UC Master Gardeners: mandarin wood 20 °F for 4 h
    hardened = wood_limit_c(CropKind.SATSUMA, 400.0)
    assert hardened == pytest.approx((20.0 - 32.0) / 1.8, abs=0.05)
    assert 2.8 <= wood_limit_c(CropKind.SATSUMA, 0.0) - hardened <= 3.3
    assert wood_limit_c(CropKind.SATSUMA, 200.0) == pytest.approx(hardened + 1.65)
    assert wood_limit_c(CropKind.SATSUMA, 500.0) == hardened, "no more than full"


def test_an_unknown_history_passes_for_a_tender_tree():
    assert wood_limit_c(CropKind.SATSUMA, math.nan) == wood_limit_c(CropKind.SATSUMA, 0.0)


def test_citron_lemon_and_lime_hardly_harden():
    # LSU AgCenter: killed in the high 20s °F, -3 to -1.5 °C
    for kind in (CropKind.LEMON, CropKind.LIME):
        for hours in (0.0, 400.0):
            assert -3.0 <= wood_limit_c(kind, hours) <= -1.5


@pytest.mark.parametrize("kind", list(CropKind))
def test_leaves_go_before_wood_and_full_hardening_is_the_handbooks(kind):
    assert wood_limit_c(kind, 400.0) == CROPS[kind].wood_damage_c
    assert leaf_limit_c(kind, 400.0) > wood_limit_c(kind, 400.0)
