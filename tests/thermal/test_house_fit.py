"""How a real house is learnt: its noise is as wide as its own nights are missed."""

from dataclasses import fields, replace

import numpy as np
import pytest
from synthetic import NOISE, heater_step, house, played, weather

from controller.thermal import house_fit as module
from controller.thermal.doubt import doubt_of_fit
from controller.thermal.hindcast import filtered_states, hindcast
from controller.thermal.house_fit import CORNER_K, LASTING_K, fit_house
from controller.thermal.noise import Noise
from controller.thermal.record import part_of
from controller.thermal.spread import outputs, spread
from controller.thermal.trial import night_hindcast

P = house(1)
LOUD = replace(NOISE, house_k_per_root_h=1.5, tree_k_per_root_h=1.0, probe_k=0.8)
RECORD, STATES = played(P, NOISE, heater_step(weather(8, 1), P.string_w, 4), 3)
QUIET = fit_house(RECORD, P)


def test_a_house_that_is_missed_by_more_is_said_to_be():
    rough, _ = played(P, LOUD, weather(8, 1), 3)
    assert module._as_missed(QUIET, rough).probe_k > 1.3 * module._as_missed(QUIET, RECORD).probe_k
    scale = QUIET.noise.probe_k / CORNER_K
    assert QUIET.noise.offset_k == pytest.approx(scale * LASTING_K)  # all alike, so that no gain changes
    assert QUIET.noise.mass_k_per_root_h == pytest.approx(scale * Noise().mass_k_per_root_h)


def test_its_own_nights_lie_in_the_band_as_often_as_they_should_or_oftener():
    covered = night_hindcast(QUIET.parameters, QUIET.noise, RECORD, 288, doubt=doubt_of_fit(QUIET)).covered()
    assert (covered > 0.85).all()


def test_a_record_without_a_night_leaves_the_noise_as_it_was_thought():
    found = fit_house(RECORD.part(0, 288), P).noise
    assert (found.probe_k, found.offset_k) == (CORNER_K, LASTING_K)
    assert {field.name for field in fields(Noise)} >= {"probe_k", "sunny_factor"}


def test_a_hindcast_s_doubt_is_that_of_the_spread():
    doubt, steps, start = doubt_of_fit(QUIET), 144, 1000
    common = {"starts": np.array([start, start + 60]), "lead_s": steps * 300.0, "first_state": STATES[0]}
    seen = hindcast(QUIET.parameters, QUIET.noise, RECORD, doubt=doubt, **common)
    plain = hindcast(QUIET.parameters, QUIET.noise, RECORD, **common)
    assert (seen.sd_k > plain.sd_k).all()
    assert np.array_equal(seen.predicted_c, plain.predicted_c)
    states, covariance = filtered_states(QUIET.parameters, QUIET.noise, RECORD, STATES[0])
    ahead = spread(
        parameters=QUIET.parameters,
        noise=QUIET.noise,
        doubt=doubt,
        start_mean=states[start],
        start_covariance=covariance,
        inputs=part_of(RECORD.inputs, start, start + steps),
    )
    expected = np.hypot(outputs(ahead.sd[-1], 1), QUIET.noise.probe_k)
    assert seen.sd_k[0] == pytest.approx(expected, rel=1e-6)
