"""What probes say beside the weather and one another: units, places, and how often they speak."""

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.guard.decision import Reason
from controller.guard.evidence import Evidence
from controller.guard.reading import remember
from controller.guard.survey import (
    LEAST_HEARD,
    OUTSIDE_FOR_S,
    SURVEY_S,
    SWAPPED_FOR_S,
    UNSEEN,
    Measured,
    Sky,
    of_survey,
    survey,
)
from tests.conftest import at

NIGHT = Sky(outside_c=-2.0, sun_w_m2=0.0)
MEASURED = Measured(
    tree=frozenset({"tree"}), house=("house",), outside=("outside",),
    periods_s={"tree": 60.0, "house": 60.0, "outside": 60.0},
)  # fmt: skip


def memories(now_s=0.0, **temps_c):
    """Return probes that have said the same thrice, just now."""
    return {
        name: remember(remember(remember(None, c, None, {}, at(now_s)), c, None, {}, at(now_s)), c, None, {},
                       at(now_s))
        for name, c in temps_c.items()
    }  # fmt: skip


def look(before=UNSEEN, now_s=0.0, sky=NIGHT, outside_c=math.nan, house_c=math.nan, said_s=None, **temps_c):
    kept = memories(now_s if said_s is None else said_s, **temps_c)
    return survey(before, MEASURED, kept, house_c, outside_c, sky, at(now_s))


# ---- another unit -------------------------------------------------------------------------------------


@pytest.mark.parametrize("true_c", [-1.0, 0.0, 1.5, 5.0])
def test_a_tree_s_probe_in_fahrenheit_is_far_off_from_its_first_look(true_c):
    assert look(tree=1.8 * true_c + 32.0).far_off == {"tree"}
    assert look(tree=true_c).far_off == frozenset()


def test_the_forecast_goes_before_the_outside_probe_which_may_speak_the_same_unit():
    assert look(tree=34.0, outside_c=30.0).far_off == {"tree"}
    nobody = replace(NIGHT, outside_c=math.nan)
    assert look(tree=34.0, outside_c=-1.0, sky=nobody).far_off == {"tree"}
    assert look(tree=34.0, sky=nobody).far_off == frozenset(), "nobody knows better"


def test_a_probe_that_was_within_reach_and_leaves_it_is_hot_not_wrong():
    seen = look(tree=1.0)
    assert seen.within_reach == {"tree"}
    assert look(seen, 30.0, tree=45.0).far_off == frozenset()


def test_by_day_the_sun_may_warm_anything_and_all_stands_as_it_was():
    day = replace(NIGHT, sun_w_m2=300.0)
    assert look(tree=33.0, sky=day).far_off == frozenset()
    far = look(tree=33.0)
    assert look(far, 30.0, tree=33.0, sky=day).far_off == {"tree"}
    unknown = replace(NIGHT, sun_w_m2=math.nan)
    assert look(far, 30.0, tree=1.0, sky=unknown).far_off == {"tree"}


def test_it_counts_again_once_it_is_within_reach():
    assert look(look(tree=33.0), 30.0, tree=1.0).far_off == frozenset()


def test_the_house_has_a_reach_of_its_own_and_a_silent_probe_is_not_looked_at():
    assert look(house=10.5).far_off == {"house"}
    assert look(house=9.5).far_off == frozenset()
    assert look(tree=33.0, now_s=121.0, said_s=0.0).far_off == frozenset()


def test_after_its_board_s_restart_a_probe_must_show_itself_within_reach_again():
    seen = look(tree=1.0)
    new = {"tree": remember(None, 33.0, None, {}, at(30.0))}
    seen = survey(seen, MEASURED, new, math.nan, math.nan, NIGHT, at(30.0))
    assert seen.within_reach == frozenset()
    assert seen.far_off == {"tree"}


@pytest.mark.parametrize(
    ("outside_c", "house_c", "is_far"),
    [
        (-10.5, -6.0, False),  # the forecast promised -2: a night far colder, in the house as outside
        (-10.5, -4.4, True),  # no unheated house is so much warmer
        (6.5, 3.0, False),  # a warm front that nobody promised
        (39.2, 4.0, True),  # 4 °C read in °F
        (-10.5, math.nan, True),
    ],
)
def test_a_house_that_goes_with_the_outside_probe_speaks_against_the_forecast(outside_c, house_c, is_far):
    seen = UNSEEN
    for now_s in (0.0, OUTSIDE_FOR_S / 2.0, OUTSIDE_FOR_S):
        seen = look(seen, now_s, outside=outside_c, house_c=house_c)
    assert (seen.far_off == {"outside"}) is is_far


