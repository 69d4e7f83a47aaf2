"""Whatever comes in, a plan is sane or is not there: the guard then works alone."""

import json
import math
from dataclasses import fields, replace

import numpy as np
import pytest

from controller.plan.advice import advise
from controller.plan.plan import LARGEST_LIFT_K, plan_of
from controller.plan.plan_text import json_of
from controller.thermal.parameters import parameters_of
from tests.conftest import DUSK
from tests.plan.test_outlook import READINGS, forecast

BAD = [math.nan, math.inf, -math.inf, 1e9, -1e9, -300.0]
HOURLY = [
    "outside_temp_c",
    "dew_point_c",
    "wind_m_s",
    "gust_m_s",
    "cloud_frac",
    "shortwave_w_m2",
    "precipitation_mm",
]


def is_sane(site, plan):
    """Tell whether a plan is none, or asks for nothing outside the guard's bounds and can be written down."""
    if plan is None:
        return True
    json.loads(json_of(plan))
    hold_c = {tree.name: tree.hold_or_default_c for tree in site.trees}
    floors = [
        hold_c[name] < floor_c <= hold_c[name] + LARGEST_LIFT_K
        for name, tree in plan.trees.items()
        for floor_c in tree.floor_c
        if floor_c is not None
    ]
    return all(floors) and np.isfinite(plan.course.tree_temp_c).all() and plan.energy_kwh >= 0.0


@pytest.mark.parametrize("value", BAD)
@pytest.mark.parametrize("hours", [slice(None), slice(5, 6), slice(5, 20)], ids=["all", "one", "a night"])
@pytest.mark.parametrize("field", HOURLY)
def test_a_forecast_of_nonsense(curlew_yard, field, hours, value):
    given = forecast(-12.0)
    getattr(given, field)[hours] = value
    with np.errstate(all="ignore"):
        plan = plan_of(curlew_yard, given, READINGS, DUSK)
        advise(curlew_yard, given, plan, READINGS, DUSK)
    assert is_sane(curlew_yard, plan)
    if field == "outside_temp_c" and hours == slice(5, 20):
        assert plan is None, "a night of nonsense is no night to plan for"


@pytest.mark.parametrize("value", BAD)
def test_a_spread_of_nonsense(curlew_yard, value):
    given = replace(forecast(-12.0), spread_k=np.full(62, value))
    assert is_sane(curlew_yard, plan_of(curlew_yard, given, READINGS, DUSK))
    spread_k = np.full(96, value)
    assert is_sane(curlew_yard, plan_of(curlew_yard, given, READINGS, DUSK, model_spread_k=spread_k))


@pytest.mark.parametrize("value", BAD)
@pytest.mark.parametrize("probe", ["outside", "house", "air-lemon"])
def test_a_reading_of_nonsense(curlew_yard, probe, value):
    assert is_sane(curlew_yard, plan_of(curlew_yard, forecast(-12.0), READINGS | {probe: value}, DUSK))


@pytest.mark.parametrize(
    "field", [field.name for field in fields(parameters_of.__globals__["Parameters"])][1:]
)
def test_a_model_of_nonsense(curlew_yard, field):
    sound = parameters_of(curlew_yard)
    broken = replace(sound, **{field: getattr(sound, field) * math.nan})
    with np.errstate(all="ignore"):
        assert is_sane(curlew_yard, plan_of(curlew_yard, forecast(-12.0), READINGS, DUSK, broken))
