"""Likelihood and fit against general libraries: ``pytest -m long tests/bench/test_filter_peers.py -s``.

Peers: statsmodels' Kalman filter (compiled) and filterpy's (plain numpy), with L-BFGS of scipy on top of the
first.  All get the same matrices in one run.  Times are the best of several, with one BLAS thread each.
"""

import dataclasses
import time

import numpy as np
import pytest
from computing import best_s
from scipy.optimize import minimize
from synthetic import NOISE, heater_step, house, played, weather

from controller.thermal.fit import Problem, fit
from controller.thermal.innovations import (
    exact_log_likelihood,
    innovations,
    log_likelihood,
    readings_of,
    steady_covariance,
)
from controller.thermal.knobs import knobs_of, noise_turned, turned_once
from controller.thermal.model import (
    FIRST_TREE,
    HOUSE,
    MASS,
    Stepper,
    continuous,
    discretise,
    state_count,
)
from controller.thermal.noise import intensity, output_matrix, probe_covariance
from controller.thermal.record import driven

pytestmark = [pytest.mark.long, pytest.mark.timeout(900)]
STEPS = 8640
# Eleven numbers of a house with one tree, the ones that a month tells.
ELEVEN = (
    "house_loss_w_per_k",
    "house_wind_loss_w_s_per_k_m",
    "sky_loss_w_per_k",
    "house_capacity_j_per_k",
    "house_mass_w_per_k",
    "house_solar_m2",
    "fleece_loss_w_per_k",
    "tree_capacity_j_per_k",
    "fruit_w_per_k",
    "house_k_per_root_h",
    "tree_k_per_root_h",
)


def month(calm=False):
    """Return 30 days of a house with one tree, with one evening's heater step."""
    inputs = heater_step(weather(30, 1), house(1).string_w, 5)
    if calm:
        inputs = dataclasses.replace(inputs, wind_m_s=np.full(STEPS, 2.0), sun_w_m2=np.zeros(STEPS))
    return played(house(1), NOISE, inputs, 3)[0]


def four_states():
    """Return house, mass, tree and fruit as one linear system, its forcing, its readings and noises."""
    record = month(calm=True)
    A, B = continuous(house(1), 2.0, 0.0, np.ones(1, dtype=bool))
    keep = [HOUSE, MASS, FIRST_TREE, FIRST_TREE + 1]
    Phi, Gamma, Q = discretise(
        A[np.ix_(keep, keep)], B[keep], 300.0, intensity(NOISE, 1)[0][np.ix_(keep, keep)]
    )
    C, R = output_matrix(1)[:, keep], probe_covariance(NOISE, 1)
    return Phi, driven(record.inputs) @ Gamma.T, Q, C, R, record.readings_c


def of_statsmodels(Phi, forcing, Q, C, R, y, start, start_covariance):
    """Return statsmodels' filter of a system; Phi (n, n, T) or (n, n)."""
    kalman = pytest.importorskip("statsmodels.tsa.statespace.kalman_filter")
    peer = kalman.KalmanFilter(k_endog=y.shape[1], k_states=len(start), tolerance=0.0)
    peer.bind(np.ascontiguousarray(y))
    peer["design"], peer["obs_cov"], peer["transition"] = C, R, Phi
    peer["state_intercept"], peer["state_cov"], peer["selection"] = forcing.T, Q, np.eye(len(start))
    peer.initialize_known(start, start_covariance)
    return peer


def test_one_likelihood_against_statsmodels_and_filterpy():
    filterpy = pytest.importorskip("filterpy.kalman")
    Phi, forcing, Q, C, R, y = four_states()
    start, readings = np.array([4.0, 6.0, 4.0, 4.0]), readings_of(y)
    P0 = steady_covariance(Phi, Q, C, R)

    def ours():
        found = innovations(
            Phi=Phi[np.newaxis, np.newaxis],
            forcing=forcing[np.newaxis],
            mode=np.zeros(STEPS, dtype=np.intp),
            gain_of_mode=np.zeros(1, dtype=np.intp),
            covariance=steady_covariance(Phi[np.newaxis, np.newaxis], Q, C, R),
            C=C,
            R=R[np.newaxis],
            readings=readings,
            start=start[np.newaxis],
        )
        return float(log_likelihood(found)[0])

    def theirs():
        return float(of_statsmodels(Phi, forcing, Q, C, R, y, start, P0).loglike())

    def plain():
        peer = filterpy.KalmanFilter(dim_x=4, dim_z=2, dim_u=4)
        peer.F, peer.H, peer.Q, peer.R, peer.B = Phi, C, Q, R, np.eye(4)
        peer.x, peer.P = start[:, np.newaxis], P0
        total = 0.0
        for k in range(STEPS):
            peer.update(y[k][:, np.newaxis])
            total += peer.log_likelihood
            peer.predict(u=forcing[k][:, np.newaxis])
        return total

    exact = exact_log_likelihood(
        Phi=Phi[np.newaxis],
        forcing=forcing,
        Q=Q[np.newaxis],
        mode=np.zeros(STEPS, dtype=np.intp),
        C=C,
        R=R,
        y=y,
        start=start,
        start_covariance=P0,
    )
    took = {"ours": best_s(ours), "statsmodels": best_s(theirs), "filterpy": best_s(plain, 1)}
    print("\none likelihood, 4 states, 2 outputs, 8640 steps")
    for name, seconds in took.items():
        print(f"  {name:12s} {1e3 * seconds:8.2f} ms  {seconds / took['ours']:6.1f} x ours")
    print(
        f"  log L: exact {exact:.7f}, statsmodels {theirs():.7f}, steady {ours():.7f}, filterpy {plain():.7f}"
    )
    assert exact == pytest.approx(theirs(), abs=1e-6)
    assert ours() == pytest.approx(exact, abs=1e-6)  # from a steady start in one mode there is no difference
    assert took["ours"] <= took["statsmodels"] / 5.0
    assert took["ours"] <= took["filterpy"] / 100.0


