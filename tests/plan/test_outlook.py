"""The outlook: what a forecast means for each tree."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from controller.plan.outlook import Outlook, outlook_of
from controller.weather.forecast import Forecast
from tests.conftest import DUSK

READINGS = {"outside": 3.0, "house": 5.0, "air-lemon": 5.5, "air-yuzu": float("nan")}


def forecast(lowest_c, *, hours=60, cloud=0.0):
    """Return a forecast that falls from 3 °C at dusk to its lowest eleven hours later, and rises again."""
    n = np.arange(-2, hours)
    middle_c, swing_k = (3.0 + lowest_c) / 2, (3.0 - lowest_c) / 2
    temp_c = middle_c + swing_k * np.cos(np.pi * n / 11.0)
    ones = np.ones_like(temp_c)
    return Forecast(
        source="test",
        attribution="by hand",
        fetched_at=DUSK,
        issued_at=DUSK,
        elevation_m=25.0,
        at_s=DUSK.timestamp() + 3600.0 * n,
        outside_temp_c=temp_c,
        dew_point_c=temp_c - 2.0,
        wind_m_s=1.0 * ones,
        gust_m_s=2.0 * ones,
        cloud_frac=cloud * ones,
        shortwave_w_m2=0.0 * ones,
        precipitation_mm=0.0 * ones,
    )


def test_a_frosty_night(curlew_yard):
    outlook = outlook_of(curlew_yard, forecast(-6.0, hours=20), READINGS, DUSK)
    assert outlook.outside_min_c == pytest.approx(-6.0, abs=0.05)
    assert outlook.outside_min_at - DUSK == pytest.approx(timedelta(hours=11), abs=timedelta(minutes=6))
    assert [tree.name for tree in outlook.trees] == [tree.name for tree in curlew_yard.trees]
    for tree in outlook.trees:
        assert tree.held_air_min_c > tree.free_air_min_c
        assert tree.heat_from is not None
        assert DUSK < tree.heat_from < tree.heat_until <= outlook.ends_at
        assert tree.energy_kwh > 0.0
    assert outlook.energy_kwh == pytest.approx(sum(tree.energy_kwh for tree in outlook.trees))
    assert outlook.cost == pytest.approx(0.30 * outlook.energy_kwh)
    assert "trees need heat between Thu" in outlook.sentence
    for at in (outlook.outside_min_at, min(t.heat_from for t in outlook.trees)):
        assert f" {at:%a %H:%M} UTC and " in outlook.sentence
    assert f"{outlook.energy_kwh:.1f} kWh ({outlook.cost:.2f} EUR)" in outlook.sentence


def test_a_mild_night_needs_nothing(curlew_yard):
    outlook = outlook_of(curlew_yard, forecast(4.0, cloud=1.0), READINGS, DUSK)
    assert all(tree.heat_from is None and tree.energy_kwh == 0.0 for tree in outlook.trees)
    assert outlook.sentence.endswith("no tree needs heat")


def test_what_is_to_be_known_about_the_forecast_is_said(curlew_yard):
    doubted = replace(forecast(-6.0), remark="services disagree by 3 K")
    outlook = outlook_of(curlew_yard, doubted, READINGS, DUSK)
    assert outlook.sentence.endswith("(services disagree by 3 K)")


def test_a_night_beyond_the_strings_says_so(curlew_yard):
    outlook = outlook_of(curlew_yard, forecast(-16.0), READINGS, DUSK)
    assert all(tree.short_of_heat for tree in outlook.trees)
    assert "the strings are too small for: satsuma-door" in outlook.sentence


def test_colder_weather_costs_more(curlew_yard):
    costs = [outlook_of(curlew_yard, forecast(c), READINGS, DUSK).cost for c in (-2.0, -4.0, -6.0)]
    assert costs == sorted(costs)


@pytest.mark.parametrize("hours", [4, -1])
def test_a_forecast_that_ends_soon_or_is_over_gives_no_outlook(curlew_yard, hours):
    assert outlook_of(curlew_yard, forecast(-6.0, hours=hours), READINGS, DUSK) is None


def test_a_forecast_with_a_hole_gives_no_outlook(curlew_yard):
    holed = forecast(-6.0)
    holed.outside_temp_c[10:20] = np.nan
    assert outlook_of(curlew_yard, holed, READINGS, DUSK) is None


def test_without_any_probe_the_forecast_itself_says_where_to_start(curlew_yard):
    assert isinstance(outlook_of(curlew_yard, forecast(-6.0), {}, DUSK), Outlook)


def test_lowest_of_a_forecast():
    given = forecast(-6.0)
    lowest_c, when = given.lowest(DUSK, DUSK + timedelta(hours=15))
    assert (lowest_c, when) == (pytest.approx(-6.0), DUSK + timedelta(hours=11))
    assert given.lowest(DUSK + timedelta(days=9), DUSK + timedelta(days=10)) is None
    assert given.age_s(DUSK + timedelta(hours=2)) == 7200.0


def test_the_hours_for_a_picture_agree_with_the_outlook(curlew_yard):
    outlook = outlook_of(curlew_yard, forecast(-6.0, hours=20), READINGS, DUSK)
    hours = outlook.hours
    assert hours.starts_at == DUSK
    assert len(hours.outside_c) == len(hours.house_c) == len(hours.held_air_c) == len(hours.heat_kwh) >= 18
    assert min(hours.outside_c) == pytest.approx(outlook.outside_min_c, abs=0.3)
    assert sum(hours.heat_kwh) == pytest.approx(outlook.energy_kwh, abs=0.02)
    drawn = next(tree for tree in outlook.trees if tree.name == hours.tree)
    assert sum(hours.tree_heat_kwh) == pytest.approx(drawn.energy_kwh, abs=0.02)
    assert min(hours.free_air_c) == pytest.approx(drawn.free_air_min_c, abs=0.3)


@pytest.mark.parametrize(("spread_k", "known"), [(None, False), (1.5, True), (np.nan, False)])
def test_the_hours_carry_a_spread_only_where_it_is_known_throughout(curlew_yard, spread_k, known):
    given = forecast(-3.0, hours=20)
    if spread_k is not None:
        given = replace(given, spread_k=np.append(np.full(len(given.at_s) - 1, 1.5), spread_k))
    hours = outlook_of(curlew_yard, given, READINGS, DUSK).hours
    assert hours.outside_spread_k == ((1.5,) * len(hours.outside_c) if known else ())
