"""Stages by date and hemisphere."""

from datetime import UTC, datetime

import pytest

from controller.crop.season import SEASONS, Months, Stage, stages_at
from controller.site.handbook import CropKind


def day(month, of_month=15):
    return datetime(2027, month, of_month, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("month", "expected"),
    [
        (1, {Stage.RIPE}),
        (4, {Stage.BLOSSOM}),
        (7, {Stage.FRUITLET}),
        (9, {Stage.GREEN}),
        (10, {Stage.GREEN, Stage.HALF_RIPE}),
        (12, {Stage.RIPE}),
    ],
)
def test_a_satsumas_year_in_the_north_and_half_a_year_later_in_the_south(month, expected):
    north = stages_at(CropKind.SATSUMA, day(month), latitude_deg=52.2)
    south = stages_at(CropKind.SATSUMA, day((month + 5) % 12 + 1), latitude_deg=-46.0)
    assert set(north) == set(south) == expected


def test_lemons_carry_fruit_of_several_ages_all_year():
    for month in range(1, 13):
        found = stages_at(CropKind.LEMON, day(month), latitude_deg=52.2)
        assert {Stage.GREEN, Stage.RIPE} <= set(found)


def test_a_late_variety_blooms_later():
    assert stages_at(CropKind.SATSUMA, day(6), latitude_deg=52.2) == (Stage.FRUITLET,)
    late = stages_at(CropKind.SATSUMA, day(6), latitude_deg=52.2, later_days=30.0)
    assert late == (Stage.BLOSSOM,)


def test_every_kind_ripens_over_new_year_and_blooms_in_spring_or_summer():
    for kind in CropKind:
        assert Stage.RIPE in stages_at(kind, day(1), latitude_deg=52.2)
        blooms = [m for m in range(1, 13) if Stage.BLOSSOM in stages_at(kind, day(m), latitude_deg=52.2)]
        assert set(blooms) <= set(range(4, 11))
        assert set(SEASONS[kind]) >= {Stage.BLOSSOM, Stage.FRUITLET, Stage.GREEN, Stage.RIPE}


def test_months_run_over_new_year():
    assert [m for m in range(1, 13) if Months(11, 2).hold(m)] == [1, 2, 11, 12]
