import dataclasses

import numpy as np
import pytest
from synthetic import NOISE, first_state, heater_step, house, played, weather

from controller.thermal import fit as module
from controller.thermal.doubt import doubt_of_fit
from controller.thermal.fit import Problem, fit
from controller.thermal.hindcast import hindcast
from controller.thermal.innovations import exact_log_likelihood
from controller.thermal.knobs import knobs_of, noise_turned, turned, turned_once
from controller.thermal.model import Stepper, state_count
from controller.thermal.noise import intensity, output_matrix, probe_covariance
from controller.thermal.record import driven
from controller.thermal.spread import outputs, spread

P = house(1)
KNOBS = knobs_of(1, bare_seen=False, sun_seen=True)
TURNS = np.array([0.4 * knob.sd * (-1) ** k for k, knob in enumerate(KNOBS)])
TRUE, TRUE_NOISE = turned_once(P, KNOBS, TURNS), noise_turned(NOISE, KNOBS, TURNS)
STEPPED, _ = played(TRUE, TRUE_NOISE, heater_step(weather(10, 1), TRUE.string_w, 5), 3)
PASSIVE, _ = played(TRUE, TRUE_NOISE, weather(10, 1), 3)
FITTED = fit(STEPPED, P, read_every_s=0.0)


def test_a_heater_step_fixes_what_matters():
    z = (FITTED.theta - TURNS) / FITTED.standard_error
    assert FITTED.converged
    assert np.abs(z).max() < 3.5
    for label, tolerance in (("fleece loss", 0.10), ("house loss", 0.35)):
        column = next(k for k, name in enumerate(FITTED.labels) if name.startswith(label))
        assert abs(FITTED.theta[column] - TURNS[column]) < tolerance


def test_without_a_heater_step_the_scale_stays_that_of_the_prior():
    passive = fit(PASSIVE, P, read_every_s=0.0)
    column = FITTED.labels.index("fleece loss of satsuma-door")
    assert passive.standard_error[column] > 3.0 * FITTED.standard_error[column]
    # all losses and capacities move together: nothing in the record speaks against it
    scale = np.array([0.0 if knob.of_noise else 1.0 for knob in passive.knobs])
    problem = Problem(PASSIVE, P, NOISE)
    moved = problem.log_posterior(np.array([passive.theta, passive.theta + 0.1 * scale]))
    prior = -0.5 * (
        np.array([passive.theta, passive.theta + 0.1 * scale]) ** 2 * problem.prior_precision
    ).sum(-1)
    assert abs(np.diff(moved - prior)[0]) < 0.05


def test_the_gradient_and_information_are_those_of_the_posterior():
    problem = Problem(STEPPED, P, NOISE)
    _, gradient, information = problem.information(TURNS)
    h = 1e-4
    turns = h * np.eye(len(TURNS))
    up, down = problem.log_posterior(TURNS + turns), problem.log_posterior(TURNS - turns)
    assert gradient == pytest.approx((up - down) / (2 * h), rel=1e-2, abs=0.5)
    assert np.linalg.eigvalsh(information).min() > 0.0


