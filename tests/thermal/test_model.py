import dataclasses

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from controller.site.load import example_site, load_site
from controller.thermal import model
from controller.thermal.model import Stepper, continuous, discretise, input_count, state_count
from controller.thermal.noise import Noise, intensity
from controller.thermal.parameters import parameters_of

P = parameters_of(load_site(example_site("curlew-yard")))
N = P.tree_count
COVERED = np.ones(N, dtype=bool)


def capacities(p):
    return np.concatenate(
        [
            [p.house_capacity_j_per_k, p.mass_capacity_j_per_k],
            [0.0, p.subsoil_capacity_j_per_k, 0.0],
            p.tree_capacity_j_per_k,
            p.fruit_capacity_j_per_k,
            p.soil_capacity_j_per_k,
        ]
    )


def test_heat_only_crosses_the_boundary_it_should():
    A, B = continuous(P, 3.0, 0.5, COVERED)
    stored, driven = capacities(P) @ A, capacities(P) @ B
    outside = P.house_loss_w_per_k + 3.0 * P.house_wind_loss_w_s_per_k_m + 0.5 * 1297.7
    expected = np.zeros(state_count(N))
    expected[model.HOUSE], expected[model.OFFSET] = -outside, outside
    expected[model.SUBSOIL] = -P.deep_w_per_k
    expected[model.SKY_ERROR] = -P.sky_loss_w_per_k / (1.0 + 3.0 / 4.0)  # as the sky itself, hidden by wind
    # what one node loses another gains, so trees and fruit drop out of the sum
    assert stored == pytest.approx(expected, rel=1e-4, abs=1e-9)
    assert driven[model.OUTSIDE] == pytest.approx(outside, rel=1e-4)
    assert driven[model.SKY] == pytest.approx(-P.sky_loss_w_per_k)
    assert driven[model.SUN] == pytest.approx(P.house_solar_m2 + P.mass_solar_m2 + P.tree_solar_m2.sum())
    assert driven[model.HOUSE_HEAT :] == pytest.approx(np.ones(1 + N))


def test_fleece_changes_only_its_own_trees_loss():
    some = COVERED.copy()
    some[1] = False
    A, _ = continuous(P, 0.0, 0.0, COVERED)
    bare, _ = continuous(P, 0.0, 0.0, some)
    changed = np.argwhere(np.abs(A - bare) > 0.0)
    tree = model.FIRST_TREE + 1
    assert {tuple(pair) for pair in changed} == {(0, 0), (0, tree), (tree, 0), (tree, tree)}
    assert bare[tree, 0] * P.tree_capacity_j_per_k[1] == pytest.approx(P.bare_loss_w_per_k[1])


def test_a_sky_that_errs_chills_as_one_that_is_told_and_is_forgotten():
    A, B = continuous(P, 3.0, 0.0, COVERED)
    told = B[model.HOUSE, model.SKY] * model.sky_chill_k(5.0, 3.0)
    assert A[model.HOUSE, model.SKY_ERROR] * 5.0 == pytest.approx(told)
    Phi, _, Q = discretise(A, B, 4 * 3600.0, intensity(Noise(), N)[0])
    assert Phi[model.SKY_ERROR, model.SKY_ERROR] == pytest.approx(np.exp(-1.0))
    # what is forgotten comes anew: the error stays as large as it was
    kept_k2 = Noise().sky_k ** 2 * Phi[model.SKY_ERROR, model.SKY_ERROR] ** 2
    assert kept_k2 + Q[model.SKY_ERROR, model.SKY_ERROR] == pytest.approx(Noise().sky_k ** 2)


def test_all_free_modes_decay():
    A, _ = continuous(P, 0.0, 0.0, COVERED)
    assert np.linalg.eigvals(A).real.max() < 0.0


@pytest.mark.parametrize("step_s", [60.0, 300.0, 3600.0])
def test_the_step_is_that_of_scipys_matrix_exponential(step_s):
    A, B = continuous(P, 2.0, 0.0, COVERED)
    noise = np.diag(np.linspace(1e-6, 1e-4, state_count(N)))
    Phi, Gamma, Q = discretise(A, B, step_s, noise)
    n, m = state_count(N), input_count(N)
    block = np.zeros((n + m, n + m))
    block[:n, :n], block[:n, n:] = A, B
    exact = expm(block * step_s)
    assert Phi == pytest.approx(exact[:n, :n], abs=1e-13)
    assert Gamma == pytest.approx(exact[:n, n:], rel=1e-10, abs=1e-12)
    # Van Loan 1978: the covariance from the exponential of [[-A, noise], [0, Aᵀ]]
    double = expm(np.block([[-A, noise], [np.zeros((n, n)), A.T]]) * min(step_s, 300.0))
    _, _, Q = discretise(A, B, min(step_s, 300.0), noise)
    expected = double[n:, n:].T @ double[:n, n:]
    assert pytest.approx(expected, rel=1e-8, abs=1e-14) == Q


