"""What the plan is worth against thermostats: the cold weeks of reference years, on the simulator's house.

The house is finer and nonlinear and differs from the handbook in each draw (``Variation.drawn``); the
plan's model is what the site file says of the materials.  The forecast is as wrong as the "medium" level of
BOPTEST's error emulator (Zheng et al. 2025: AR(1) of 0.93 with 0.6 K an hour, beginning 0.15 +- 1.2 K).
Nothing in the plan was tuned on these years.

Medians of three regions with two draws each: with 120 W a tree the plan took 1.020 of the energy of a
thermostat at the hold temperature for 0.992 of its kelvin-hours, and 0.988 of the energy of a thermostat
as warm; with 350 W it was 1.001, 0.994 and 1.000.  A tree under two layers of fleece forgets within half an
hour, so little is gained by warming ahead; the larger gains of studies are for what remembers for hours.

    python -m tests.bench.plan_nights [watts [regions [draws]]]
"""

import sys
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from controller.guard.tree import BAND_K
from controller.plan.plan import plan_of
from controller.site.load import example_site, load_site
from controller.weather.forecast import Forecast
from simulator.materials import Variation
from simulator.plant import Plant
from simulator.weather_files import reference_year

REGIONS = (1, 7, 11)
BEGIN, DAYS = datetime(2027, 1, 5, 12, tzinfo=UTC), 42
STEP_S, FAR_STEP_S, FAR_K = 60.0, 300.0, 4.0
PLAN_S, FORECAST_S = 1800.0, 3 * 3600.0
RAISED_K = (0.0, 0.5, 1.0, 2.0)


@dataclass
class Sums:
    """What a winter took and left undone, all trees together."""

    kwh: float = 0.0
    k_h: float = 0.0


@dataclass
class Forecaster:
    """Tells the weather to come, as wrong as the medium error emulator."""

    sky: object
    draw: int
    cache: dict = field(default_factory=dict)

    def at(self, now):
        hours = [now.replace(minute=0, second=0, microsecond=0) + timedelta(hours=h) for h in range(-1, 37)]
        weather = np.array([self.sky.at(hour) for hour in hours])
        rng = np.random.default_rng([self.draw, int(now.timestamp())])
        error_k = np.empty(len(hours))
        error_k[0] = 0.15 + 1.2 * rng.normal()
        for k in range(1, len(hours)):
            error_k[k] = 0.93 * error_k[k - 1] + 0.6 * rng.normal()
        none = np.zeros(len(hours))
        return Forecast(
            source="bench",
            attribution="",
            fetched_at=now,
            issued_at=now,
            elevation_m=0.0,
            at_s=np.array([hour.timestamp() for hour in hours]),
            outside_temp_c=weather[:, 0] + error_k,
            dew_point_c=weather[:, 1],
            wind_m_s=weather[:, 2],
            gust_m_s=weather[:, 2],
            cloud_frac=weather[:, 3],
            shortwave_w_m2=weather[:, 4],
            precipitation_mm=none,
        )


def site_with(power_w):
    """Return Curlew Yard with one string of a power under each tree."""
    site = load_site(example_site("curlew-yard"))
    trees = tuple(
        tree.model_copy(update={"strings": (tree.strings[0].model_copy(update={"power_w": power_w}),)})
        for tree in site.trees
    )
    return site.model_copy(update={"trees": trees})


