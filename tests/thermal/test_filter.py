import dataclasses

import numpy as np
import pytest
from synthetic import NOISE, first_state, house, played, weather

from controller.thermal.filter import Estimate, Filter
from controller.thermal.innovations import exact_log_likelihood
from controller.thermal.model import FIRST_TREE, HOUSE, OFFSET, SUNNY_W_M2, Stepper, state_count
from controller.thermal.noise import intensity, output_matrix, probe_covariance
from controller.thermal.record import driven, part_of

P = house()
N = P.tree_count
INPUTS = weather(2)
RECORD, STATES = played(P, NOISE, INPUTS, 1)


def run(record=RECORD, steps=None):
    inputs = record.inputs
    watch = Filter(P, NOISE)
    estimate = watch.start(inputs.start_s, record.readings_c[0], 3.0, 8.0)
    estimates, surprises = [estimate], []
    for k in range(1, steps or inputs.steps):
        estimate = watch.advance(estimate, part_of(inputs, k - 1, k), inputs.start_s + 300.0 * k)
        estimate, surprise = watch.read(estimate, record.readings_c[k])
        estimates.append(estimate)
        surprises.append(surprise)
    return watch, estimates, surprises


def test_it_is_an_exact_kalman_filter():
    # Its innovations make the same likelihood as the filter of ``innovations``, itself checked against a
    # joint Gaussian; five steps of 60 s are one of 300 s.
    watch, estimates, surprises = run(steps=60)
    step, mode = Stepper(P, 300.0, intensity(NOISE, N)).modes(
        INPUTS.wind_m_s, INPUTS.vent_m3_s, INPUTS.fleece_on, INPUTS.sun_w_m2
    )
    forcing = np.einsum("tij,tj->ti", step.Gamma[mode], driven(INPUTS))
    first = estimates[0]
    exact = exact_log_likelihood(
        Phi=step.Phi,
        forcing=np.r_[np.zeros((1, state_count(N))), forcing[:59]][1:],
        Q=step.Q,
        mode=mode[:59],
        C=output_matrix(N),
        R=probe_covariance(NOISE, N),
        y=np.r_[np.full((1, 1 + N), np.nan), RECORD.readings_c[1:59]],
        start=first.mean,
        start_covariance=first.covariance,
    )
    ours = 0.0
    for surprise, before in zip(surprises[:58], range(58), strict=True):
        ahead = watch.advance(
            estimates[before], part_of(INPUTS, before, before + 1), INPUTS.start_s + 300.0 * (before + 1)
        )
        C = output_matrix(N)
        S = C @ ahead.covariance @ C.T + probe_covariance(NOISE, N)
        v = surprise.innovation_k
        ours -= 0.5 * (v @ np.linalg.solve(S, v) + np.linalg.slogdet(S)[1] + (1 + N) * np.log(2 * np.pi))
    assert ours == pytest.approx(exact, abs=1e-6)


def test_truth_stays_inside_its_bands():
    _, estimates, surprises = run()
    late = slice(100, None)
    error = np.array([e.mean for e in estimates])[late] - STATES[late]
    sd = np.array([e.sd for e in estimates])[late]
    assert 0.8 < (np.abs(error) < 2.0 * sd).mean() <= 1.0  # 95 % if independent; two days are few
    scores = np.array([s.score for s in surprises])[late]
    assert np.abs(scores.mean(0)).max() < 0.2
    assert scores.std(0) == pytest.approx(np.ones(1 + N), abs=0.12)


def test_a_gap_of_hours_widens_the_band_and_it_comes_back():
    record = dataclasses.replace(
        RECORD, house_temp_c=RECORD.house_temp_c.copy(), tree_temp_c=RECORD.tree_temp_c.copy()
    )
    record.house_temp_c[220:292] = np.nan
    record.tree_temp_c[220:292] = np.nan
    watch, estimates, _ = run(record)
    sd = np.array([watch.witness(e)[1] for e in estimates])
    assert (sd[291] > 2.0 * sd[219]).all()
    assert (np.diff(sd[219:240], axis=0) > 0.0).all()
    assert sd[300] == pytest.approx(sd[219], rel=0.3)
    means = np.array([watch.witness(e)[0] for e in estimates])
    truth = STATES @ output_matrix(N).T
    assert (np.abs(means[291] - truth[291]) < 3.0 * sd[291]).all()


