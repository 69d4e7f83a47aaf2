"""Limits of each kind against published ones."""

from datetime import UTC, datetime

import pytest

from controller.crop.limits import hold_at_c, limits_of, stage_limit_c, tissue_limits
from controller.crop.season import Stage
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


JANUARY, MAY = datetime(2027, 1, 15, tzinfo=UTC), datetime(2027, 5, 15, tzinfo=UTC)


def tree_of(site, kind, **changed):
    return next(tree for tree in site.trees if tree.kind == kind).model_copy(update=changed)


def limits_at(tree, at, chilled_h=400.0):
    return tissue_limits(tree, at, latitude_deg=52.2, chilled_h=chilled_h)


@pytest.mark.parametrize(
    ("stage", "low_f", "high_f"),
    [
        # Puffer & Turrell 1967 as above, from memory: oranges and mandarins
        (Stage.GREEN, 28.5, 29.5),
        (Stage.HALF_RIPE, 28.0, 29.0),
        (Stage.RIPE, 27.0, 28.0),
        # Morris 2016: an open flower of any fruit tree, 31 °F for 30 min
        (Stage.BLOSSOM, 30.9, 31.0),
    ],
)
def test_each_stage_stands_at_the_warm_end_of_its_published_range(stage, low_f, high_f):
    limit_f = stage_limit_c(CropKind.SATSUMA, stage) * 1.8 + 32.0
    assert low_f - 0.1 <= limit_f <= high_f + 0.1
    assert limit_f >= high_f - 0.15


def test_fruit_hardens_as_it_ripens():
    limits_c = [stage_limit_c(CropKind.SWEET_ORANGE, stage) for stage in Stage]
    assert limits_c == sorted(limits_c, reverse=True)


def test_the_tenderest_fruit_that_hangs_decides(curlew_yard):
    satsuma = tree_of(curlew_yard, CropKind.SATSUMA)
    winter, spring = limits_at(satsuma, JANUARY), limits_at(satsuma, MAY)
    assert (winter.fruit_c, winter.tender_c) == (-2.2, None)
    assert (spring.fruit_c, spring.tender_c) == (None, -0.6)
    assert limits_at(tree_of(curlew_yard, CropKind.SATSUMA, fruit_count=0), JANUARY).fruit_c is None
    assert winter.wood_c < winter.leaf_c < winter.fruit_c
    assert limits_at(satsuma, JANUARY, chilled_h=0.0).wood_c > winter.wood_c


def test_blossom_is_held_a_degree_warmer_unless_the_grower_says_otherwise(curlew_yard):
    # common practice, no source
    satsuma = tree_of(curlew_yard, CropKind.SATSUMA)
    assert hold_at_c(satsuma, JANUARY, latitude_deg=52.2) == 0.0
    assert hold_at_c(satsuma, MAY, latitude_deg=52.2) == 1.0
    assert hold_at_c(satsuma, MAY, latitude_deg=-46.0) == 0.0
    assert hold_at_c(tree_of(curlew_yard, CropKind.SATSUMA, hold_c=0.5), MAY, latitude_deg=52.2) == 0.5