def eleven_knobs():
    """Return the knobs of the eleven numbers."""
    knobs = knobs_of(1, bare_seen=False, sun_seen=True)
    return tuple(knob for knob in knobs if knob.field in ELEVEN)


def test_a_fit_of_30_days_against_statsmodels_with_l_bfgs():
    knobs, prior = eleven_knobs(), house(1)
    assert len(knobs) == 11
    truth = 0.5 * np.array([knob.sd * (-1) ** k for k, knob in enumerate(knobs)])
    inputs = heater_step(weather(30, 1), prior.string_w, 5)
    inputs = dataclasses.replace(inputs, wind_m_s=np.rint(inputs.wind_m_s))
    record, _ = played(turned_once(prior, knobs, truth), noise_turned(NOISE, knobs, truth), inputs, 3)
    problem = Problem(record, prior, NOISE, knobs)
    rng, optima = np.random.default_rng(5), []
    begin = time.process_time()
    fitted = fit(record, prior, NOISE, knobs=knobs, read_every_s=0.0)
    ours_s = time.process_time() - begin
    for _ in range(20):
        start = rng.uniform(-np.log(2.0), np.log(2.0), len(knobs))
        optima.append(fit(record, prior, NOISE, knobs=knobs, read_every_s=0.0, start=start).log_posterior)
    reached = int((np.array(optima) > fitted.log_posterior - 0.05).sum())
    y, u, skip = record.readings_c, driven(record.inputs), problem.skip
    start = problem.innovations(np.zeros((1, 11))).states[0, skip]
    evaluations = 0

    def objective(theta):
        nonlocal evaluations
        evaluations += 1
        noise = noise_turned(NOISE, knobs, theta)
        step, mode = Stepper(turned_once(prior, knobs, theta), 300.0, intensity(noise, 1)).modes_of(
            record.inputs
        )
        Phi, forcing = step.Phi[mode], np.einsum("tij,tj->ti", step.Gamma[mode], u)
        peer = of_statsmodels(
            np.moveaxis(Phi[skip:], 0, -1),
            forcing[skip:],
            np.moveaxis(step.Q[mode][skip:], 0, -1),
            output_matrix(1),
            probe_covariance(noise, 1),
            y[skip:],
            start,
            np.eye(state_count(1)),
        )
        return 0.5 * float(theta**2 @ problem.prior_precision) - float(peer.loglike())

    begin = time.process_time()
    theirs = minimize(objective, np.zeros(11), method="L-BFGS-B")
    theirs_s = time.process_time() - begin
    print(
        f"\nfit of 30 days, 11 numbers: ours {ours_s:.2f} s, {fitted.rounds} rounds; statsmodels with L-BFGS"
    )
    print(f"  {theirs_s:.1f} s in {evaluations} evaluations, {theirs_s / ours_s:.0f} times; {reached} of 20")
    print(f"  starts reach the optimum; largest difference {np.abs(theirs.x - fitted.theta).max():.3f},")
    far = np.abs(theirs.x - fitted.theta) / fitted.standard_error
    inner = [column for column, knob in enumerate(knobs) if not knob.of_noise]
    # Steady gains take their new state at once when the sun comes and goes: that goes into the noises.
    print(f"  {far[inner].max():.2f} standard errors; of a noise {far.max():.2f}")
    assert reached >= 19
    assert ours_s <= theirs_s / 10.0
    # Gains take a new class of wind at once too, though the sky takes hours: that goes into the loss to it.
    assert far[inner].max() < 1.5