def test_a_batch_of_modes_is_each_mode_alone():
    wind, vent = np.array([0.0, 4.0]), np.array([0.0, 1.0])
    fleece = np.array([COVERED, ~COVERED])
    A, B = continuous(P, wind, vent, fleece)
    Phi, Gamma, _ = discretise(A, B, 300.0)
    for k in range(2):
        alone = discretise(*continuous(P, wind[k], vent[k], fleece[k]), 300.0)
        assert Phi[k] == pytest.approx(alone[0], abs=1e-13)
        assert Gamma[k] == pytest.approx(alone[1], rel=1e-9, abs=1e-13)


def test_a_day_of_steps_follows_the_differential_equation():
    # An independent integrator (DOP853 at 1e-11) over inputs constant in each hour.
    wind, rng = 2.0, np.random.default_rng(4)
    A, B = continuous(P, wind, 0.0, COVERED)
    stepper = Stepper(P, 300.0)
    step, index = stepper.modes(wind, 0.0, COVERED)
    x = np.full(state_count(N), 4.0)
    exact = x.copy()
    for _ in range(24):
        u = rng.normal(size=input_count(N)) * np.r_[5.0, 10.0, 200.0, 1.0, 300.0, np.full(N, 150.0)]
        for _ in range(12):
            x = step.Phi[index] @ x + step.Gamma[index] @ u
        exact = solve_ivp(
            lambda _, y, u=u: A @ y + B @ u, (0.0, 3600.0), exact, "DOP853", rtol=1e-11, atol=1e-11
        ).y[:, -1]
    assert x == pytest.approx(exact, abs=1e-6)


def test_a_still_world_steps_nowhere():
    Phi, Gamma, Q = discretise(np.zeros((3, 3)), np.ones((3, 1)), 60.0)
    assert (Phi == np.eye(3)).all()
    assert Gamma == pytest.approx(np.full((3, 1), 60.0))
    assert (Q == 0.0).all()


def test_not_a_number_stays_in_its_own_mode():
    A, B = continuous(P, np.array([np.nan, 1.0]), 0.0, COVERED)
    Phi, _, _ = discretise(A, B, 60.0)
    assert np.isnan(Phi[0]).any()
    broken = discretise(A[:1], B[:1], 60.0)
    assert np.isnan(broken[0]).any()


def test_modes_are_made_once_and_found_again():
    noise = np.array([1e-6, 4e-6])[:, np.newaxis, np.newaxis] * np.eye(state_count(N))
    stepper = Stepper(P, 60.0, noise)
    step, first = stepper.modes(np.array([0.0, 3.2, 3.1, np.nan]), 0.0, COVERED)
    assert list(first) == [0, 1, 1, 0]
    assert step.Phi.shape[0] == 2
    again, index = stepper.modes(np.array([3.0]), np.array([0.0]), COVERED[np.newaxis])
    assert again is step
    assert list(index) == [1]
    _, vented = stepper.modes(3.0, 0.25, COVERED)
    assert vented == 2
    step, sunny = stepper.modes(3.0, 0.0, COVERED, 100.0)
    assert sunny == 3
    assert step.Q[3] == pytest.approx(4.0 * step.Q[1])
    assert (step.Phi[3] == step.Phi[1]).all()


def test_the_table_of_modes_is_bounded(monkeypatch):
    monkeypatch.setattr(model, "MOST_MODES", 3)
    stepper = Stepper(P, 60.0)
    for wind in np.arange(0.0, 10.0, 0.5):
        step, index = stepper.modes(wind, 0.0, COVERED)
        assert step.Phi.shape[0] <= 3
        A, B = continuous(P, wind, 0.0, COVERED)
        assert step.Phi[index] == pytest.approx(discretise(A, B, 60.0)[0])


def test_wind_bins_cost_little():
    # The largest rounding, 0.25 m/s, in a whole cold night's steady state under a sky 25 K colder than air.
    def steady(wind, chill):
        u = np.zeros(input_count(N))
        u[[model.OUTSIDE, model.SKY, model.DEEP]] = -6.0, chill, 7.0
        A, B = continuous(P, wind, 0.0, COVERED)
        return np.linalg.solve(A, -B @ u)[0]

    for wind in (0.0, 1.0, 3.0):
        chill = model.sky_chill_k(25.0, wind + 0.25)
        assert abs(steady(wind + 0.25, chill) - steady(wind, chill)) < 0.25


def test_wind_hides_the_house_from_the_sky():
    # By hand: all of it in calm air, half at 4 m/s, a third at 8 m/s; a wind below zero is none.
    assert model.sky_chill_k(24.0, np.array([0.0, 4.0, 8.0, -1.0])) == pytest.approx([24.0, 12.0, 8.0, 24.0])
    assert np.isnan(model.sky_chill_k(24.0, np.nan))


def test_more_trees_than_parameters_are_refused():
    with pytest.raises(ValueError, match="one value for each"):
        dataclasses.replace(P, tree_names=("a",))
