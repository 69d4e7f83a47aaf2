import dataclasses

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.site.load import example_site, load_site
from controller.thermal import predict as predict_module
from controller.thermal.drive import Inputs
from controller.thermal.model import (
    FIRST_TREE,
    MASS,
    OFFSET,
    SUBSOIL,
    Stepper,
    continuous,
    fruits,
    sky_chill_k,
    soils,
    state_count,
    trees,
)
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, initial_state, predict

P = parameters_of(load_site(example_site("curlew-yard")))
N = P.tree_count
SPAN = 96
# A string that can hold every tree in these nights.
STRONG = dataclasses.replace(P, string_w=np.full(N, 2000.0))


def weather(steps=SPAN, leading=(), **changed):
    shape = (*leading, steps)
    values = {
        "outside_temp_c": np.full(shape, -6.0),
        "sky_depression_k": np.full(shape, 20.0),
        "wind_m_s": np.full(shape, 1.0),
        "sun_w_m2": np.zeros(shape),
        "deep_temp_c": np.full(shape, 8.0),
        "vent_m3_s": np.zeros(shape),
        "house_heat_w": np.zeros(shape),
        "fleece_on": np.ones((steps, N), dtype=bool),
        "string_w": np.zeros((steps, N)),
    }
    return Inputs(start_s=1.0e9, **(values | changed))


def start(**changed):
    known = {"house_temp_c": 3.0, "tree_temp_c": np.full(N, 4.0), "outside_temp_c": 1.0, "deep_temp_c": 8.0}
    return initial_state(P, **(known | changed))


def steady(p, outside_c, chill_k, deep_c, string_w, *, wind_m_s):
    """Solve the house's balance as a network of conductances, written anew from the drawing of the model."""
    house, mass, subsoil, n = 0, 1, 2, p.tree_count
    tree, soil = 3 + np.arange(n), 3 + n + np.arange(n)
    loss = p.house_loss_w_per_k + p.house_wind_loss_w_s_per_k_m * wind_m_s
    ties = [(house, mass, p.house_mass_w_per_k), (mass, subsoil, p.mass_subsoil_w_per_k)]
    for i in range(n):
        stored = p.soil_capacity_j_per_k[i]
        ties += [
            (house, tree[i], p.fleece_loss_w_per_k[i]),
            (tree[i], soil[i], p.tree_soil_w_per_k[i]),
            (soil[i], mass, stored * p.soil_rim_per_s[i]),
            (soil[i], subsoil, stored * p.soil_down_per_s[i]),
        ]
    balance, given = np.zeros((3 + 2 * n, 3 + 2 * n)), np.zeros(3 + 2 * n)
    for one, other, w_per_k in ties:
        for here, there in ((one, other), (other, one)):
            balance[here, here] += w_per_k
            balance[here, there] -= w_per_k
    balance[house, house] += loss
    balance[subsoil, subsoil] += p.deep_w_per_k
    given[house] = loss * outside_c - p.sky_loss_w_per_k * chill_k
    given[subsoil] = p.deep_w_per_k * deep_c
    given[tree] = string_w
    found_c = np.linalg.solve(balance, given)
    return found_c[house], found_c[mass], found_c[tree]


def test_a_long_steady_night_ends_at_the_balance_worked_by_hand():
    power = np.array([100.0, 0.0, 50.0, 200.0, 300.0])
    steps = 12 * 24 * 60
    inputs = weather(steps, string_w=np.broadcast_to(power, (steps, N)))
    result = predict(P, start(), inputs, Heat.GIVEN)
    house_c, mass_c, tree_c = steady(P, -6.0, 20.0 / 1.25, 8.0, power, wind_m_s=1.0)
    assert result.house_temp_c[-1] == pytest.approx(house_c, abs=1e-3)
    assert result.states[-1, MASS] == pytest.approx(mass_c, abs=1e-3)
    assert result.tree_temp_c[-1] == pytest.approx(tree_c, abs=1e-3)
    assert result.fruit_temp_c[-1] == pytest.approx(tree_c, abs=1e-3)  # no heat flows in balance


