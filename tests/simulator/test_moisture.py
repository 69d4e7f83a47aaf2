import numpy as np
import pytest

from controller.physics import saturation_vapour_pressure_kpa, saturation_vapour_pressure_over_ice_kpa
from simulator.moisture import VAPOUR_KG_PER_M3_KPA, Moisture

HOUSE_M3, TREE_M3 = 100.0, 6.0
NONE = np.zeros(5)


def moist(vapour_kpa=0.6, holds_kg=(10.0, 4.0)):
    """A house with one tree: surfaces are cover, fleece, floor, crown, soil."""
    return Moisture(HOUSE_M3, np.array([TREE_M3]), np.array(holds_kg), vapour_kpa)


def step(
    moisture,
    surface_c=NONE,
    convective=NONE,
    wetness=NONE,
    dt_s=60.0,
    outside_kpa=0.6,
    house_flow=0.0,
    tree_flow=0.0,
):
    return moisture.step(
        dt_s,
        outside_kpa,
        np.asarray(surface_c, dtype=float),
        np.asarray(convective, dtype=float),
        house_flow,
        np.array([tree_flow]),
        np.asarray(wetness, dtype=float),
    )


def vapour_kg(moisture):
    return float(moisture.air_kpa @ [HOUSE_M3, TREE_M3]) * VAPOUR_KG_PER_M3_KPA


def test_a_cubic_metre_holds_what_the_gas_law_says():
    # ideal gas, 18.015 g/mol, 8.314 J/(mol·K): 1 kPa at 2 °C is 1000 * 0.018015 / (8.314 * 275.15) kg/m³
    assert pytest.approx(1000 * 0.018015 / (8.314 * 275.15), rel=1e-3) == VAPOUR_KG_PER_M3_KPA


@pytest.mark.parametrize(
    ("temp_c", "expected_kpa"),
    [
        # ASHRAE 2017 HoF ch. 1 table 3, by way of PsychroLib's tests
        (-20.0, 0.10324),
        (-5.0, 0.40174),
        (5.0, 0.8726),
        (25.0, 3.1697),
    ],
)
def test_still_air_over_a_wet_surface_comes_to_its_saturation(temp_c, expected_kpa):
    moisture = moist()
    for _ in range(200):
        step(moisture, np.full(5, temp_c), np.full(5, 200.0), np.ones(5), dt_s=600.0)
    assert moisture.air_kpa == pytest.approx([expected_kpa, expected_kpa], rel=0.004)


def test_its_table_is_the_formula_it_was_made_from():
    temps_c = np.array([-31.234, -7.777, -0.004, 0.006, 11.111, 44.444])
    for temp_c in temps_c:
        moisture = moist()
        for _ in range(300):
            step(moisture, np.full(5, temp_c), np.full(5, 500.0), np.ones(5), dt_s=3600.0)
        formula = saturation_vapour_pressure_kpa
        if temp_c < 0:
            formula = saturation_vapour_pressure_over_ice_kpa
        assert moisture.air_kpa[0] == pytest.approx(formula(temp_c), rel=0.001)


def test_what_leaves_the_air_is_on_the_surfaces_to_the_last_drop():
    moisture = moist(1.2)
    before_kg = vapour_kg(moisture)
    for _ in range(50):
        step(moisture, np.full(5, -4.0), [300.0, 40.0, 0.0, 0.0, 0.0], np.ones(5), tree_flow=0.02)
    lost_kg = before_kg - vapour_kg(moisture)
    assert lost_kg > 0.3
    assert moisture.stored_kg.sum() == pytest.approx(lost_kg, rel=1e-12)