# When the wind changes its class gains take at once the steady state that the sky's error, the offset and the
# soil would need hours or days to reach: some thousandths a reading; when the sun comes or goes, some 0.02.
@pytest.mark.parametrize(("sunny_factor", "each"), [(1.0, 9e-3), (4.0, 0.025)])
def test_the_steady_likelihood_is_close_to_the_exact_one(sunny_factor, each):
    noise = dataclasses.replace(NOISE, sunny_factor=sunny_factor)
    inputs = STEPPED.inputs
    rounded = dataclasses.replace(inputs, wind_m_s=np.rint(inputs.wind_m_s))
    record = dataclasses.replace(STEPPED, inputs=rounded)
    problem = Problem(record, P, noise)
    step, mode = Stepper(P, 300.0, intensity(noise, 1)).modes(
        rounded.wind_m_s, rounded.vent_m3_s, rounded.fleece_on, rounded.sun_w_m2
    )
    found = problem.innovations(np.zeros((1, len(KNOBS))))
    start = problem.skip
    P0 = module.steady_covariance(step.Phi[:1], step.Q[:1], output_matrix(1), probe_covariance(noise, 1))[0]
    exact = exact_log_likelihood(
        Phi=step.Phi,
        forcing=np.einsum("tij,tj->ti", step.Gamma[mode], driven(rounded))[start:],
        Q=step.Q,
        mode=mode[start:],
        C=output_matrix(1),
        R=probe_covariance(noise, 1),
        y=record.readings_c[start:],
        start=found.states[0, start],
        start_covariance=P0,
    )
    assert module.log_likelihood(found, skip=start)[0] == pytest.approx(
        exact, abs=each * record.readings_c[start:].size
    )


def test_other_starts_reach_the_same_optimum():
    rng = np.random.default_rng(11)
    for _ in range(2):
        again = fit(STEPPED, P, read_every_s=0.0, start=rng.uniform(-0.5, 0.5, len(KNOBS)))
        assert again.log_posterior == pytest.approx(FITTED.log_posterior, abs=0.01)
        assert again.theta == pytest.approx(FITTED.theta, abs=0.1)


def test_a_search_that_finds_no_better_place_ends(monkeypatch):
    monkeypatch.setattr(Problem, "log_posterior", lambda _, theta: np.full(len(theta), np.nan))
    stuck = fit(PASSIVE.part(0, 400), P)
    assert not stuck.converged
    assert (stuck.theta == 0.0).all()


def test_rounds_are_bounded(monkeypatch):
    monkeypatch.setattr(module, "_ROUNDS", 1)
    assert not fit(PASSIVE.part(0, 400), P).converged


def test_a_record_without_readings_returns_the_prior():
    nothing = dataclasses.replace(
        PASSIVE.part(0, 300), house_temp_c=np.full(300, np.nan), tree_temp_c=np.full((300, 1), np.nan)
    )
    learnt = fit(nothing, P)
    assert learnt.theta == pytest.approx(np.zeros(len(learnt.theta)), abs=1e-9)
    assert learnt.standard_error == pytest.approx([knob.sd for knob in learnt.knobs])


def test_a_house_without_trees_is_learnt_too():
    empty = house(0)
    record, _ = played(empty, NOISE, weather(6, 0), 5)
    learnt = fit(record, empty)
    assert learnt.converged
    assert not any("tree" in name for name in learnt.labels)


def test_knobs_are_what_the_record_can_tell():
    fields = {knob.field for knob in knobs_of(2, bare_seen=True, sun_seen=False)}
    assert "bare_loss_w_per_k" in fields
    assert not any("solar" in field for field in fields)
    assert knobs_of(1, bare_seen=False, sun_seen=True)[0].label(("a",)) == "house loss"
    assert FITTED.labels[-1] == "probe noise"


def test_turning_many_is_turning_each():
    theta = np.array([TURNS, -TURNS])
    many = turned(P, KNOBS, theta)
    for row in range(2):
        one = turned_once(P, KNOBS, theta[row])
        assert many.house_loss_w_per_k[row, 0] == one.house_loss_w_per_k
        assert (many.fleece_loss_w_per_k[row, 0] == one.fleece_loss_w_per_k).all()
    assert P.fleece_loss_w_per_k == house(1).fleece_loss_w_per_k  # the prior itself is untouched


def test_correlations_and_prior_widths():
    assert np.diag(FITTED.correlation) == pytest.approx(np.ones(len(KNOBS)))
    assert np.abs(FITTED.correlation).max() <= 1.0 + 1e-9
    assert FITTED.prior_widths == pytest.approx(FITTED.theta / [knob.sd for knob in FITTED.knobs])