# Watts per tree to hold 0 °C as computed for the project from a steady balance with other coefficients
# (house 6 x 12 m, 12 trees all heated, glass or two films, soil 6 °C at 15 cm, clear and calm unless said);
# the table states its own error as ±30 %.  Rows: fleece loss, cover, wind, sky depression, watts, and how
# far off we may be as a share of the coldest night's watts.  Under glass we are 7-19 % above it, overcast
# 15 % (34 % at -6 °C); under two films 25-31 % on the coldest night and more on mild ones (60-88 W
# throughout), outside the stated error: the published loss of two films that we use is higher, which
# errs towards heat.
TABLE = {
    "17-20 g, glass": (110.0, "single-glass", 0.7, 23.0, (215, 320, 422, 523), 0.1),
    "30 g, glass": (95.0, "single-glass", 0.7, 23.0, (196, 295, 391, 485), 0.1),
    "30 g, two films": (95.0, "double-film", 0.7, 23.0, (126, 203, 278, 351), 0.34),
    "two layers, glass": (60.0, "single-glass", 0.7, 23.0, (139, 216, 292, 366), 0.15),
    "two layers, two films": (60.0, "double-film", 0.7, 23.0, (88, 150, 211, 270), 0.34),
    "30 g, glass, overcast 3 m/s": (95.0, "single-glass", 3.0, 5.0, (6, 116, 227, 337), 0.17),
}
OUTSIDE_C = (-3.0, -6.0, -9.0, -12.0)


def twelve_trees(fleece_w_per_k, cover):
    site = load_site(example_site("curlew-yard"))
    house = site.house.model_copy(
        update={
            "length_m": 12.0,
            "width_m": 6.0,
            "eaves_height_m": 2.0,
            "ridge_height_m": 3.8,
            "glazing": cover,
        }
    )
    trees = tuple(
        site.trees[0].model_copy(update={"name": f"tree-{k}", "height_m": 2.5, "width_m": 2.0})
        for k in range(12)
    )
    p = parameters_of(site.model_copy(update={"house": house, "trees": trees}))
    # The table's soil: 6 °C held at 15 cm, 3.9 W/(m²·K) from there to the air; so the subsoil is held and the
    # path to it from the middle of our topsoil is what is left of that resistance.
    open_m2 = 72.0 - 12.0 * np.pi
    rest = open_m2 / (1.0 / 3.9 - open_m2 / p.house_mass_w_per_k)
    under = np.pi / (1.0 / 3.9 - np.pi / p.tree_soil_w_per_k)
    return dataclasses.replace(
        p,
        fleece_loss_w_per_k=np.full(12, fleece_w_per_k),
        mass_subsoil_w_per_k=rest,
        deep_w_per_k=1e9,
        soil_rim_per_s=np.zeros(12),
        soil_down_per_s=under / p.soil_capacity_j_per_k,
    )


def watts_to_hold_0_c(p, outside_c, depression_k, wind_m_s):
    chill = sky_chill_k(depression_k, wind_m_s)
    none = steady(p, outside_c, chill, 6.0, np.zeros(12), wind_m_s=wind_m_s)[2][0]
    some = steady(p, outside_c, chill, 6.0, np.full(12, 100.0), wind_m_s=wind_m_s)[2][0]
    return -none / (some - none) * 100.0


@pytest.mark.parametrize("row", TABLE)
def test_watts_per_tree_stay_as_near_to_the_projects_table_as_it_says(row):
    fleece, cover, wind, depression, expected, share = TABLE[row]
    p = twelve_trees(fleece, cover)
    watts = np.array([watts_to_hold_0_c(p, outside, depression, wind) for outside in OUTSIDE_C])
    off_pct = 100.0 * (watts / np.array(expected) - 1.0)
    print(f"{row}: {np.round(watts)} W, off by {np.round(off_pct)} %")
    assert np.abs(watts - expected).max() < share * np.max(expected)


def test_the_free_run_follows_the_differential_equation():
    rng = np.random.default_rng(7)
    inputs = weather(
        outside_temp_c=rng.normal(-2.0, 3.0, SPAN),
        wind_m_s=rng.integers(0, 12, SPAN) * 0.5,
        vent_m3_s=rng.integers(0, 2, SPAN) * 0.4,
        sun_w_m2=rng.uniform(0.0, 300.0, SPAN),
        house_heat_w=rng.uniform(0.0, 900.0, SPAN),
        string_w=rng.uniform(0.0, 300.0, (SPAN, N)),
        fleece_on=rng.random((SPAN, N)) < 0.5,
    )
    result = predict(P, start(), inputs, Heat.GIVEN)
    y = start()
    for k in range(SPAN):
        A, B = continuous(P, inputs.wind_m_s[k], inputs.vent_m3_s[k], inputs.fleece_on[k])
        chill = sky_chill_k(20.0, inputs.wind_m_s[k])
        u = np.r_[
            inputs.outside_temp_c[k],
            chill,
            inputs.sun_w_m2[k],
            8.0,
            inputs.house_heat_w[k],
            inputs.string_w[k],
        ]
        y = solve_ivp(lambda _, x, A=A, f=B @ u: A @ x + f, (0, 300), y, "DOP853", rtol=1e-11, atol=1e-11).y[
            :, -1
        ]
    assert result.states[-1] == pytest.approx(y, abs=1e-6)