def test_a_lost_probe_is_still_witnessed_by_its_neighbours():
    record = dataclasses.replace(RECORD, tree_temp_c=RECORD.tree_temp_c.copy())
    record.tree_temp_c[100:, 0] = np.nan
    watch, estimates, surprises = run(record)
    mean, sd = watch.witness(estimates[-1])
    assert abs(mean[1] - STATES[-1, FIRST_TREE]) < 3.0 * sd[1]
    assert np.isnan(surprises[-1].score[1])
    assert np.isfinite(surprises[-1].score[[0, 2]]).all()


def test_odd_times_are_stepped_exactly():
    watch = Filter(P, NOISE)
    estimate = watch.start(0.0, np.full(1 + N, 2.0), 1.0, 8.0)
    one = part_of(INPUTS, 0, 1)
    whole = watch.advance(estimate, one, 150.0)
    halves = watch.advance(watch.advance(estimate, one, 37.5), one, 150.0)
    assert halves.mean == pytest.approx(whole.mean, abs=1e-2)  # wind is rounded alike, up to its bin
    assert halves.at_s == 150.0
    assert watch.advance(estimate, one, -5.0) is estimate
    assert watch.advance(estimate, one, float("nan")) is estimate


def test_an_unknown_outside_temperature_makes_it_less_sure_not_wrong():
    watch = Filter(P, NOISE)
    estimate = watch.start(0.0, np.full(1 + N, 2.0), 1.0, 8.0)
    blind = dataclasses.replace(part_of(INPUTS, 0, 1), outside_temp_c=np.array([np.nan]))
    after = watch.advance(estimate, blind, 7200.0)
    seeing = watch.advance(estimate, part_of(INPUTS, 0, 1), 7200.0)
    assert np.isfinite(after.mean).all()
    assert after.sd[HOUSE] > 1.3 * seeing.sd[HOUSE]
    assert after.sd[OFFSET] > seeing.sd[OFFSET]


def test_nothing_read_changes_nothing():
    watch = Filter(P, NOISE)
    estimate = Estimate(at_s=0.0, mean=first_state(P), covariance=np.eye(state_count(N)))
    same, surprise = watch.read(estimate, np.full(1 + N, np.nan))
    assert same is estimate
    assert np.isnan(surprise.innovation_k).all()


def test_a_covariance_stays_one():
    _, estimates, _ = run(steps=200)
    for estimate in estimates[::20]:
        assert (estimate.covariance == estimate.covariance.T).all()
        assert np.linalg.eigvalsh(estimate.covariance).min() > 0.0


def test_whole_steps_without_detours_are_the_same_steps(monkeypatch):
    monkeypatch.setattr("controller.thermal.filter.MOST_MODES", 2)  # as after a winter of changing weather
    watch, plain = Filter(P, NOISE), Filter(P, NOISE)
    estimate = watch.start(INPUTS.start_s, np.full(1 + N, 2.0), 1.0, 8.0)
    for k in range(0, INPUTS.steps, 37):
        one = part_of(INPUTS, k, k + 1)
        carried = watch.carry(
            estimate,
            driven(one)[0],
            3,
            wind_m_s=float(one.wind_m_s[0]),
            vent_m3_s=float(one.vent_m3_s[0]),
            fleece_on=tuple(one.fleece_on[0].tolist()),
            sunny=bool(one.sun_w_m2[0] > SUNNY_W_M2),
        )
        expected = plain.advance(estimate, one, estimate.at_s + 3 * watch._step_s)
        assert carried.at_s == expected.at_s
        assert carried.mean == pytest.approx(expected.mean, abs=1e-9)
        assert carried.covariance == pytest.approx(expected.covariance, abs=1e-9)
        assert len(watch._modes) <= 2