def test_a_true_model_predicts_with_honest_bands():
    record, _ = played(P, NOISE, weather(30, 1, seed=8), 9)
    starts = np.arange(288, record.steps, 36)
    result = hindcast(P, NOISE, record, starts=starts, lead_s=6 * 3600.0, first_state=first_state(P))
    assert result.rmse_k == pytest.approx(np.sqrt((result.sd_k**2).mean(0)), rel=0.2)
    assert (np.abs(result.covered() - 0.9) < 0.08).all()  # about a hundred independent nights' parts
    assert result.error_k.shape == (len(result.start), 2)


def test_spread_adds_noise_parameters_and_members():
    inputs = PASSIVE.inputs
    # a wind that rises would hide the sky, and its error with it
    window = dataclasses.replace(PASSIVE.part(0, 144).inputs, wind_m_s=np.full(144, 2.0))
    start = first_state(P)
    common = {"parameters": FITTED.parameters, "noise": FITTED.noise, "start_mean": start}
    tight = np.eye(state_count(1)) * 1e-4
    plain = spread(**common, start_covariance=tight, inputs=window)
    assert plain.at_s[0] == inputs.start_s
    assert (np.diff(plain.sd[:, 0]) > -0.01).all()
    learnt = spread(**common, start_covariance=tight, inputs=window, doubt=doubt_of_fit(FITTED))
    known = [0, 1, 3, 5]  # all but the offset and the sky's error, which no parameter moves
    assert (learnt.sd[-1, known] > plain.sd[-1, known]).all()
    assert learnt.mean == pytest.approx(plain.mean)
    members = dataclasses.replace(
        window, outside_temp_c=window.outside_temp_c + np.array([[-1.0], [0.0], [1.0]])
    )
    mixed = spread(**common, start_covariance=tight, inputs=members)
    assert mixed.mean == pytest.approx(plain.mean, abs=1e-9)
    assert (mixed.sd[-1, :2] > plain.sd[-1, :2]).all()
    assert outputs(mixed.mean, 1).shape == (145, 2)


def test_spread_is_the_scatter_of_many_played_nights():
    # Monte Carlo with the same noise: an independent route to the same variance.
    window = weather(0.25, 1)
    record_states = np.array([played(P, NOISE, window, seed)[1][-1] for seed in range(400)])
    result = spread(
        parameters=P,
        noise=NOISE,
        start_mean=first_state(P),
        start_covariance=np.zeros((state_count(1), state_count(1))),
        inputs=window,
    )
    stray = (record_states.mean(0) - result.mean[-2]) / result.sd[-2]
    assert np.abs(stray).max() < 3.5 / np.sqrt(400)
    assert record_states.std(0) == pytest.approx(result.sd[-2], rel=0.12)
    # the share below a limit is the probability given
    limit = float(result.mean[-2, 0])
    assert result.below(limit)[-2, 0] == pytest.approx(0.5)
    assert result.below(limit - result.sd[-2, 0])[-2, 0] == pytest.approx(0.1587, abs=1e-4)


def test_the_curvature_is_corrected_along_the_steps_and_stays_positive():
    information = np.diag([1.0, 4.0])
    step, change = np.array([1.0, 1.0]), np.array([3.0, 5.0])
    corrected = module._corrected(information, [(step, change)])
    assert corrected @ step == pytest.approx(change)  # the secant condition
    assert np.linalg.eigvalsh(corrected).min() > 0.0
    assert module._corrected(information, [(step, -change)]) is information


def test_a_corrected_step_that_gains_nothing_is_followed_by_an_uncorrected_one(monkeypatch):
    truly, calls = Problem.log_posterior, []

    def one_failure(problem, theta):
        calls.append(len(theta))
        values = truly(problem, theta)
        return np.full(len(theta), np.nan) if 2 <= len(calls) <= 3 else values

    monkeypatch.setattr(Problem, "log_posterior", one_failure)
    assert fit(PASSIVE.part(0, 400), P).converged