def test_energy_given_is_energy_stored_or_lost():
    power = np.full((SPAN * 30, N), 150.0)
    inputs = dataclasses.replace(
        weather(SPAN * 30, string_w=power, sun_w_m2=np.full(SPAN * 30, 50.0)), step_s=10.0
    )
    result = predict(P, start(), inputs, Heat.GIVEN)
    states = result.states
    stored = (
        P.house_capacity_j_per_k * states[:, 0]
        + P.mass_capacity_j_per_k * states[:, 1]
        + P.subsoil_capacity_j_per_k * states[:, SUBSOIL]
        + states[:, trees(N)] @ P.tree_capacity_j_per_k
        + states[:, fruits(N)] @ P.fruit_capacity_j_per_k
        + states[:, soils(N)] @ P.soil_capacity_j_per_k
    )
    mean = 0.5 * (states[1:] + states[:-1])
    loss = P.house_loss_w_per_k + P.house_wind_loss_w_s_per_k_m
    sun_m2 = P.house_solar_m2 + P.mass_solar_m2 + P.tree_solar_m2.sum()
    gained = (
        loss * (-6.0 - mean[:, 0])
        - P.sky_loss_w_per_k * 16.0
        + P.deep_w_per_k * (8.0 - mean[:, SUBSOIL])
        + 50.0 * sun_m2
        + 150.0 * N
    )
    assert stored[-1] - stored[0] == pytest.approx(10.0 * gained.sum(), rel=1e-4)
    assert result.energy_kwh == pytest.approx(np.full(N, 150.0 * 10.0 * SPAN * 30 / 3.6e6))


def test_held_trees_stay_exactly_at_their_hold_temperature():
    result = predict(STRONG, start(), weather(), Heat.HELD)
    free = predict(STRONG, start(), weather(), Heat.NONE)
    assert (free.tree_min_c < -2.0).all()
    assert (free.fruit_min_c > free.tree_min_c).all()  # fruit lags behind falling air
    assert result.tree_min_c == pytest.approx(P.hold_c, abs=1e-6)
    heated = result.string_w > 0.0
    assert result.tree_temp_c[1:][heated] == pytest.approx(
        np.broadcast_to(P.hold_c, heated.shape)[heated], abs=1e-6
    )
    assert not result.short_of_heat.any()
    assert np.isnan(result.short_from_s).all()
    # replaying those powers gives the same night
    replay = predict(STRONG, start(), weather(string_w=result.string_w), Heat.GIVEN)
    assert replay.states == pytest.approx(result.states, abs=1e-9)


def test_heat_begins_when_the_first_step_needs_it_and_ends_with_the_last():
    outside = np.r_[np.full(24, 5.0), np.full(48, -8.0), np.full(24, 9.0)]
    result = predict(STRONG, start(), weather(outside_temp_c=outside), Heat.HELD)
    for tree in range(N):
        heated = np.flatnonzero(result.string_w[:, tree])
        assert result.first_heat_s[tree] == result.at_s[heated[0]]
        assert result.last_heat_s[tree] == result.at_s[heated[-1] + 1]
    warm = predict(STRONG, start(), weather(outside_temp_c=np.full(SPAN, 15.0)), Heat.HELD)
    assert np.isnan(warm.first_heat_s).all()
    assert np.isnan(warm.last_heat_s).all()
    assert (warm.energy_kwh == 0.0).all()


def test_a_string_too_small_is_fully_on_and_said_so():
    weak = dataclasses.replace(P, string_w=np.array([40.0, 2000.0, 2000.0, 2000.0, 0.0]))
    result = predict(weak, start(), weather(), Heat.HELD)
    assert list(result.short_of_heat) == [True, False, False, False, True]
    assert result.string_w[-1, 0] == 40.0
    assert (result.string_w[:, 4] == 0.0).all()
    assert result.tree_min_c[0] < P.hold_c[0] - 0.5
    first_short = np.flatnonzero(result.tree_temp_c[1:, 0] < -0.01)[0]
    assert result.short_from_s[0] == result.at_s[1 + first_short]
    free = predict(weak, start(), weather(), Heat.NONE)
    assert not free.short_of_heat.any()  # nothing was to be held


def test_neighbours_help_each_other_through_the_house_air():
    alone = dataclasses.replace(P, string_w=np.r_[2000.0, np.zeros(N - 1)])
    together = predict(STRONG, start(), weather(), Heat.HELD)
    lone = predict(alone, start(), weather(), Heat.HELD)
    assert lone.energy_kwh[0] > 1.1 * together.energy_kwh[0]


def test_a_warmer_hold_costs_more():
    usual = predict(STRONG, start(), weather(), Heat.HELD)
    warmer = predict(STRONG, start(), weather(), Heat.HELD, hold_c=P.hold_c + 1.0)
    assert (warmer.energy_kwh > usual.energy_kwh).all()
    assert (warmer.hold_c == P.hold_c + 1.0).all()


