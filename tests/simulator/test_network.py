import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.physics import STEFAN_BOLTZMANN_W_PER_M2_K4
from simulator.network import Links, Network


def small_network(**kinds):
    """A chain of three nodes, the first on a boundary: outside (3) - 0 - 1 - 2."""
    links = Links()
    links.add([0, 1, 0], [1, 2, 3], **kinds)
    return Network(np.array([2e4, 5e4, 1e5]), links.ends, boundaries=1), links.coefficients


def test_a_linear_network_follows_an_independent_solver():
    network, coefficients = small_network(fixed_w_per_k=[8.0, 5.0, 12.0])
    source_w = np.array([0.0, 60.0, 0.0])
    temp_k = np.array([280.0, 285.0, 275.0, 268.0])

    def slopes(_, node_k):
        flows_w = [
            8.0 * (node_k[1] - node_k[0]) + 12.0 * (268.0 - node_k[0]),
            8.0 * (node_k[0] - node_k[1]) + 5.0 * (node_k[2] - node_k[1]) + 60.0,
            5.0 * (node_k[1] - node_k[2]),
        ]
        return np.array(flows_w) / [2e4, 5e4, 1e5]

    hours = 6
    reference = solve_ivp(slopes, (0, hours * 3600), temp_k[:3], rtol=1e-9, atol=1e-9).y[:, -1]
    errors_k = []
    for dt_s in (60.0, 30.0):
        now_k = temp_k.copy()
        for _ in range(int(hours * 3600 / dt_s)):
            conductance = network.conductance_w_per_k(coefficients, now_k, 0.0)
            now_k[:3] = network.step(now_k, conductance, source_w, dt_s)
        errors_k.append(np.abs(now_k[:3] - reference).max())
    assert errors_k[0] < 0.02
    assert errors_k[1] == pytest.approx(errors_k[0] / 2, rel=0.1)  # backward Euler is of first order


def test_a_step_of_any_length_reaches_the_hand_worked_steady_state():
    # 60 W through 12 W/K to the boundary is 5 K; through 8 W/K to node 1 another 7.5 K
    network, coefficients = small_network(fixed_w_per_k=[8.0, 5.0, 12.0])
    temp_k = np.array([280.0, 285.0, 275.0, 268.0])
    conductance = network.conductance_w_per_k(coefficients, temp_k, 0.0)
    after_k = network.step(temp_k, conductance, np.array([0.0, 60.0, 0.0]), 1e9)
    assert after_k == pytest.approx([273.0, 280.5, 280.5], abs=1e-3)


def test_radiant_links_exchange_as_the_fourth_powers_differ():
    network, coefficients = small_network(radiant_m2=[2.0, 0.0, 0.0])
    temp_k = np.array([300.0, 260.0, 270.0, 280.0])
    conductance = network.conductance_w_per_k(coefficients, temp_k, 0.0)
    by_hand_w = 2.0 * STEFAN_BOLTZMANN_W_PER_M2_K4 * (300.0**4 - 260.0**4)
    assert conductance[0] * (300.0 - 260.0) == pytest.approx(by_hand_w, rel=1e-12)


@pytest.mark.parametrize(("first_k", "coefficient"), [(283.0, 1.5), (267.0, 0.6)])
def test_convection_goes_with_the_cube_root_and_with_which_side_is_warmer(first_k, coefficient):
    network, coefficients = small_network(convective=([3.0, 0.0, 0.0], [1.2, 0.0, 0.0]))
    temp_k = np.array([first_k, 275.0, 275.0, 275.0])
    conductance = network.conductance_w_per_k(coefficients, temp_k, 0.0)
    assert conductance[0] == pytest.approx(2.0 * coefficient * abs(first_k - 275.0) ** (1 / 3))


def test_wind_links_conduct_with_the_wind():
    network, coefficients = small_network(fixed_w_per_k=1.0, wind_w_s_per_k_m=[0.0, 0.0, 4.0])
    temp_k = np.full(4, 275.0)
    assert network.conductance_w_per_k(coefficients, temp_k, 2.5) == pytest.approx([1.0, 1.0, 11.0])


def test_every_step_balances_to_rounding_whatever_the_links_are_made_of():
    network, coefficients = small_network(
        fixed_w_per_k=1.0, radiant_m2=0.7, convective=(3.0, 1.0), wind_w_s_per_k_m=2.0
    )
    rng = np.random.default_rng(5)
    for _ in range(50):
        before_k = rng.uniform(250.0, 310.0, 4)
        source_w = rng.normal(0.0, 100.0, 3)
        dt_s = float(rng.uniform(1.0, 3600.0))
        conductance = network.conductance_w_per_k(coefficients, before_k, 1.0)
        after_k = before_k.copy()
        after_k[:3] = network.step(before_k, conductance, source_w, dt_s)
        residual_w = network.residual_w(before_k, after_k, conductance, source_w, dt_s)
        assert np.abs(residual_w).max() < 1e-9 * 1e5 * 300.0 / dt_s


def test_a_residual_is_seen_when_a_temperature_is_wrong():
    network, coefficients = small_network(fixed_w_per_k=[8.0, 5.0, 12.0])
    before_k = np.array([280.0, 285.0, 275.0, 268.0])
    conductance = network.conductance_w_per_k(coefficients, before_k, 0.0)
    after_k = before_k.copy()
    after_k[:3] = network.step(before_k, conductance, np.zeros(3), 60.0)
    after_k[1] += 0.01
    residual_w = network.residual_w(before_k, after_k, conductance, np.zeros(3), 60.0)
    assert residual_w[1] == pytest.approx(0.01 * (5e4 / 60.0 + 13.0), rel=1e-6)


@pytest.mark.parametrize(
    ("capacity", "a", "b", "fault"),
    [
        ([1.0, 0.0], [0], [1], "capacity"),
        ([1.0, 1.0], [0, 1], [1, 0], "one link only"),
        ([1.0, 1.0], [1], [1], "none to itself"),
        ([1.0, 1.0], [2], [3], "two boundaries"),
        ([1.0, 1.0], [0], [4], "does not exist"),
    ],
)
def test_a_network_that_cannot_be_is_refused(capacity, a, b, fault):
    links = Links()
    links.add(a, b, fixed_w_per_k=1.0)
    with pytest.raises(ValueError, match=fault):
        Network(np.array(capacity), links.ends, boundaries=2)
