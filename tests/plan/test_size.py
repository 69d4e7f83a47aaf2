"""Sizing against a calculation by hand, the model's own matrices, and an independent heat balance."""

from dataclasses import replace

import numpy as np
import pytest

from controller.plan.size import (
    NIGHT_SHARE,
    TABLE_C,
    NightKind,
    changed,
    house_alone_c,
    size,
    steady,
    steady_kind,
    to_soil_w_per_k,
    unlimited,
)
from controller.site.handbook import FleeceKind, GlazingKind
from controller.thermal.model import (
    DEEP,
    HOUSE,
    MASS,
    OUTSIDE,
    SKY,
    continuous,
    fruits,
    sky_chill_k,
    soils,
    trees,
)
from controller.thermal.parameters import parameters_of

OUTSIDE_C = np.array(TABLE_C)


def big_house(site, ua_w_per_k, glazing="single-glass", count=12):
    """Return 6 x 12 m with twelve trees of 2.5 x 2 m whose fleece loses a given heat [W/K]."""
    house = site.house.model_copy(
        update={
            "length_m": 12.0,
            "width_m": 6.0,
            "eaves_height_m": 2.2,
            "ridge_height_m": 3.6,
            "glazing": GlazingKind(glazing),
        }
    )
    assert house.cover_area_m2 == pytest.approx(167.0, abs=0.5)
    assert house.volume_m3 == pytest.approx(209.0, abs=0.5)
    tree = {"height_m": 2.5, "width_m": 2.0, "hold_c": 0.0}
    trees = tuple(site.trees[0].model_copy(update=tree | {"name": f"t{i}"}) for i in range(count))
    parameters = parameters_of(site.model_copy(update={"house": house, "trees": trees}))
    return replace(parameters, fleece_loss_w_per_k=np.full(count, ua_w_per_k))


def one_tree(curlew_yard):
    """Return a house of round numbers with one tree."""
    parameters = parameters_of(curlew_yard.model_copy(update={"trees": curlew_yard.trees[:1]}))
    return replace(
        parameters,
        house_loss_w_per_k=300.0,
        house_wind_loss_w_s_per_k_m=50.0,
        sky_loss_w_per_k=60.0,
        # 100 W/K from the house to the soil, 20 W/K from the tree's air
        house_mass_w_per_k=200.0,
        mass_subsoil_w_per_k=NIGHT_SHARE * 200.0,
        fleece_loss_w_per_k=np.array([80.0]),
        tree_soil_w_per_k=np.array([40.0]),
        soil_capacity_j_per_k=np.array([4e4]),
        soil_down_per_s=np.array([NIGHT_SHARE * 1e-3]),
        hold_c=np.array([0.0]),
    )


def test_by_hand(curlew_yard):
    # Wind 4 m/s: loss 300 + 4 x 50 = 500 W/K; sky 20 K colder, half of it hidden by wind: 60 x 10 = 600 W.
    # Held at 0 °C the house T obeys 500(-6 - T) - 600 + 100(6 - T) + 80(0 - T) = 0: T = -3000/680 = -4.41 °C.
    # The tree: 80 x 4.41 to the house less 20 x 6 from the soil = 232.9 W.
    night = steady(one_tree(curlew_yard), outside_c=-6.0, sky_depression_k=20.0, wind_m_s=4.0, soil_c=6.0)
    assert night.house_temp_c == pytest.approx(-3000.0 / 680.0)
    assert night.string_w == pytest.approx([80.0 * 3000.0 / 680.0 - 120.0])
    assert night.tree_temp_c == pytest.approx([0.0])


def test_by_hand_with_a_small_string(curlew_yard):
    # 100 W at most: the tree stands at (80 T + 120 + 100)/100 = 0.8 T + 2.2, so
    # 500(-6 - T) - 600 + 100(6 - T) + 80(2.2 - 0.2 T) = 0: T = -2824/616 = -4.584 °C.
    night = steady(
        one_tree(curlew_yard),
        outside_c=-6.0,
        sky_depression_k=20.0,
        wind_m_s=4.0,
        soil_c=6.0,
        string_w=np.array([100.0]),
    )
    assert night.house_temp_c == pytest.approx(-2824.0 / 616.0)
    assert night.tree_temp_c == pytest.approx([-0.8 * 2824.0 / 616.0 + 2.2])
    assert night.string_w == pytest.approx([100.0])


