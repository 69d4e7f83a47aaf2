"""The model witness: it hangs on no wire of the tree, forbids little, and is silent where it knows little."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from controller.guard.now import Now
from controller.guard.witness import (
    ABSURD_SCORE,
    LEARNS_S,
    LONGEST_GAP_S,
    MOST_MISSES,
    SILENT,
    STEP_S,
    Senses,
    Word,
    begin,
    heated,
    step,
    told,
    weather_now,
    witness_rules_of,
)
from controller.thermal.inputs import inputs_of
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, initial_state, predict
from tests.conftest import DUSK
from tests.plan.test_outlook import forecast

NIGHT = DUSK + timedelta(hours=2)


def after(seconds, *, clock_trusted=True):
    return Now(mono_s=seconds, utc=NIGHT + timedelta(seconds=seconds), clock_trusted=clock_trusted)


def senses(house_c=2.0, outside_c=-2.0, trees_c=(4.0,) * 5, *, fleece_on=(True,) * 5):
    return Senses(house_c=house_c, outside_c=outside_c, trees_c=trees_c, vent_m3_s=0.0, fleece_on=fleece_on)


@pytest.fixture
def rules(curlew_yard):
    return witness_rules_of(curlew_yard)


def run(site, rules, hours=3.0, begin_with=None, given=None, **more):
    witness = begin(site) if begin_with is None else begin_with
    first_s = 0.0 if begin_with is None else begin_with.estimate.at_s + STEP_S
    for k in range(int(hours * 3600.0 / STEP_S)):
        witness = step(witness, rules, given or senses(), after(first_s + STEP_S * k, **more))
    return witness


# ---- a word -------------------------------------------------------------------------------------------


def test_a_word_contradicts_what_is_unexplained_while_the_tree_may_be_cold():
    word = Word(mean_c=1.0, spread_k=0.5, trusted=True)
    assert not word.contradicts(2.0, 0.0), "at two spreads it is still explained"
    assert word.contradicts(2.01, 0.0)
    assert not word.contradicts(9.0, -0.01), "surely warm: nothing to contradict"
    assert not replace(word, trusted=False).contradicts(9.0, 0.0)
    assert not SILENT.contradicts(9.0, 0.0)
    assert not word.contradicts(math.nan, 0.0)


def test_nothing_heard_is_nothing_said(curlew_yard, rules):
    witness = begin(curlew_yard)
    assert witness.word(0) is SILENT
    assert witness.is_due(after(0.0))
    nothing = step(witness, rules, senses(house_c=math.nan), after(0.0))
    assert nothing.estimate is None
    assert nothing.word(4) is SILENT


# ---- what it knows ------------------------------------------------------------------------------------


def test_it_agrees_with_the_transfer_model_s_own_prediction(curlew_yard, rules):
    """Unread for hours, its mean is what ``predict`` says from the same start, weather and heat."""
    parameters, steps = parameters_of(curlew_yard), 24
    weather = inputs_of(forecast(-4.0), curlew_yard, parameters, NIGHT, horizon_s=steps * STEP_S)
    power_w = np.tile([350.0, 0.0, 100.0, 0.0, 0.0], (steps, 1))
    start = initial_state(
        parameters, house_temp_c=3.0, outside_temp_c=float(weather.outside_temp_c[0]),
        deep_temp_c=float(weather.deep_temp_c[0]),
    )  # fmt: skip
    expected = predict(parameters, start, replace(weather, string_w=power_w), Heat.GIVEN)

    witness = told(begin(curlew_yard), parameters, Noise(), weather)
    blind = senses(house_c=math.nan, outside_c=math.nan)
    witness = step(witness, rules, senses(house_c=3.0, outside_c=math.nan), after(0.0))
    witness = replace(witness, estimate=replace(witness.estimate, mean=start))
    for k in range(steps):
        for board, channel in (("east", "1"), ("west", "1")):
            witness = heated(witness, rules, board, (channel,), STEP_S)
        witness = replace(witness, joules=(*witness.joules[:2], 100.0 * STEP_S, *witness.joules[3:]))
        # the middle of the step just gone decides which row of the weather counts
        now = after(STEP_S * (k + 1))
        now = replace(now, utc=NIGHT + timedelta(seconds=STEP_S * (k + 0.5)))
        witness = step(witness, rules, blind, now)
    ours = [witness.word(tree).mean_c for tree in range(5)]
    assert ours == pytest.approx(expected.tree_temp_c[-1].tolist(), abs=0.05)  # wind stands in bins there


def test_a_tree_s_own_probe_does_not_move_it(curlew_yard, rules):
    honest = run(curlew_yard, rules, given=senses())
    forged = run(curlew_yard, rules, given=senses(trees_c=(9.0, 4.0, 4.0, 4.0, 4.0)))
    assert forged.word(0).mean_c == honest.word(0).mean_c
    assert forged.word(0).contradicts(9.0, 3.0)


def test_heat_warms_and_a_bare_tree_cools(curlew_yard, rules):
    witness = run(curlew_yard, rules, hours=6.0)
    cold_c = witness.word(0).mean_c
    lit = witness
    for _ in range(12):
        lit = heated(heated(lit, rules, "east", ("1", "6", "x"), STEP_S), rules, "none", ("1",), STEP_S)
        lit = step(lit, rules, senses(), after(lit.estimate.at_s + STEP_S))
    assert lit.word(0).mean_c > cold_c + 1.0
    assert lit.word(1).mean_c < lit.word(0).mean_c - 1.0
    bare = run(curlew_yard, rules, begin_with=witness, given=senses(fleece_on=(False,) * 5))
    assert bare.word(0).mean_c < run(curlew_yard, rules, begin_with=witness).word(0).mean_c - 0.5


def test_the_outside_probe_goes_before_the_forecast(curlew_yard, rules):
    parameters = parameters_of(curlew_yard)
    weather = inputs_of(forecast(-8.0), curlew_yard, parameters, NIGHT)
    witness = told(begin(curlew_yard), parameters, Noise(), weather)
    mild = senses(house_c=math.nan, outside_c=6.0)
    start = step(witness, rules, senses(), after(0.0))
    warm = run(curlew_yard, rules, 4.0, start, mild)
    cold = run(curlew_yard, rules, 4.0, start, replace(mild, outside_c=math.nan))
    assert warm.word(0).mean_c > cold.word(0).mean_c + 1.0


def test_without_outside_and_forecast_it_goes_by_the_house_and_is_less_sure(curlew_yard, rules):
    start = run(curlew_yard, rules, 2.0)
    blind = run(curlew_yard, rules, 2.0, start, senses(outside_c=math.nan))
    dark = run(curlew_yard, rules, 2.0, start, senses(house_c=math.nan, outside_c=math.nan))
    seeing = run(curlew_yard, rules, 2.0, start)
    assert blind.word(0).mean_c == pytest.approx(seeing.word(0).mean_c, abs=0.2)
    assert dark.word(0).spread_k > blind.word(0).spread_k + 0.5


# ---- when it is heard ---------------------------------------------------------------------------------


def test_by_night_it_is_sure_within_an_hour_or_two_and_steps_every_300_s(curlew_yard, rules):
    witness = run(curlew_yard, rules, hours=2.0)
    assert all(word.trusted for word in witness.words)
    assert not witness.is_due(after(witness.estimate.at_s + STEP_S - 1.0))
    assert witness.is_due(after(witness.estimate.at_s + STEP_S))


@pytest.mark.fault("X11")
def test_after_a_gap_it_begins_anew_as_unsure_as_at_first(curlew_yard, rules, met):
    witness = run(curlew_yard, rules)
    sure_k = witness.word(0).spread_k
    now = after(witness.estimate.at_s + LONGEST_GAP_S + 1.0)
    anew = step(witness, rules, senses(), now)
    assert anew.estimate.at_s == now.mono_s
    assert anew.word(0).spread_k > sure_k + 1.0
    assert witness.has_learnt(after(LEARNS_S + 1.0))
    assert not anew.has_learnt(after(now.mono_s + LEARNS_S - 1.0)), "nobody is told of what it doubts so soon"
    assert anew.has_learnt(after(now.mono_s + LEARNS_S))
    within = step(witness, rules, senses(), after(witness.estimate.at_s + LONGEST_GAP_S))
    assert within.estimate.at_s == witness.estimate.at_s + LONGEST_GAP_S
    assert within.word(0).spread_k < sure_k + 0.2
    met(
        reaction="none: it begins anew, too unsure to doubt a probe",
        alarm="none: it begins anew, too unsure to doubt a probe",
    )


def test_a_house_that_it_finds_absurd_three_times_in_a_row_silences_it(curlew_yard, rules):
    witness, count = run(curlew_yard, rules), []
    for k in range(2 * MOST_MISSES):  # the house leaps up and down, as no house does
        leap = senses(house_c=2.0 + 12.0 * (k % 2 == 0))
        witness = step(witness, rules, leap, after(witness.estimate.at_s + STEP_S))
        count.append((witness.misses, witness.word(0).trusted))
    assert count[:MOST_MISSES] == [(1, True), (2, True), (3, False)]
    assert run(curlew_yard, rules, 1.0, witness).word(0).trusted, "it is heard again once it understands"
    assert ABSURD_SCORE >= 4.0


def test_by_day_without_a_forecast_and_without_a_clock_it_is_not_heard(curlew_yard, rules):
    noon = timedelta(hours=17)
    witness = begin(curlew_yard)
    for k in range(24):
        now = after(STEP_S * k)
        witness = step(witness, rules, senses(), replace(now, utc=now.utc + noon))
    assert not any(word.trusted for word in witness.words)
    assert math.isfinite(witness.word(0).mean_c)
    assert not any(word.trusted for word in run(curlew_yard, rules, clock_trusted=False).words)


def test_with_a_forecast_the_sun_is_known_but_widens_the_spread(curlew_yard, rules):
    parameters = parameters_of(curlew_yard)
    weather = inputs_of(forecast(2.0), curlew_yard, parameters, NIGHT)
    sunny = replace(weather, sun_w_m2=np.full(weather.steps, 200.0))
    by_night, by_day = (
        run(curlew_yard, rules, begin_with=told(run(curlew_yard, rules, 0.1), parameters, Noise(), each))
        for each in (weather, sunny)
    )
    assert by_day.word(0).trusted
    assert by_day.word(0).spread_k > by_night.word(0).spread_k + 1.0
    assert by_day.word(0).mean_c > by_night.word(0).mean_c


def test_a_forecast_that_has_ended_or_holds_holes_is_no_forecast(curlew_yard, rules):
    parameters = parameters_of(curlew_yard)
    weather = inputs_of(forecast(2.0), curlew_yard, parameters, NIGHT, horizon_s=3600.0)
    holed = replace(weather, wind_m_s=np.full(weather.steps, np.nan))
    plain = run(curlew_yard, rules)
    for each in (weather, holed):
        known = told(begin(curlew_yard), parameters, Noise(), each)
        assert known.expected.row(after(3600.0)) is None
        assert known.expected.row(after(-1.0)) is None
    ended = run(curlew_yard, rules, begin_with=told(run(curlew_yard, rules, 0.1), parameters, Noise(), holed))
    assert ended.word(0).mean_c == pytest.approx(plain.word(0).mean_c, abs=0.1)
    assert told(ended, parameters, Noise(), None).expected is None


def test_what_is_expected_of_the_sky_is_said_where_somebody_knows(curlew_yard):
    parameters, rules = parameters_of(curlew_yard), witness_rules_of(curlew_yard)
    weather = inputs_of(forecast(2.0), curlew_yard, parameters, NIGHT, horizon_s=3600.0)
    known = told(begin(curlew_yard), parameters, Noise(), weather)
    assert weather_now(known, rules, after(0.0)) == (weather.outside_temp_c[0], weather.sun_w_m2[0])
    for witness, now in ((known, after(7200.0)), (begin(curlew_yard), after(0.0))):
        outside_c, sun_w_m2 = weather_now(witness, rules, now)
        assert (math.isnan(outside_c), sun_w_m2) == (True, 0.0), "by night there is no sun"
    noon = replace(after(0.0), utc=NIGHT + timedelta(hours=17))
    assert math.isnan(weather_now(begin(curlew_yard), rules, noon)[1])


def test_where_most_trees_are_unexplained_the_model_errs(curlew_yard, rules):
    warm, honest = 12.0, 4.0
    for wrong, heard in ((1, True), (2, True), (3, False), (5, False)):
        trees_c = (warm,) * wrong + (honest,) * (5 - wrong)
        assert run(curlew_yard, rules, given=senses(trees_c=trees_c)).word(0).trusted is heard, wrong
    # of five trees two are unsound: of the other two one is half
    trees_c = (warm, warm, honest, math.nan, math.nan)
    assert not run(curlew_yard, rules, given=senses(trees_c=trees_c)).word(0).trusted
    assert run(curlew_yard, rules, given=senses(trees_c=(warm,) + (math.nan,) * 4)).word(0).trusted


def test_a_new_model_replaces_the_filter_and_the_same_one_does_not(curlew_yard, rules):
    witness = run(curlew_yard, rules)
    same = told(witness, witness.filter.parameters, witness.filter.noise, None)
    assert same.filter is witness.filter
    other = told(witness, parameters_of(curlew_yard), Noise(probe_k=0.2), None)
    assert other.filter is not witness.filter
    assert other.estimate is witness.estimate


@pytest.mark.parametrize("field", ["house_loss_w_per_k", "mass_capacity_j_per_k", "tree_capacity_j_per_k"])
def test_a_model_of_no_numbers_says_nothing_and_begins_anew(curlew_yard, rules, field):
    witness = run(curlew_yard, rules)
    spoilt = replace(witness.filter.parameters, **{field: getattr(witness.filter.parameters, field) * np.nan})
    witness = told(witness, spoilt, Noise(), None)
    witness = step(witness, rules, senses(), after(witness.estimate.at_s + STEP_S))
    assert witness.estimate is None
    assert witness.word(0) is SILENT
