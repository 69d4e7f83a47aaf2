"""Limits of each kind against published ones."""

import pytest

from controller.crop.limits import limits_of
from controller.site.handbook import CROPS, CropKind


def fahrenheit(temp_f):
    return (temp_f - 32.0) / 1.8


@pytest.mark.parametrize(
    ("kind", "low_f", "high_f"),
    [
        # Puffer & Turrell 1967, in FAO ENRS 10 vol. 1 (Snyder & de Melo-Abreu 2005), from memory
        (CropKind.SATSUMA, 27.0, 28.0),
        (CropKind.SWEET_ORANGE, 27.0, 28.0),
        (CropKind.GRAPEFRUIT, 27.0, 28.0),
        (CropKind.LEMON, 29.5, 30.6),
    ],
)
def test_fruit_damage_is_taken_at_the_warm_end_of_the_published_range(kind, low_f, high_f):
    damage_c = CROPS[kind].fruit_damage_c
    assert fahrenheit(low_f) - 0.05 <= damage_c <= fahrenheit(high_f) + 0.05
    assert damage_c >= fahrenheit(high_f) - 0.1, "the careful end"


def test_the_hardiest_wood_is_not_the_hardiest_fruit():
    # Lemon wood dies first (LSU AgCenter); satsuma wood stands most of those sold for fruit
    assert CROPS[CropKind.SATSUMA].wood_damage_c < CROPS[CropKind.SWEET_ORANGE].wood_damage_c
    assert CROPS[CropKind.SATSUMA].fruit_damage_c == CROPS[CropKind.SWEET_ORANGE].fruit_damage_c


def test_every_kind_has_a_source_and_is_held_well_above_its_damage():
    for kind in CropKind:
        assert CROPS[kind].source
        assert CROPS[kind].hold_c - CROPS[kind].fruit_damage_c >= 1.5


def test_limits_of_a_tree(curlew_yard):
    lemon = next(tree for tree in curlew_yard.trees if tree.name == "lemon")
    limits = limits_of(lemon)
    assert (limits.hold_c, limits.fruit_damage_c) == (1.0, -0.8)
    assert limits.hand_off_floor_c == pytest.approx(0.2)
