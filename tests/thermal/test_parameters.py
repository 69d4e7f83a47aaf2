import dataclasses

import numpy as np
import pytest

from controller.site.handbook import FLOORS, FleeceKind, FloorKind
from controller.site.load import example_site, load_site
from controller.thermal.parameters import (
    DEEP_SOIL_M,
    FLOOR_SURFACE_W_PER_M2_K,
    deep_soil_w_per_m2_k,
    fleece_u_w_per_m2_k,
    parameters_of,
    soil_surface_w_per_m2_k,
    subsoil_m,
    subsoil_w_per_m2_k,
    topsoil_m,
)

SITE = load_site(example_site("curlew-yard"))


def test_a_house_of_known_size_by_hand():
    p = parameters_of(SITE)
    # 9 x 4.5 m, eaves 2.0, ridge 3.2: slope sqrt(2.25² + 1.2²) = 2.55 m; gable 4.5 x 2.6 = 11.7 m²;
    # cover 2 (9 x 4.55 + 11.7) = 105.3 m²; volume 105.3 m³; leak 1/h x 105.3 m³ x 1297.7 J = 37.96 W/K.
    assert p.house_loss_w_per_k == pytest.approx(0.85 * 4.4 * 105.3 + 0.25 * 37.96, abs=0.05)
    assert p.house_wind_loss_w_s_per_k_m == pytest.approx(0.85 * 0.40 * 105.3 + 0.25 * 37.96, abs=0.05)
    # A tree 2.3 m high and 1.8 m wide: pi x 1.8 x 2.3 + 2.5447 = 15.551 m² of fleece under two
    # layers of 30 g (2.7 W/(m²·K)).
    assert p.fleece_loss_w_per_k[0] == pytest.approx(2.7 * 15.551, abs=0.05)
    assert p.tree_names[0] == "satsuma-door"
    assert p.string_w[0] == 350.0


def test_the_loss_of_single_glass_stays_in_the_published_range():
    # Extension leaflets give 5.7-6.8 W/(m²·K) for any single glazing at design wind (15 mph, 6.7 m/s).
    p = parameters_of(SITE)
    u = (p.house_loss_w_per_k + 6.7 * p.house_wind_loss_w_s_per_k_m) / SITE.house.cover_area_m2
    assert 5.7 < u < 6.8


def test_two_lumps_of_soil_answer_the_air_as_a_slab_does():
    # Carslaw & Jaeger, Conduction of Heat in Solids, 3.7: a slab whose far side is held answers a wave of
    # angular frequency ω with the admittance k q / tanh(q L), q = sqrt(i ω c / k); behind a surface film.
    omega = 2.0 * np.pi / np.geomspace(6 * 3600.0, 10 * 86400.0, 40)
    for kind in FloorKind:
        floor = FLOORS[kind]
        k, c = floor.conductivity_w_per_m_k, floor.heat_capacity_j_per_m3_k
        q = np.sqrt(1j * omega * c / k)
        exact = 1.0 / (1.0 / FLOOR_SURFACE_W_PER_M2_K + np.tanh(q * DEEP_SOIL_M) / (k * q))
        below = deep_soil_w_per_m2_k(floor) + 1j * omega * c * subsoil_m(floor)
        between = subsoil_w_per_m2_k(floor)
        top = 1j * omega * c * topsoil_m(floor) + between * below / (between + below)
        found = 1.0 / (1.0 / soil_surface_w_per_m2_k(floor) + 1.0 / top)
        error = np.abs(found / exact - 1.0)
        assert error.max() < 0.2, kind
        assert np.sqrt(np.mean(error**2)) < 0.1, kind


def test_layers_of_fleece_add_resistance():
    tree = SITE.trees[0]
    one = fleece_u_w_per_m2_k(tree.model_copy(update={"fleece_layers": 1}))
    two = fleece_u_w_per_m2_k(tree.model_copy(update={"fleece_layers": 2}))
    bare = fleece_u_w_per_m2_k(tree.model_copy(update={"fleece": FleeceKind.NONE, "fleece_layers": 2}))
    assert one == pytest.approx(4.6)
    assert two == pytest.approx(2.7)
    assert bare == pytest.approx(15.0)


def test_a_floor_crowded_with_trees_keeps_its_paths():
    tree = SITE.trees[0].model_copy(update={"width_m": 12.0})
    p = parameters_of(SITE.model_copy(update={"trees": (tree,)}))
    assert p.house_mass_w_per_k == pytest.approx(
        0.2 * 40.5 * soil_surface_w_per_m2_k(FLOORS[SITE.house.floor])
    )


def test_arrays_that_do_not_fit_the_trees_are_refused():
    with pytest.raises(ValueError, match="hold_c must have one value"):
        dataclasses.replace(parameters_of(SITE), hold_c=np.zeros(2))
