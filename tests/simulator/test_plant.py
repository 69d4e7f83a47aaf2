"""The true house against what was published or computed elsewhere."""

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from scipy.special import erfcx

from controller.physics import KELVIN_OFFSET_K, dew_point_c, vapour_pressure_kpa
from controller.site.handbook import CROPS, FLOORS, FleeceKind, GlazingKind
from controller.site.load import parse_site
from simulator.building import build
from simulator.materials import Variation
from simulator.network import FIXED
from simulator.night import load_night
from simulator.plant import HOLD_S, Plant
from simulator.sky import Weather
from tests.simulator.conftest import weather
from tests.simulator.reference import reference_step

pytestmark = pytest.mark.untraced

HOUR = 60  # steps of a minute


def changed(site, trees=None, **house):
    """Return the site with other house fields, and every tree with other tree fields."""
    return site.model_copy(
        update={
            "house": site.house.model_copy(update=house),
            "trees": tuple(tree.model_copy(update=trees or {}) for tree in site.trees),
        }
    )


def dozen(glazing="single-glass", fleece="30g", layers=1):
    """Return the house of 6 x 12 m and twelve trees of 2.0 x 2.5 m that the reference tables are for."""
    trees = "".join(
        f'[[tree]]\nname = "t{i}"\nkind = "satsuma"\nheight_m = 2.5\nwidth_m = 2.0\nfleece = "{fleece}"\n'
        f'fleece_layers = {layers}\nprobes = ["p{i}"]\n[[probe]]\nname = "p{i}"\nmeasures = "tree"\n'
        for i in range(12)
    )
    return parse_site(
        'schema = 1\nname = "table"\ntitle = "table"\n[place]\nlatitude_deg = 52.0\nlongitude_deg = -6.0\n'
        'elevation_m = 20.0\ntime_zone = "Europe/Dublin"\n[house]\nlength_m = 12.0\nwidth_m = 6.0\n'
        f'eaves_height_m = 2.2\nridge_height_m = 3.6\nglazing = "{glazing}"\nair_changes_per_h = 1.0\n'
        f"deep_soil_c = 10.0\n{trees}"
        '[tariff]\ncurrency = "EUR"\nprice_per_kwh = 0.3\n[forecast]\nuse = "non-commercial"\n'
    )


def after_a_night(site, outside_c, *, wind_m_s=0.7, cloud=0.0, heat_w=None, bare=False):
    """Return the house after dull days at 5 °C and then sixteen hours of steady weather at 85 % humidity."""
    plant = Plant(site, air_c=5.0)
    idle = [0.0] * len(site.trees)
    for tree in range(len(site.trees)):
        plant.cover(tree, on=not bare)
    dull = weather(5.0, dew_c=3.0, wind_m_s=3.0, cloud=0.8)
    for _ in range(6 * 144):
        plant.step(600.0, dull, idle)
    dew_c = float(dew_point_c(vapour_pressure_kpa(outside_c, 85.0)))
    night = weather(outside_c, dew_c=dew_c, wind_m_s=wind_m_s, cloud=cloud)
    for _ in range(16 * 12):
        plant.step(300.0, night, heat_w or idle)
    return plant


@pytest.fixture(scope="module")
def cold_night(curlew_yard):
    """The house after a clear calm night, by what was heated: nothing, one string, nothing and no fleece."""
    one_string = [175.0, 0.0, 0.0, 0.0, 0.0]
    return {
        "unheated": after_a_night(curlew_yard, -6.0),
        "one string": after_a_night(curlew_yard, -6.0, heat_w=one_string),
        "bare": after_a_night(curlew_yard, -6.0, bare=True),
    }


# ---- what must hold whatever the numbers ----------------------------------------------------------------