def played(region, power_w, draw, *, raised_k=0.0, planned=False):
    """Return kWh and kelvin-hours below the usual hold temperature of some cold weeks."""
    site = site_with(power_w)
    sky = reference_year(region).sky(site.place, BEGIN - timedelta(days=8), BEGIN + timedelta(days=DAYS + 3))
    plant = Plant(site, Variation.drawn(draw), air_c=4.0)
    begin_s, idle_w = sky.seconds(BEGIN), [0.0] * len(site.trees)
    for number in range(7 * 288, 0, -1):
        plant.step(FAR_STEP_S, sky.at_s(begin_s - number * FAR_STEP_S), idle_w)
    hold_c = np.array([tree.hold_or_default_c for tree in site.trees])
    usual_c, hold_c = hold_c, hold_c + raised_k
    heating = np.zeros(len(site.trees), dtype=bool)
    forecaster, sums = Forecaster(sky, draw), Sums()
    elapsed_s, plan, plan_s, forecast, forecast_s = 0.0, None, -np.inf, None, -np.inf
    while elapsed_s < DAYS * 86400.0:
        air_c = np.array(plant.tree_air_c)
        near = bool((air_c < hold_c + FAR_K).any())
        weather = sky.at_s(begin_s + elapsed_s)
        if planned and near and elapsed_s - plan_s >= PLAN_S:
            now = BEGIN + timedelta(seconds=elapsed_s)
            if elapsed_s - forecast_s >= FORECAST_S:
                forecast, forecast_s = forecaster.at(now), elapsed_s
            latest_c = {tree.probes[0]: float(c) for tree, c in zip(site.trees, air_c, strict=True)}
            latest_c |= {"house": plant.house_c, "outside": weather.outside_temp_c}
            plan, plan_s = plan_of(site, forecast, latest_c, now), elapsed_s
        heating = (air_c <= hold_c) | (heating & (air_c <= hold_c + BAND_K))
        if plan is not None and elapsed_s - plan_s <= 3600.0:
            asks = [plan.ask(tree.name, elapsed_s - plan_s) for tree in site.trees]
            wanted = [a is not None and c <= a.floor_c for a, c in zip(asks, air_c, strict=True)]
        else:
            wanted = [False] * len(site.trees)
        step_s = STEP_S if near else FAR_STEP_S
        plant.step(step_s, weather, [power_w * float(h or w) for h, w in zip(heating, wanted, strict=True)])
        sums.kwh += power_w * float(np.sum(heating | np.array(wanted))) * step_s / 3.6e6
        sums.k_h += float(np.maximum(usual_c - np.array(plant.tree_air_c), 0.0).sum()) * step_s / 3600.0
        elapsed_s += step_s
    return sums


def energy_of_equal(k_h, thermostats):
    """Return the energy of a fixed thermostat with so many kelvin-hours, between those that were played.

    Where none of them is as warm, that of the warmest: too little, so that the plan is not flattered.
    """
    order = np.argsort([each.k_h for each in thermostats])
    return float(np.interp(k_h, [thermostats[i].k_h for i in order], [thermostats[i].kwh for i in order]))


def rows(power_w, regions, draws):
    """Yield region, draw, the thermostat's sums, the plan's, and the energy of a thermostat as warm."""
    for region in REGIONS[:regions]:
        for draw in range(draws):
            fixed = [played(region, power_w, draw, raised_k=raised_k) for raised_k in RAISED_K]
            plan = played(region, power_w, draw, planned=True)
            yield region, draw, fixed[0], plan, energy_of_equal(plan.k_h, fixed)


def show(power_w, regions, draws):
    """Print the table of one string power."""
    print("watts region draw   kWh  plan/it   K·h  plan/it  plan/thermostat as warm [kWh]")
    found = []
    for region, draw, fixed, plan, equal_kwh in rows(power_w, regions, draws):
        ratios = (
            plan.kwh / max(fixed.kwh, 1e-9),
            plan.k_h / max(fixed.k_h, 1e-9),
            plan.kwh / max(equal_kwh, 1e-9),
        )
        found.append(ratios)
        print(
            f"{power_w:5.0f} {region:6d} {draw:4d} {fixed.kwh:6.1f} {ratios[0]:7.3f} {fixed.k_h:7.1f} "
            f"{ratios[1]:7.3f} {ratios[2]:8.3f}",
            flush=True,
        )
    print("median", np.round(np.median(found, axis=0), 3), "worst", np.round(np.max(found, axis=0), 3))
    return found


if __name__ == "__main__":
    watts, regions, draws = (int(word) for word in (*sys.argv[1:], 120, 3, 6)[:3])
    show(float(watts), regions, draws)