def test_condensation_gives_its_latent_heat_and_evaporation_takes_it():
    for surface_c, latent_j_per_kg in ((3.0, 2.501e6), (-3.0, 2.834e6)):
        moisture = moist(1.2)
        before_kg = vapour_kg(moisture)
        heat_w = step(moisture, np.full(5, surface_c), [300.0, 0, 0, 0, 0], np.ones(5))
        assert heat_w[0] * 60.0 == pytest.approx((before_kg - vapour_kg(moisture)) * latent_j_per_kg)
        assert heat_w[1:].tolist() == [0.0] * 4
    moisture = moist(0.1)
    assert step(moisture, np.full(5, 5.0), [0, 0, 100.0, 0, 0], np.ones(5))[2] < 0.0


def test_a_surface_carries_as_much_latent_heat_as_lewis_has_it_by_hand():
    # 100 W/K of convection, 0.066 kPa/K: a difference of 0.5 kPa carries 100 / 0.066 * 0.5 = 757.6 W; a great
    # exchange with the outside holds the air where it is
    moisture = moist(saturation_vapour_pressure_kpa(5.0) + 0.5)
    outside_kpa = float(moisture.air_kpa[0])
    heat_w = step(
        moisture, np.full(5, 5.0), [100.0, 0, 0, 0, 0], np.ones(5), outside_kpa=outside_kpa, house_flow=1e6
    )
    assert heat_w[0] == pytest.approx(757.6, rel=0.001)


def test_half_wet_evaporates_half_but_catches_dew_in_full():
    for wetness, dew in ((1.0, False), (0.5, False), (1.0, True), (0.5, True)):
        moisture = moist(0.3 if not dew else 1.5)
        held = float(moisture.air_kpa[0])
        heat_w = step(
            moisture,
            np.full(5, 5.0),
            [0, 0, 10.0, 0, 0],
            np.full(5, wetness),
            outside_kpa=held,
            house_flow=1e6,
        )
        difference = held - float(saturation_vapour_pressure_kpa(5.0))
        share = 1.0 if dew else wetness
        assert heat_w[2] == pytest.approx(10.0 / 0.066 * difference * share, rel=0.001)


def test_a_dry_cover_evaporates_nothing_and_a_damp_one_no_more_than_it_holds():
    moisture = moist(0.1)
    warm = np.full(5, 10.0)
    assert step(moisture, warm, [300.0, 0, 0, 0, 0], np.ones(5))[0] == 0.0
    moisture.stored_kg[0] = 0.01
    taken_j = sum(-step(moisture, warm, [300.0, 0, 0, 0, 0], np.ones(5))[0] * 60.0 for _ in range(100))
    assert taken_j == pytest.approx(0.01 * 2.501e6, rel=0.02)
    assert moisture.stored_kg[0] == pytest.approx(0.0, abs=1e-4)


def test_what_a_surface_cannot_hold_drips_and_is_counted():
    moisture = moist(2.0, holds_kg=(0.05, 0.01))
    before_kg = vapour_kg(moisture)
    for _ in range(50):
        step(moisture, np.full(5, -4.0), [300.0, 40.0, 0, 0, 0], np.ones(5))
    assert moisture.stored_kg.tolist() == [0.05, 0.01]
    total_kg = moisture.stored_kg.sum() + moisture.dripped_kg
    assert total_kg == pytest.approx(before_kg - vapour_kg(moisture), rel=1e-9)


def test_air_that_is_exchanged_brings_the_vapour_of_where_it_comes_from():
    moisture = moist(0.6)
    for _ in range(100):
        step(moisture, outside_kpa=0.2, house_flow=0.5, tree_flow=0.01, dt_s=600.0)
    assert moisture.air_kpa == pytest.approx([0.2, 0.2], abs=1e-6)


def test_an_exchange_takes_the_time_the_volume_needs_by_hand():
    # 100 m³ at 0.1 m³/s: a time constant of 1000 s, the tree shut off
    moisture = moist(1.0)
    for _ in range(1000):
        step(moisture, outside_kpa=0.0, house_flow=0.1, dt_s=1.0)
    assert moisture.air_kpa == pytest.approx([np.exp(-1.0), 1.0], rel=1e-3)
