"""Sizes that follow from dimensions, against hand calculation."""

import math

import pytest


def test_sizes_of_a_gable_house(curlew_yard):
    house = curlew_yard.house  # 9 x 4.5 m, 2.0 m eaves, 3.2 m ridge
    assert house.floor_area_m2 == pytest.approx(40.5)
    assert house.gable_area_m2 == pytest.approx(4.5 * 2.0 + 4.5 * 1.2 / 2)
    assert house.volume_m3 == pytest.approx(11.7 * 9.0)
    slope_m = math.sqrt(2.25**2 + 1.2**2)
    assert house.cover_area_m2 == pytest.approx(2 * 9 * 2.0 + 2 * 9 * slope_m + 2 * 11.7)


def test_size_of_a_fleece_is_a_cylinder_with_a_lid(curlew_yard):
    tree = curlew_yard.trees[0]  # 2.3 m high, 1.8 m wide
    assert tree.fleece_area_m2 == pytest.approx(math.pi * 1.8 * 2.3 + math.pi * 0.9**2)


def test_hold_temperatures_follow_common_practice(curlew_yard):
    # common practice, no source: 0 °C, and +1 °C for lemons
    held = {tree.name: tree.hold_or_default_c for tree in curlew_yard.trees}
    assert held["satsuma-door"] == held["yuzu"] == 0.0
    assert held["lemon"] == 1.0