def test_the_outside_probe_must_be_astray_for_an_hour():
    seen = UNSEEN
    for now_s in np.arange(0.0, OUTSIDE_FOR_S + SURVEY_S, SURVEY_S):
        assert seen.far_off == frozenset()
        seen = look(seen, now_s, outside=6.5)
    assert seen.far_off == {"outside"}
    assert look(seen, 4000.0, outside=5.5).far_off == frozenset()
    # a forecast too warm by ever so much is no better than one too cold
    seen = look(look(outside=-10.5), OUTSIDE_FOR_S, outside=-10.5)
    assert seen.far_off == {"outside"}
    passed = look(look(look(outside=6.5), 1800.0, outside=-2.0), OUTSIDE_FOR_S, outside=6.5)
    assert passed.far_off == frozenset()
    assert look(outside=6.5, sky=replace(NIGHT, outside_c=math.nan)).astray_since_s == {}


# ---- how often ----------------------------------------------------------------------------------------


def play_words(lost, hours, period_s=60.0):
    """Return the survey of a probe that loses a share of its words at random."""
    rng, seen, kept = np.random.default_rng(4), UNSEEN, {}
    found_s = math.inf
    for now_s in np.arange(0.0, hours * 3600.0, 10.0):
        if now_s % period_s == 0.0 and rng.random() >= lost:
            kept["tree"] = remember(kept.get("tree"), 1.0, None, {}, at(now_s))
        if now_s % SURVEY_S == 0.0 and kept:
            seen = survey(seen, MEASURED, kept, math.nan, math.nan, NIGHT, at(now_s))
            judged = [Evidence(probe="tree", temp_c=1.0)]
            if of_survey(seen, MEASURED, judged, at(now_s)):
                found_s = min(found_s, now_s)
    return seen, found_s


def test_a_probe_that_loses_half_of_its_words_is_found_within_an_hour_and_a_half():
    seen, found_s = play_words(0.5, 2.0)
    assert seen.heard["tree"] < LEAST_HEARD
    assert found_s < 5400.0


@pytest.mark.parametrize("lost", [0.0, 0.1])
def test_a_probe_that_loses_few_is_not(lost):
    assert play_words(lost, 6.0)[1] == math.inf


def test_a_silent_probe_is_told_as_silent_only():
    seen = replace(UNSEEN, heard={"tree": 0.1})
    stale = Evidence(probe="tree", temp_c=1.0, fault=Reason.PROBE_STALE)
    assert of_survey(seen, MEASURED, [stale], at(0.0)) == []


# ---- the house and the outside ------------------------------------------------------------------------


def side_by_side(house_c, outside_c, sun_w_m2, hours=2.5):
    seen = UNSEEN
    sky = Sky(outside_c=outside_c, sun_w_m2=sun_w_m2)
    for now_s in np.arange(0.0, hours * 3600.0, SURVEY_S):
        seen = look(seen, now_s, sky=sky, house_c=house_c, outside_c=outside_c)
    return seen, now_s


@pytest.mark.parametrize(
    ("house_c", "outside_c", "sun_w_m2", "swapped"),
    [
        (4.0, 9.0, 300.0, True),  # in the sun a shut house is the warmer: any grower knows (common practice)
        (9.0, 4.0, 300.0, False),
        (-6.5, -2.0, 0.0, True),
        (-4.5, -2.0, 0.0, False),  # an unheated house may be a little colder than the night outside
        (4.0, 9.0, 150.0, False),  # a warm front under cloud
        (4.0, 9.0, math.nan, False),
        (math.nan, 9.0, 300.0, False),
    ],
)
def test_a_house_colder_than_the_outside_in_the_sun_has_its_probes_swapped(
    house_c, outside_c, sun_w_m2, swapped
):
    seen, now_s = side_by_side(house_c, outside_c, sun_w_m2)
    found = of_survey(seen, MEASURED, [], at(now_s))
    assert [each.code for each in found] == (["house-outside-swapped"] if swapped else [])


def test_not_before_two_hours_and_not_once_it_has_ended():
    seen, now_s = side_by_side(4.0, 9.0, 300.0, hours=SWAPPED_FOR_S / 3600.0)
    assert of_survey(seen, MEASURED, [], at(now_s)) == []
    seen = look(seen, now_s + 30.0, sky=Sky(outside_c=9.0, sun_w_m2=300.0), house_c=10.0, outside_c=9.0)
    assert of_survey(seen, MEASURED, [], at(now_s + 60.0)) == []
