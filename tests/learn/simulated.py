"""Logbooks of houses whose truth is known: the simulator's, finer and nonlinear, and the model's own."""

import json
from datetime import UTC, datetime, timedelta

import synthetic

from controller.journal.store import open_for_writing
from controller.learn.logbook import read_logbook
from controller.site.load import example_site, load_site
from simulator.materials import Variation
from simulator.probes import SimProbe
from simulator.weather_files import reference_year
from simulator.world import World

SITE = load_site(example_site("curlew-yard"))
# A house that leaks more, through glass and fleece, and stands on drier soil than its site file says.
ODD = Variation(leakage=1.8, fleece_leakage=1.6, soil_conductivity=0.7)
START = datetime(2027, 1, 10, tzinfo=UTC)
STEP_S = 300.0
FORECAST = ("outside_c", "dew_point_c", "wind_m_s", "cloud_frac", "shortwave_w_m2")
# One evening's heater step, then four hours of heat every third night; day and hours.
HEAT = ((8, 18, 24), *((day, 1, 5) for day in range(11, 90, 3)))


class HeatedWorld(World):
    """A world whose strings follow a list of days and hours, all on or all off."""

    def strings_w(self):
        on = any(day * 24 + begin <= self.elapsed_s / 3600.0 < day * 24 + end for day, begin, end in HEAT)
        return [tree.power_w * on for tree in self.site.trees]


def simulated_rows(days, *, site=SITE, start=START, heated=True, seed=1, variation=None):
    """Return head and rows of a logbook of the simulated house, every five minutes."""
    sky = reference_year(1).sky(site.place, start - timedelta(days=8), start + timedelta(days=days + 2))
    world = (HeatedWorld if heated else World)(site, sky, start, seed=seed, variation=variation)
    probes = [SimProbe(name, seed) for name in ("outside", "house", *(tree.name for tree in site.trees))]
    names = [f"{tree.name}.{column}" for tree in site.trees for column in ("air_c", "string_w", "fleece")]
    head = ["time", "outside_c", "dew_point_c", "wind_m_s", "cloud_frac", "shortwave_w_m2", "house_c", *names]
    rows = []
    for k in range(int(days * 86400 / STEP_S)):
        truth = (world.weather.outside_temp_c, world.plant.house_c, *world.plant.tree_air_c)
        for probe, true_c in zip(probes, truth, strict=True):
            probe.follow(true_c, STEP_S)
        weather, strings_w = world.sky.at_s(world._sky_s + world.elapsed_s), world.strings_w()
        said = [probe.reading_c() for probe in probes]
        row = [
            (start + timedelta(seconds=k * STEP_S)).isoformat(),
            said[0],
            round(weather.dew_point_c, 2),
            round(weather.wind_m_s, 2),
            round(weather.cloud_frac, 3),
            round(weather.shortwave_w_m2, 1),
            said[1],
        ]
        for air_c, power_w in zip(said[2:], strings_w, strict=True):
            row += [air_c, power_w, 1]
        rows.append(row)
        for _ in range(5):
            world.step(STEP_S / 5)
    return head, rows


def write(path, head, rows):
    """Write a logbook."""
    path.write_text("\n".join(",".join(str(cell) for cell in row) for row in [head, *rows]) + "\n")
    return path


def own_rows(days, parameters, noise, seed=0):
    """Return head and rows of a logbook of a house with one tree that obeys the model itself."""
    weather = synthetic.weather(days, 1, seed=seed)
    cloud = (22.0 - weather.sky_depression_k) / 18.0
    power_w = synthetic.heater_step(weather, parameters.string_w, 3).string_w[:, 0]
    head = ["time", "outside_c", "rh_pct", "cloud_frac", "wind_m_s", "shortwave_w_m2", "house_c"]
    head += ["satsuma-door.air_c", "satsuma-door.string_w", "satsuma-door.fleece"]
    rows = [
        [
            (START + timedelta(seconds=k * STEP_S)).isoformat(),
            weather.outside_temp_c[k],
            80,
            cloud[k],
            weather.wind_m_s[k],
            weather.sun_w_m2[k],
            0.0,
            0.0,
            power_w[k],
            "yes",
        ]
        for k in range(weather.steps)
    ]
    return head, rows


def own_logbook(path, days, parameters, noise, seed=0):
    """Write such a logbook: its inputs as they are read, then readings played with them."""
    head, rows = own_rows(days, parameters, noise, seed)
    inputs = read_logbook(write(path, head, rows), SITE).record.inputs
    record, _ = synthetic.played(parameters, noise, inputs, seed)
    for row, house_c, tree_c in zip(rows, record.house_temp_c, record.tree_temp_c[:, 0], strict=True):
        row[6], row[7] = round(house_c, 3), round(tree_c, 3)
    return write(path, head, rows)


def write_journal(folder, site, head, rows):
    """Write a logbook's rows as the journal that the daemon would have kept of them; return its path."""
    path = folder / "journal.db"
    connection, _ = open_for_writing(path)
    column = {name: head.index(name) for name in head}
    readings, decisions, hours = [], [], []
    heated = {tree.name: None for tree in site.trees}
    for row in rows:
        at_s = datetime.fromisoformat(row[0]).timestamp()
        readings += [("outside", at_s, row[1]), ("house", at_s + 20.0, row[column["house_c"]])]
        for tree in site.trees:
            readings.append((tree.probes[0], at_s - 20.0, row[column[f"{tree.name}.air_c"]]))
            on = int(row[column[f"{tree.name}.string_w"]] > 0.0)
            if on != heated[tree.name]:
                heated[tree.name] = on
                decisions.append((at_s, tree.name, on))
        if at_s % 3600.0 == 0.0:
            hours.append((at_s, *(row[column[name]] for name in FORECAST)))
    connection.execute("BEGIN")
    connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", readings)
    connection.executemany(
        "INSERT INTO decision (at_s, kind, name, active, reason, because) "
        "VALUES (?, 'tree', ?, ?, 'cold', '')",
        decisions,
    )
    for first in range(0, len(hours) - 1, 6):
        some = list(zip(*hours[first : first + 30], strict=True))
        body = dict(zip(("at_s", "outside_temp_c", *FORECAST[1:]), some, strict=True))
        connection.execute(
            "INSERT INTO forecast (fetched_s, source, body) VALUES (?, 'invented', ?)",
            (some[0][0] - 600.0, json.dumps(body)),
        )
    connection.execute("COMMIT")
    connection.close()
    return path
