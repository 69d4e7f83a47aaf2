import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.stats import multivariate_normal

from controller.thermal import innovations as module
from controller.thermal.innovations import (
    exact_log_likelihood,
    innovations,
    log_likelihood,
    readings_of,
    recursion,
    steady_covariance,
    steady_covariance_near,
)

n, outputs_, T = 4, 2, 900
C = np.zeros((outputs_, n))
C[0, 0] = C[1, 2] = 1.0
Q, R = np.eye(n) * 0.01, np.eye(outputs_) * 0.04


def stable(rng, modes):
    return np.eye(n) * 0.85 + rng.normal(size=(modes, n, n)) * 0.03


def found(Phi, mode, y, forcing, start):
    covariance = steady_covariance(Phi, Q, C, R)
    return innovations(
        Phi=Phi[np.newaxis],
        forcing=forcing[np.newaxis],
        mode=mode,
        gain_of_mode=np.arange(len(Phi)),
        covariance=covariance[np.newaxis],
        C=C,
        R=R[np.newaxis],
        readings=readings_of(y),
        start=start[np.newaxis],
    )


def test_the_steady_covariance_is_scipys():
    Phi = stable(np.random.default_rng(0), 5)
    ours = steady_covariance(Phi, Q, C, R)
    for k in range(5):
        assert ours[k] == pytest.approx(solve_discrete_are(Phi[k].T, C.T, Q, R), abs=1e-14)


def test_the_steady_covariance_is_bounded_in_rounds(monkeypatch):
    monkeypatch.setattr(module, "_DOUBLINGS", 2)
    Phi = stable(np.random.default_rng(0), 1)
    assert not np.allclose(steady_covariance(Phi, Q, C, R)[0], solve_discrete_are(Phi[0].T, C.T, Q, R), 1e-9)


def test_from_a_model_beside_it_one_step_errs_by_the_square_of_their_distance():
    rng = np.random.default_rng(0)
    Phi = stable(rng, 5)
    near, turn = steady_covariance(Phi, Q, C, R), rng.normal(size=Phi.shape)
    for distance in (1e-2, 1e-4):
        moved, noisier = Phi + distance * turn, Q * (1.0 + distance)
        ours = steady_covariance_near(near, moved, noisier, C, R)
        for k in range(5):
            theirs = solve_discrete_are(moved[k].T, C.T, noisier, R)
            assert np.abs(ours[k] - theirs).max() < 3.0 * distance**2
            assert np.abs(near[k] - theirs).max() > 5e-3 * distance


@pytest.mark.parametrize("models", [1, 9])
@pytest.mark.parametrize("modes", [1, 3])
@pytest.mark.parametrize("steps", [1, 2, 400, 441, 450])
def test_every_form_of_the_recursion_is_the_plain_loop(models, modes, steps):
    rng = np.random.default_rng(steps)
    M = np.array([stable(rng, modes) for _ in range(models)])
    mode = rng.integers(0, modes, steps)
    forcing, start = rng.normal(size=(models, steps, n)), rng.normal(size=(models, n))
    x = np.empty((models, steps + 1, n))
    x[:, 0] = start
    for k in range(steps):
        x[:, k + 1] = np.einsum("pij,pj->pi", M[:, mode[k]], x[:, k]) + forcing[:, k]
    assert recursion(M, mode, forcing, start) == pytest.approx(x, abs=1e-11)


def test_the_exact_likelihood_is_that_of_one_large_gaussian():
    # All readings of a short record at once, from the definition: y ~ N(mean, O P0 Oᵀ + noise).
    rng = np.random.default_rng(1)
    Phi, steps = stable(rng, 1), 6
    y, P0 = rng.normal(size=(steps, outputs_)), np.eye(n)
    y[2, 0] = np.nan
    y[4] = np.nan
    forcing = rng.normal(size=(steps, n))
    state_mean, state_cov = np.zeros(steps * n), np.zeros((steps * n, steps * n))
    mean, blocks = np.ones(n), P0
    state_mean[:n], state_cov[:n, :n] = mean, P0
    for k in range(1, steps):
        here, before = slice(k * n, k * n + n), slice(k * n - n, k * n)
        state_mean[here] = Phi[0] @ state_mean[before] + forcing[k - 1]
        state_cov[here, : k * n] = Phi[0] @ state_cov[before, : k * n]
        state_cov[: k * n, here] = state_cov[here, : k * n].T
        blocks = Phi[0] @ blocks @ Phi[0].T + Q
        state_cov[here, here] = blocks
    seen = np.kron(np.eye(steps), C)
    flat = y.reshape(-1)
    there = np.isfinite(flat)
    joint = seen @ state_cov @ seen.T + np.kron(np.eye(steps), R)
    expected = multivariate_normal((seen @ state_mean)[there], joint[np.ix_(there, there)]).logpdf(
        flat[there]
    )
    ours = exact_log_likelihood(
        Phi=Phi,
        forcing=forcing,
        Q=Q[np.newaxis],
        mode=np.zeros(steps, dtype=int),
        C=C,
        R=R,
        y=y,
        start=np.ones(n),
        start_covariance=P0,
    )
    assert ours == pytest.approx(expected, abs=1e-9)


def test_steady_gains_are_exact_from_a_steady_start_in_one_mode():
    rng = np.random.default_rng(2)
    Phi = stable(rng, 1)
    y, forcing, start = rng.normal(size=(T, outputs_)), rng.normal(size=(T, n)) * 0.1, np.ones(n)
    mode = np.zeros(T, dtype=int)
    exact = exact_log_likelihood(
        Phi=Phi,
        forcing=forcing,
        Q=Q[np.newaxis],
        mode=mode,
        C=C,
        R=R,
        y=y,
        start=start,
        start_covariance=steady_covariance(Phi, Q, C, R)[0],
    )
    assert log_likelihood(found(Phi, mode, y, forcing, start))[0] == pytest.approx(exact, abs=1e-6)


def test_missing_readings_and_switches_are_passed_over():
    rng = np.random.default_rng(3)
    Phi = stable(rng, 3)
    y = rng.normal(size=(T, outputs_))
    y[rng.random(y.shape) < 0.02] = np.nan
    y[100:140] = np.nan
    mode = rng.integers(0, 3, T)
    forcing, start = rng.normal(size=(T, n)) * 0.1, np.ones(n)
    result = found(Phi, mode, y, forcing, start)
    assert (np.isnan(result.v[0]) == np.isnan(y)).all()
    # in the gap the state runs free
    x = result.states[0, 100]
    for k in range(100, 140):
        x = Phi[mode[k]] @ x + forcing[k]
    assert result.states[0, 140] == pytest.approx(x, abs=1e-12)
    whole = log_likelihood(result)[0]
    assert np.isfinite(whole)
    assert log_likelihood(result, skip=T)[0] == 0.0
    last = log_likelihood(result, skip=T - 1)[0]
    S, v = result.S[0, mode[-1]], result.v[0, -1]
    there = np.isfinite(v)
    assert last == pytest.approx(
        multivariate_normal(np.zeros(there.sum()), S[np.ix_(there, there)]).logpdf(v[there])
    )