def test_energy_balances_in_every_node_at_every_step_of_a_night_and_day(curlew_yard, clear_sky, clear_calm):
    plant = Plant(curlew_yard)
    begin_s = clear_sky.seconds(clear_calm.start_utc(curlew_yard))
    assert plant.balance_w == 0.0
    rng = np.random.default_rng(1)
    for minute in range(24 * HOUR):
        heat_w = (350.0 * (rng.random(5) < 0.5)).tolist()
        if minute == 18 * HOUR:
            plant.cover(1, on=False)
        plant.step(60.0, clear_sky.at_s(begin_s + 60.0 * minute), heat_w, 1.2 if minute % 50 < 5 else 0.0)
        # the deepest layer stores 1e8 J/K at 280 K: rounding alone is 1e-6 W
        assert plant.balance_w < 1e-5


def test_where_all_is_at_one_temperature_nothing_happens(curlew_yard):
    # a black sky at 5 °C, saturated air at 5 °C, soil of 5 °C for ever
    site = changed(curlew_yard, deep_soil_c=5.0)
    plant = Plant(site, air_c=5.0)
    plant._moisture.air_kpa[:] = 0.6108 * np.exp(17.27 * 5.0 / (5.0 + 237.3))
    even = Weather(5.0, 5.0, 2.0, 1.0, 0.0, 5.670374419e-8 * 278.15**4, 101.3)
    for _ in range(5 * HOUR):
        plant.step(60.0, even, [0.0] * 5)
    assert plant._temp_k == pytest.approx(np.full(len(plant._temp_k), 278.15), abs=0.01)


@pytest.mark.parametrize("dt_s", [5.0, 60.0, 600.0, 3600.0])
def test_steps_of_any_length_stay_sane_in_frost_and_in_summer(curlew_yard, dt_s):
    for state in (weather(-10.0), weather(30.0, dew_c=15.0, sun_w_m2=900.0)):
        plant = Plant(curlew_yard, air_c=10.0)
        temps_c = []
        for _ in range(int(10 * 3600 / dt_s)):
            plant.step(dt_s, state, [350.0] * 5)
            temps_c.append([plant.house_c, plant.fleece_c[0], plant.fruit_c[0]])
        late_c = np.array(temps_c[-max(3, int(3600 / dt_s)) :])
        assert np.all(np.abs(late_c) < 70.0)
        assert np.ptp(late_c, axis=0).max() < 3.0  # no swinging