def test_it_is_where_the_transfer_model_comes_to_rest(curlew_yard):
    parameters = parameters_of(curlew_yard)
    count, soil_c, wind = parameters.tree_count, 6.5, 3.0
    night = steady(parameters, outside_c=-6.0, sky_depression_k=15.0, wind_m_s=wind, soil_c=soil_c)
    A, B = continuous(parameters, wind, 0.0, np.ones(count, dtype=bool))
    x, u = np.zeros(A.shape[0]), np.zeros(B.shape[1])
    # the topsoil lets through what comes from the soil below that a night leaves as it is
    floor = to_soil_w_per_k(parameters.house_mass_w_per_k, parameters.mass_subsoil_w_per_k)
    under = parameters.soil_capacity_j_per_k * parameters.soil_down_per_s
    ground = to_soil_w_per_k(parameters.tree_soil_w_per_k, under)
    x[HOUSE] = night.house_temp_c
    x[MASS] = night.house_temp_c + floor / parameters.house_mass_w_per_k * (soil_c - night.house_temp_c)
    x[soils(count)] = night.tree_temp_c + ground / parameters.tree_soil_w_per_k * (soil_c - night.tree_temp_c)
    x[trees(count)] = x[fruits(count)] = night.tree_temp_c
    u[OUTSIDE], u[SKY], u[DEEP] = -6.0, float(sky_chill_k(15.0, wind)), soil_c
    u[-count:] = night.string_w
    change_k_per_h = 3600.0 * (A @ x + B @ u)
    assert change_k_per_h[HOUSE] == pytest.approx(0.0, abs=1e-6)
    assert change_k_per_h[trees(count)] == pytest.approx(np.zeros(count), abs=1e-6)


@pytest.mark.parametrize(
    ("ua_w_per_k", "kind", "expected_w", "within"),
    [
        # An independent steady heat balance with the materials' book values (U 4-6.4 W/m²K, Berdahl-Martin
        # sky, soil 6 °C), computed for this project, stated good to 30 %.  Ours lies within 6 % where heat is
        # much needed; the first overcast value (6 W) is nothing in ours.
        (110.0, NightKind.CLEAR_CALM, (215, 320, 422, 523), 0.06),
        (95.0, NightKind.CLEAR_CALM, (196, 295, 391, 485), 0.06),
        (60.0, NightKind.CLEAR_CALM, (139, 216, 292, 366), 0.07),
        (95.0, NightKind.OVERCAST, (6, 116, 227, 337), 0.15),
    ],
)
def test_glass_agrees_with_an_independent_heat_balance(curlew_yard, ua_w_per_k, kind, expected_w, within):
    found = steady_kind(big_house(curlew_yard, ua_w_per_k), kind, OUTSIDE_C, 6.0).string_w[:, 0]
    assert found == pytest.approx(np.array(expected_w, dtype=float), rel=within, abs=8.0)


def test_double_film_needs_up_to_two_fifths_more_than_the_balance_for_opaque_film(curlew_yard):
    # The same balance takes double film as opaque to heat radiation: 126, 203, 278, 351 W.  The handbook's
    # dry film lets 15 % through, and ours asks for 22-35 % more: careful, and once outside the stated 30 %.
    found = steady_kind(
        big_house(curlew_yard, 95.0, "double-film"), NightKind.CLEAR_CALM, OUTSIDE_C, 6.0
    ).string_w[:, 0]
    ratio = found / np.array([126.0, 203.0, 278.0, 351.0])
    assert np.all((ratio > 1.15) & (ratio < 1.4))


def test_a_lone_tree_agrees_within_the_stated_error(curlew_yard):
    # One tree heated, the others let go, clear and windy: 254, 458, 660, 861 W.
    lone = replace(big_house(curlew_yard, 95.0), hold_c=np.array([0.0] + [-90.0] * 11))
    found = steady_kind(lone, NightKind.CLEAR_WINDY, OUTSIDE_C, 6.0).string_w
    assert found[:, 0] == pytest.approx(np.array([254.0, 458.0, 660.0, 861.0]), rel=0.30)
    assert not found[:, 1:].any()