def test_the_search_for_duties_is_bounded(monkeypatch):
    monkeypatch.setattr(predict_module, "_DUTY_ROUNDS", 1)
    result = predict(STRONG, start(), weather(), Heat.HELD)
    assert result.tree_min_c == pytest.approx(P.hold_c, abs=0.1)


def test_two_hundred_trees_are_held_together():
    site = load_site(example_site("curlew-yard"))
    trees = tuple(site.trees[0].model_copy(update={"name": f"tree-{k}"}) for k in range(200))
    p = parameters_of(site.model_copy(update={"trees": trees}))
    known = {"house_temp_c": 2.0, "outside_temp_c": 0.0, "deep_temp_c": 8.0}
    inputs = dataclasses.replace(
        weather(12), fleece_on=np.ones((12, 200), dtype=bool), string_w=np.zeros((12, 200))
    )
    result = predict(p, initial_state(p, **known), inputs, Heat.HELD, hold_c=np.full(200, 2.9))
    assert result.tree_temp_c[-1] == pytest.approx(np.full(200, 2.9), abs=1e-6)
    assert (result.energy_kwh > 0.0).all()


def test_members_of_a_forecast_are_each_their_own_night():
    rng = np.random.default_rng(3)
    outside = rng.normal(-3.0, 3.0, (3, SPAN))
    wind = rng.uniform(0.0, 5.0, (3, SPAN))
    many = predict(P, start(), weather(leading=(3,), outside_temp_c=outside, wind_m_s=wind), Heat.HELD)
    assert many.tree_temp_c.shape == (3, SPAN + 1, N)
    assert many.energy_kwh.shape == (3, N)
    for member in range(3):
        one = predict(P, start(), weather(outside_temp_c=outside[member], wind_m_s=wind[member]), Heat.HELD)
        assert many.tree_temp_c[member] == pytest.approx(one.tree_temp_c, abs=1e-6)
        assert many.first_heat_s[member] == pytest.approx(one.first_heat_s, nan_ok=True)
        assert many.house_min_c[member] == pytest.approx(one.house_min_c)


def test_a_kept_stepper_changes_nothing():
    stepper = Stepper(P, 300.0)
    first = predict(P, start(), weather(), Heat.NONE, stepper=stepper)
    again = predict(P, start(), weather(), Heat.NONE, stepper=stepper)
    assert (first.states == again.states).all()
    assert (first.states == predict(P, start(), weather(), Heat.NONE).states).all()


@pytest.mark.parametrize(
    "name", ["outside_temp_c", "wind_m_s", "sky_depression_k", "sun_w_m2", "vent_m3_s", "deep_temp_c"]
)
@pytest.mark.parametrize("heat", [Heat.NONE, Heat.HELD])
def test_what_is_not_known_is_not_predicted_from_there_on(name, heat):
    values = np.array(getattr(weather(), name))
    values[40] = np.nan
    result = predict(P, start(), weather(**{name: values}), heat)
    assert np.isfinite(result.house_temp_c[:41]).all()
    assert np.isnan(result.house_temp_c[42:]).all()
    assert np.isnan(result.tree_min_c).all()


def test_a_start_without_any_reading_predicts_nothing_and_raises_nothing():
    nothing = initial_state(P)
    assert np.isnan(nothing[:OFFSET]).all()
    result = predict(P, nothing, weather(), Heat.HELD)
    assert np.isnan(result.tree_min_c).all()
    assert np.isnan(result.energy_kwh).all()


def test_a_missing_reading_is_filled_from_its_neighbours():
    state = start(tree_temp_c=[1.0, np.nan, 2.0, 3.0, 4.0], fruit_temp_c=[1.5, 2.5, np.nan, 3.5, np.nan])
    assert list(state[trees(N)]) == [1.0, 3.0, 2.0, 3.0, 4.0]  # the house's 3 °C
    assert list(state[fruits(N)]) == [1.5, 2.5, 2.0, 3.5, 4.0]
    assert (state[soils(N)] == state[MASS]).all()
    assert state[MASS] == 5.5  # half way between the house's 3 and the deep soil's 8 °C
    assert state[SUBSOIL] == 6.75  # and half way on
    assert start(house_temp_c=np.nan)[0] == 1.0  # the coldest known: outside
    assert start(house_temp_c=np.nan, outside_temp_c=np.nan)[0] == 4.0
    assert start(deep_temp_c=np.nan)[MASS] == 3.0
    assert start(mass_temp_c=6.0, offset_k=-1.0)[[MASS, OFFSET]] == pytest.approx([6.0, -1.0])
    assert state.shape == (state_count(N),)


def test_not_a_number_from_one_tree_is_not_hidden():
    state = start()
    state[FIRST_TREE] = np.nan
    result = predict(P, state, weather(), Heat.NONE)
    assert np.isnan(result.tree_temp_c[1:, 0]).all()