def test_shorter_steps_change_a_night_by_little(curlew_yard, clear_sky, clear_calm):
    begin_s = clear_sky.seconds(clear_calm.start_utc(curlew_yard))
    ends_c = []
    for dt_s in (10.0, 60.0):
        plant = Plant(curlew_yard)
        for step in range(int(12 * 3600 / dt_s)):
            now_s = begin_s + dt_s * step
            on = (now_s // 1200) % 2 == 0
            plant.step(dt_s, clear_sky.at_s(now_s), [350.0 * on] * 5)
        ends_c.append([plant.house_c, *plant.tree_air_c, *plant.fruit_c])
    assert ends_c[0] == pytest.approx(ends_c[1], abs=0.1)


def test_the_same_house_goes_through_the_same_night_to_the_last_bit(curlew_yard):
    a, b = (after_a_night(curlew_yard, -3.0) for _ in range(2))
    assert np.array_equal(a._temp_k, b._temp_k)


def test_houses_vary_by_their_seed_and_only_so_far(curlew_yard):
    assert Variation.drawn(7) == Variation.drawn(7) != Variation.drawn(8)
    factors = np.array([Variation.drawn(seed).leakage for seed in range(300)])
    assert np.log(factors).std() == pytest.approx(0.25, rel=0.15)
    ends_c = []
    for seed in range(4):
        plant = Plant(curlew_yard, Variation.drawn(seed))
        for _ in range(8 * HOUR):
            plant.step(60.0, weather(-4.0), [0.0] * 5)
        ends_c.append(plant.tree_air_c[0])
        assert plant.balance_w < 1e-5
    assert 0.05 < np.ptp(ends_c) < 2.0


# ---- against what was published -------------------------------------------------------------------------


def test_under_film_it_gets_colder_than_outside_after_sunset_and_makes_up_for_it_as_the_film_wets(
    curlew_yard,
):
    # Savage 1980, Agrochemophysica 12:5-13: from sunset the inside of a polyethylene tunnel was colder than
    # outside and cooled faster, until the film was wet with dew
    night = load_night("clear-calm")
    site = changed(curlew_yard, glazing=GlazingKind.SINGLE_FILM)
    sky, begin = night.sky(site, 1), night.start_utc(site) - timedelta(hours=1)  # 15:00, in the sun
    plant = Plant(site, air_c=5.0)
    for step in range(5 * 144, 0, -1):
        plant.step(600.0, sky.at(begin - timedelta(seconds=600 * step)), [0.0] * 5)
    inside_c, outside_c = [], []
    for minute in range(17 * HOUR):
        state = sky.at(begin + timedelta(minutes=minute))
        plant.step(60.0, state, [0.0] * 5)
        inside_c.append(plant.house_c)
        outside_c.append(state.outside_temp_c)
    difference_k = np.subtract(inside_c, outside_c)
    evening, dawn = difference_k[2 * HOUR : 4 * HOUR].mean(), difference_k[15 * HOUR :].mean()
    assert evening < -1.0
    assert dawn > evening + 0.5
    cooled_k = [series[0] - series[90] for series in (inside_c, outside_c)]  # 15:00 to 16:30
    assert cooled_k[0] > cooled_k[1]


def test_a_clear_calm_night_leaves_a_glasshouse_about_as_cold_as_outside(cold_night):
    # computed for this project by a steady balance of another house: 1.4 K colder
    assert -7.6 < cold_night["unheated"].house_c < -6.0


@pytest.mark.parametrize(
    ("glazing", "wind_m_s", "cloud", "expected_c"),
    [
        ("single-glass", 0.7, 0.0, (-5.2, -7.4, -9.6, -11.8)),
        ("single-glass", 3.0, 0.0, (-3.7, -6.0, -8.3, -10.6)),
        ("single-glass", 3.0, 1.0, (-0.9, -3.2, -5.5, -7.7)),
        ("double-film", 0.7, 0.0, (-4.0, -6.0, -8.0, -9.9)),
        ("double-film", 3.0, 1.0, (-0.1, -2.1, -4.2, -6.2)),
    ],
)
def test_unheated_houses_are_within_two_kelvin_of_a_steady_balance(glazing, wind_m_s, cloud, expected_c):
    # Computed for this project by a one-node steady balance at -3, -6, -9 and -12 °C outside.  It keeps the
    # soil at 6 °C where here it is drained all night, and its overcast sky is nearly black where here it
    # radiates as the weather service's does: both make this house the colder one, under cloud most.
    outside_c = (-3.0, -6.0, -9.0, -12.0)
    house_c = [
        after_a_night(dozen(glazing), out_c, wind_m_s=wind_m_s, cloud=cloud).house_c for out_c in outside_c
    ]
    tolerance_k = 2.0 if cloud else 1.2
    assert house_c == pytest.approx(list(expected_c), abs=tolerance_k)


def test_fleece_gains_one_to_three_kelvin(cold_night, curlew_yard):
    # FAO ENRS 10 vol. 1 ch. 6: 1 (thin) to 5 K (thick); Poling, cfgrower.com: +2.4, +3.0, +2.1 K for 25, 34
    # and 42 g/m², on low crops in the open; Oregon State 1988: season means +0.2 to +1.8 K
    plant = cold_night["unheated"]
    gains_k = dict(
        zip((t.name for t in curlew_yard.trees), np.subtract(plant.tree_air_c, plant.house_c), strict=True)
    )
    assert all(1.0 < gain_k < 3.0 for gain_k in gains_k.values())


def test_a_second_layer_and_a_heavier_fleece_gain_more(curlew_yard):
    def gain_k(fleece, layers):
        site = changed(curlew_yard, {"fleece": fleece, "fleece_layers": layers})
        plant = after_a_night(site, -6.0)
        return plant.tree_air_c[0] - plant.house_c

    thin, usual, heavy = (
        gain_k(kind, 1) for kind in (FleeceKind.LIGHT_17G, FleeceKind.MEDIUM_30G, FleeceKind.HEAVY_60G)
    )
    assert 0.5 < thin < usual < heavy < gain_k(FleeceKind.HEAVY_60G, 2) < 4.0


def test_one_string_lifts_a_lone_tree_two_to_four_kelvin_and_its_neighbours_a_little(cold_night):
    # farmerfredrant 2010: a string of 25 C9 lamps (175 W) +4 °F in the open canopy, +7-8 °F with frost cloth;
    # computed for this project: 2.3-4.1 K by the fleece
    lift_k = np.subtract(cold_night["one string"].tree_air_c, cold_night["unheated"].tree_air_c)
    assert 2.0 < lift_k[0] < 4.0
    assert np.all((lift_k[1:] > 0.1) & (lift_k[1:] < 0.5))


@pytest.mark.parametrize(
    ("fleece", "layers", "expected"), [("17g", 1, 5.2), ("30g", 1, 4.6), ("30g", 2, 2.7)]
)
def test_a_fleece_loses_what_was_computed_for_it_within_a_third(fleece, layers, expected):
    # 5.2, 4.6 and 2.7 W/(m²·K) in still house air, ±30 % (computed for this project); soil takes 4 W/(m²·K)
    site = dozen(fleece=fleece, layers=layers)
    unheated, heated = (after_a_night(site, -6.0, heat_w=[watts] + 11 * [0.0]) for watts in (0.0, 175.0))
    lift_k = heated.tree_air_c[0] - unheated.tree_air_c[0]
    house_k = heated.house_c - unheated.house_c
    soil_w = 4.0 * site.trees[0].ground_area_m2 * lift_k
    loss = (175.0 - soil_w) / (lift_k - house_k) / site.trees[0].fleece_area_m2
    assert loss == pytest.approx(expected, rel=0.33)


def test_what_it_takes_to_hold_a_dozen_trees_at_zero_is_near_the_computed_watts():
    # Computed for this project by a steady balance, 30 g/m² under glass, clear and calm: 295 W a tree at
    # -6 °C.  Found here by trial; this house, colder by its drained soil, takes up to a third more.
    site = dozen()
    low_w, high_w = 100.0, 700.0
    for _ in range(8):
        middle_w = 0.5 * (low_w + high_w)
        if after_a_night(site, -6.0, heat_w=[middle_w] * 12).tree_air_c[0] > 0.0:
            high_w = middle_w
        else:
            low_w = middle_w
    assert 0.8 * 295.0 < high_w < 1.33 * 295.0


def test_exposed_fruit_is_colder_than_its_air_on_a_clear_night(cold_night):
    # BAMS 23(1):16, 1942, Florida groves: 0.6-1.1 K on nights with dew or frost, 1.7 K or more on dry ones; a
    # house's cover stands for the sky here and is warmer than it, and fleece hides half of that
    for night, least_k, most_k in (("bare", 0.4, 1.7), ("unheated", 0.2, 1.1)):
        plant = cold_night[night]
        colder_k = np.subtract(plant.tree_air_c, plant.fruit_c)
        assert np.all((colder_k > least_k) & (colder_k < most_k)), (night, colder_k)


def test_leaves_are_colder_than_their_air_by_less_than_in_the_open(cold_night):
    # Leuning & Cremer 1988, Agric. For. Meteorol. 42:121: 1-3 K in the open on radiation frosts
    colder_k = np.subtract(cold_night["bare"].tree_air_c, cold_night["bare"].leaf_c)
    assert np.all((colder_k > 0.2) & (colder_k < 3.0))


def test_a_bare_tree_without_heat_loses_its_fruit_and_so_does_a_covered_one(cold_night, curlew_yard):
    for night in ("bare", "unheated"):
        for tree, fruit_c in zip(curlew_yard.trees, cold_night[night].fruit_c, strict=True):
            assert fruit_c < CROPS[tree.kind].fruit_damage_c


def test_a_fruit_lags_as_one_of_its_size_does(curlew_yard):
    # computed for this project: 1.1 h for 100-130 g, 0.6 h for a 12 g kumquat, at 9 W/(m²·K)
    trees = Plant(curlew_yard).building.trees
    lag_h = trees.fruit_j_per_k / (9.0 * trees.fruit_m2) / 3600.0
    assert lag_h == pytest.approx(np.full(5, 1.1), abs=0.1)


def test_heat_goes_into_the_soil_under_a_fleece_as_a_building_standard_has_it(curlew_yard):
    # ISO 6946, conventional surface coefficients (from memory): radiation 0.9 x 4.6 at a mean of 0 °C and
    # convection 0.7 downwards [W/(m²·K)]
    plant = Plant(curlew_yard)
    nodes, ends, ground_m2 = plant.building.nodes, plant.building.ends, plant.building.trees.ground_m2
    temp_k = np.full(nodes.count + nodes.boundaries, KELVIN_OFFSET_K)
    temp_k[[*nodes.low, *nodes.leaf]] += 2.0  # the string warms air and leaves
    conducts = plant._network.conductance_w_per_k(plant.building.covered, temp_k, 0.0)
    for tree, soil in enumerate(nodes.soil[0]):
        up = ((ends[0] == soil) & np.isin(ends[1], (nodes.low[tree], nodes.leaf[tree]))).nonzero()
        assert conducts[up].sum() / ground_m2[tree] == pytest.approx(0.9 * 4.6 + 0.7, rel=0.1)


@pytest.mark.parametrize("hours", [3, 6, 12])
def test_soil_under_a_tree_stores_what_a_deep_soil_does(curlew_yard, hours):
    # Carslaw & Jaeger, Conduction of Heat in Solids, 2.7 (from memory): a deep solid under air that is
    # suddenly a kelvin warmer; its surface follows as 1 - exp(z²) erfc(z), z = h sqrt(t / (k c))
    plant = Plant(curlew_yard)
    building, nodes = plant.building, plant.building.nodes
    area_m2, floor = building.trees.ground_m2[0], FLOORS[curlew_yard.house.floor]
    chain = [layer[0] for layer in nodes.soil]
    below = [
        building.covered[FIXED][(building.ends[0] == node) & ~np.isin(building.ends[1], nodes.soil)]
        for node in chain
    ]
    joins = [
        building.covered[FIXED][(building.ends[0] == a) & (building.ends[1] == b)].item()
        for a, b in pairwise(chain)
    ]
    surface_w_per_m2_k, dt_s = 5.0, 20.0
    soil_k, stored_j = np.zeros(len(chain)), 0.0
    for _ in range(round(hours * 3600.0 / dt_s)):
        into_w = surface_w_per_m2_k * area_m2 * (1.0 - soil_k[0])
        down_w = np.append(np.array(joins) * -np.diff(soil_k), below[-1].sum() * soil_k[-1])
        soil_k += dt_s * (np.append(into_w, down_w[:-1]) - down_w) / building.capacity_j_per_k[chain]
        stored_j += into_w * dt_s
    at_s = (np.arange(hours * 3600) + 0.5).astype(float)
    z = surface_w_per_m2_k * np.sqrt(at_s / (floor.conductivity_w_per_m_k * floor.heat_capacity_j_per_m3_k))
    assert stored_j / area_m2 == pytest.approx((surface_w_per_m2_k * erfcx(z)).sum(), rel=0.1)


def test_the_two_heights_of_a_crown_stay_within_a_kelvin(cold_night):
    for plant in cold_night.values():
        assert np.abs(np.subtract(plant.tree_air_c, plant.tree_high_c)).max() < 1.0


@pytest.mark.parametrize("layers", [1, 2, 3])
def test_each_layer_of_fleece_takes_light_as_a_pile_of_plates_does(curlew_yard, layers):
    # Stokes 1862, Proc. R. Soc. Lond. 11:545 (from memory): what a sheet adds to a pile, between which light
    # goes to and fro; a sheet of 30 g passes 79 % (a maker's figure) and absorbs half of the rest
    passed, absorbed = 0.79, 0.5 * 0.21
    thrown_back = 1.0 - passed - absorbed
    pile_passed, pile_back = 1.0, 0.0
    for _ in range(layers):
        through = pile_passed * passed / (1.0 - pile_back * thrown_back)
        pile_back += pile_passed * thrown_back * pile_passed / (1.0 - pile_back * thrown_back)
        pile_passed = through
    trees = [tree.model_copy(update={"fleece_layers": layers}) for tree in curlew_yard.trees]
    building = build(curlew_yard.model_copy(update={"trees": tuple(trees)}), Variation())
    leaf, fleece = building.nodes.leaf[0], building.nodes.fleece[0]
    assert building.sun_covered[leaf] / building.sun_bare[leaf] == pytest.approx(pile_passed, abs=0.015)
    caught_m2 = building.sun_bare[leaf] / 0.80
    taken = building.sun_covered[fleece] / caught_m2
    assert taken == pytest.approx(1.0 - pile_passed - pile_back, abs=0.03)
    assert building.sun_bare[fleece] == 0.0


def test_sun_heats_a_shut_house_as_growers_know_and_a_fan_holds_it_near_the_outside(curlew_yard):
    # Savage 1980: tunnels exceed the outside by 4.2 K on average at their warmest; U. Maryland Extension:
    # unvented up to 32 °C with the outside near freezing, 49 °C in spring sun; fans of 0.02-0.04 m³/s a m²
    # leave 6-12 K at 300 W/m² of sensible gain (computed for this project)
    winter_noon = weather(1.0, dew_c=-2.0, wind_m_s=1.0, sun_w_m2=500.0)
    summer_noon = weather(22.0, dew_c=11.0, wind_m_s=2.0, sun_w_m2=850.0)
    for state, vent_m3_s, low_c, high_c in (
        (winter_noon, 0.0, 5.2, 32.0),
        (summer_noon, 0.0, 30.0, 49.0),
        (summer_noon, 1.2, 22.0, 29.0),
    ):
        plant = Plant(curlew_yard, air_c=state.outside_temp_c)
        for tree in range(5):
            plant.cover(tree, on=False)
        for _ in range(4 * HOUR):
            plant.step(60.0, state, [0.0] * 5, vent_m3_s)
        assert low_c < plant.house_c < high_c


def test_wind_makes_a_heated_house_colder_and_cloud_an_unheated_one_warmer(curlew_yard):
    heated = [
        after_a_night(curlew_yard, -3.0, wind_m_s=v, cloud=1.0, heat_w=[350.0] * 5).house_c
        for v in (0.5, 6.0)
    ]
    assert heated[1] < heated[0] - 0.5
    clouds = [after_a_night(curlew_yard, -3.0, cloud=c).house_c for c in (0.0, 0.5, 1.0)]
    assert clouds[0] < clouds[1] < clouds[2]


def test_dew_settles_on_the_cover_and_no_store_runs_below_empty_by_more_than_a_hair(curlew_yard):
    plant = after_a_night(curlew_yard, -6.0)
    assert plant._moisture.stored_kg[0] > 1.0
    assert all(kg >= -0.01 for kg in plant.fleece_water_kg)
    assert 0.0 < plant.house_vapour_kpa < 0.65


def test_fleece_that_is_wet_hides_the_cold_cover(curlew_yard):
    ends_c = {}
    for wet in (False, True):
        plant = Plant(curlew_yard)
        for _ in range(3 * HOUR):
            plant._moisture.stored_kg[1:] = 5.0 if wet else 0.0
            plant.step(60.0, weather(-5.0), [0.0] * 5)
        ends_c[wet] = plant.leaf_c[0] - plant.house_c
    assert ends_c[True] > ends_c[False] + 0.1


def test_taking_the_fleece_off_one_tree_cools_that_one(curlew_yard):
    plant = after_a_night(curlew_yard, -6.0)
    before_c = plant.tree_air_c
    plant.cover(2, on=False)
    for _ in range(HOUR):
        plant.step(60.0, weather(-6.0), [0.0] * 5)
    change_k = np.subtract(plant.tree_air_c, before_c)
    assert change_k[2] < -0.5
    assert np.all(np.abs(np.delete(change_k, 2)) < 0.3)
    plant.cover(2, on=False)  # already off


def test_a_tree_without_fleece_or_fruit_still_has_air_and_a_fruit_to_feel(curlew_yard):
    site = changed(curlew_yard, {"fleece": FleeceKind.NONE, "fruit_count": 0})
    plant = after_a_night(site, -6.0)
    assert plant.tree_air_c[0] == pytest.approx(plant.house_c, abs=0.5)
    assert plant.fruit_c[0] < plant.tree_air_c[0]


@pytest.mark.parametrize("glazing", list(GlazingKind))
def test_every_glazing_makes_a_house(curlew_yard, glazing):
    plant = after_a_night(changed(curlew_yard, glazing=glazing), -6.0)
    assert -9.0 < plant.house_c < -3.0
    assert plant.cover_c < plant.house_c
    assert plant.balance_w < 1e-5
    assert plant.floor_c == sorted(plant.floor_c)
    assert plant.soil_c[0] > plant.tree_air_c[0]


def test_the_fast_step_is_the_one_written_out_link_by_link(curlew_yard, monkeypatch):
    monkeypatch.setattr("simulator.plant.HOLD_S", 0.0)
    plant = Plant(curlew_yard)
    for minute in range(90):
        used = plant._coefficients.copy()  # the vapour may change them after the step has used them
        plant.step(60.0, weather(-4.0 + 0.1 * minute, sun_w_m2=5.0 * minute), [175.0] * 5, 0.3)
        if minute % 30 == 29:
            before_k, after_k, conductance, source_w, dt_s = plant._last
            used[FIXED, plant._leakage] = conductance[plant._leakage]  # the leak of this very step
            slow_k = reference_step(plant._network, used, before_k, source_w, 0.5, dt_s)
            assert after_k[: plant._nodes.count] == pytest.approx(slow_k, abs=1e-7)


@pytest.mark.parametrize("dt_s", [10.0, 60.0])
def test_links_held_for_a_while_leave_a_night_as_it_is_within_hundredths(
    curlew_yard, clear_sky, clear_calm, monkeypatch, dt_s
):
    begin_s = clear_sky.seconds(clear_calm.start_utc(curlew_yard))
    courses_c, looks = [], []
    for hold_s in (0.0, HOLD_S):
        monkeypatch.setattr("simulator.plant.HOLD_S", hold_s)
        plant = Plant(curlew_yard)
        looked = count_calls(monkeypatch, plant, "_hold")
        course_c = []
        for step in range(int(16 * 3600 / dt_s)):
            now_s = dt_s * step
            # an hour of heat by turns, then two without; vents for half an hour at a time
            heat_w = [350.0 * (now_s % 10800 < 3600 and now_s // (60 * (5 + i)) % 2 == 0) for i in range(5)]
            plant.step(dt_s, clear_sky.at_s(begin_s + now_s), heat_w, 0.8 * (now_s // 1800 % 4 == 0))
            course_c.append([plant.house_c, plant.cover_c, *plant.tree_air_c, *plant.fruit_c])
        courses_c.append(course_c)
        looks.append(len(looked))
    difference_k = np.abs(np.subtract(*courses_c))
    assert difference_k.max() < 0.05
    assert np.sqrt((difference_k**2).mean()) < 0.005
    assert looks[1] < 0.8 * looks[0]


def count_calls(monkeypatch, thing, name):
    """Return a list that grows by one with each call of a method."""
    calls, method = [], getattr(thing, name)
    monkeypatch.setattr(thing, name, lambda *args: calls.append(name) or method(*args))
    return calls