@pytest.mark.parametrize(
    ("kind", "expected_c"),
    [
        (NightKind.CLEAR_CALM, (-5.2, -7.4, -9.6, -11.8)),
        (NightKind.CLEAR_WINDY, (-3.7, -6.0, -8.3, -10.6)),
        (NightKind.OVERCAST, (-0.9, -3.2, -5.5, -7.7)),
    ],
)
def test_an_unheated_house_agrees_with_the_same_balance_within_a_kelvin(curlew_yard, kind, expected_c):
    assert house_alone_c(big_house(curlew_yard, 95.0), kind, OUTSIDE_C, 6.0) == pytest.approx(
        np.array(expected_c), abs=0.8
    )


def test_sky_and_wind_move_the_house_by_four_kelvin_at_one_outside_temperature(curlew_yard):
    parameters = parameters_of(curlew_yard)
    house_c = [house_alone_c(parameters, kind, np.array([-6.0]), 6.0)[0] for kind in NightKind]
    assert 4.0 <= max(house_c) - min(house_c) <= 5.5


def test_the_whole_sizing_of_a_site(curlew_yard):
    found = size(curlew_yard, -9.0)
    assert [tree.name for tree in found.trees] == [tree.name for tree in curlew_yard.trees]
    for tree in found.trees:
        assert tree.design_w == pytest.approx(max(needs[2] for needs in tree.needs_w.values()))
        for needs_w in tree.needs_w.values():
            assert list(needs_w) == sorted(needs_w)
    assert found.design_w == pytest.approx(sum(tree.design_w for tree in found.trees))
    assert (found.circuit_w, found.circuits_there) == (1840.0, 2)
    assert found.circuits_needed == -(-found.design_w // 1840.0) == 1


def test_held_down_to_is_where_the_string_is_just_enough(curlew_yard):
    found = size(curlew_yard, -9.0)
    parameters = parameters_of(curlew_yard)
    lowest_c = min(tree.held_down_to_c[NightKind.CLEAR_CALM] for tree in found.trees)
    first = max(found.trees, key=lambda tree: tree.held_down_to_c[NightKind.CLEAR_CALM])
    assert lowest_c < first.held_down_to_c[NightKind.CLEAR_CALM]
    at_c = first.held_down_to_c[NightKind.CLEAR_CALM]
    index = found.trees.index(first)
    for outside_c, enough in ((at_c, True), (at_c - 0.2, False)):
        needs_w = steady_kind(
            unlimited(parameters), NightKind.CLEAR_CALM, np.array(outside_c), found.soil_c
        ).string_w[index]
        assert bool(needs_w <= first.has_w) is enough


def test_more_fleece_and_a_doubled_cover_save(curlew_yard):
    found = size(curlew_yard, -9.0)
    # Rasheed et al. (Span. J. Agric. Res.): a double layer saves about 34 % of a house's own loss; a tree
    # under fleece sees only part of it
    assert [change.what.split()[0] for change in found.changes] == ["one", "a"]
    for change in found.changes:
        assert 0.05 < change.saved_share < 0.4
        assert change.design_w == pytest.approx(found.design_w * (1.0 - change.saved_share))


def test_a_bare_tree_gets_a_fleece_and_a_doubled_house_is_left_alone(curlew_yard):
    bare = curlew_yard.model_copy(
        update={
            "trees": tuple(t.model_copy(update={"fleece": FleeceKind.NONE}) for t in curlew_yard.trees),
            "house": curlew_yard.house.model_copy(update={"glazing": GlazingKind.TWIN_WALL}),
        }
    )
    ((what, other),) = changed(bare)
    assert "fleece" in what
    assert {tree.fleece for tree in other.trees} == {FleeceKind.MEDIUM_30G}
    assert {tree.fleece_layers for tree in other.trees} == {2}


def test_what_needs_nothing_or_cannot_be_held(curlew_yard):
    mild = size(curlew_yard, 5.0)
    assert (mild.design_w, mild.circuits_needed) == (0.0, 0)
    assert [change.saved_share for change in mild.changes] == [0.0, 0.0]
    tree = curlew_yard.trees[0].model_copy(update={"strings": (), "hold_c": 8.0})
    bare = size(curlew_yard.model_copy(update={"trees": (tree,), "circuits": ()}), -6.0)
    assert np.isnan(bare.trees[0].held_down_to_c[NightKind.CLEAR_CALM])
    assert bare.circuit_w == pytest.approx(1840.0)
