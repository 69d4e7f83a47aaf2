"""What the plan is worth against thermostats: whole winters of reference years, on the simulator's house.

The house is finer and nonlinear.  The plan's model is learnt from a December of a fourth region in the house
as the handbook has it, and each draw's true house differs from that (``Variation.drawn``: 5 to 25 % in each
of eight properties).  The forecast is as wrong as the "medium" level of BOPTEST's error emulator (Zheng et
al. 2025: AR(1) of 0.93 with 0.6 K an hour, beginning 0.15 +- 1.2 K) and is corrected by the outside probe, as
the daemon does it.  Winters are played whole, mild nights included, since there a thermostat set higher
wastes most; and strings as the guard drives them (``Strings``).  Kelvin-hours are those of the air at the
probe below each tree's hold temperature; those of its fruit below it stand beside them.

The plan was tuned on the winters of regions 2 and 4, draws 100 and 101, and region 1 was looked at with draws
0 to 2.  With ``LEAST_YIELD`` at 0.01 a first table (draws 10 to 15) gave in the median 1.162 of the energy,
0.827 of the kelvin-hours and 0.627 of the energy of a thermostat as warm; since that energy was above the
1.15 allowed, it was set to 0.0125, and other houses and forecasts (draws 20 to 25) were played in the same
winters.  Shares of a thermostat at the hold temperature, its kWh and K·h (of the fruit in brackets), and of
the energy of one as warm; medians of six draws, and of all with the least and the most:

    200 W, region 1   76-144 kWh   20-197 K·h  2-5 nights short   1.110  0.844 (0.835)  0.602
           region 3  148-234 kWh  190-589 K·h  5-9 nights short   1.225  0.910 (0.834)  0.589
           region 5   90-170 kWh   35-193 K·h  5-7 nights short   1.131  0.838 (0.822)  0.698
           all 18                                                 1.140  0.857 (0.829)  0.651
           from                                                   1.056  0.723 (0.721)  0.329
           to                                                     1.283  0.939 (0.903)  0.743
    350 W, regions 1 and 5, where a thermostat lacks less than 1 K·h: 1.000-1.017 of its energy
           region 3, 1-59 K·h, 1-4 nights short: 1.030-1.075, 0.401-0.830 of its K·h, 0.504-0.792 as warm

    beside draw 20 at 200 W, regions 1, 3 and 5: no heat leaves 28.4, 13.2 and 40.5 of the kelvin-hours;
    heat from dusk to dawn takes 20.3, 11.6 and 17.6 of the energy and leaves 0.525, 0.823 and 0.256;
    this plan with a forecast that is always right 1.102, 1.222 and 1.126, and 0.827, 0.939 and 0.802
    (plan: 1.116, 1.283 and 1.157, and 0.843, 0.939 and 0.793)

A house that holds warmth better than the model believes is warmed too much (draws 20 and 21 of region 3), one
that holds it worse too little: the model of this bench stays as wrong as it is drawn, the daemon's learns.

How small is too small? A grower who reckoned with -6 °C on a clear and calm night has 200 W (``rimeward
size``: 142 to 228 W); his trees are short on 2 to 9 nights of a winter by the sea. Short on 5 to 14 nights
they are with 130 W, or on the upper Rhine (region 12). Then less is reached: 130 W took 1.232, 1.299 and
1.247 of the energy in regions 1, 3 and 5 (draw 20; 5, 14 and 8 nights short) and left 0.919, 0.975 and
0.910 of the kelvin-hours, for 0.588, 0.264 and 0.778 of the energy of a thermostat as warm; region 12
(draws 0 to 2 at 200 W, 12 to 16 nights short, ``LEAST_YIELD`` 0.01) took 1.17 to 1.19 and left 0.79 to
0.84, for 0.76 to 0.79. Heat bought early is soon lost: two layers of fleece lose 40 to 50 W/K round a tree
while the soil takes up 9 to 13, which agrees with ISO 6946 and a deep solid's storage
(tests/simulator/test_plant.py). Whoever foresees everything pays as much: on the 16 coldest days of region
2 every string fully on for 4, 8 and 12 h before each shortage leaves 0.965, 0.860 and 0.780 of the kelvin-
hours for 1.019, 1.123 and 1.245 of the energy (200 W), and 0.958, 0.914 and 0.891 for 1.065, 1.184 and
1.273 (130 W).

    python -m tests.bench.plan_nights [plant [watts [regions [draws]]]]
"""

import sys
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from controller.guard.tree import BAND_K
from controller.plan.plan import OLDEST_S, plan_of
from controller.site.handbook import CropKind, FleeceKind
from controller.site.load import example_site, load_site
from controller.thermal.house_fit import fit_house
from controller.thermal.inputs import STEP_S as RECORD_STEP_S
from controller.thermal.inputs import Inputs, deep_soil_temp_c
from controller.thermal.parameters import parameters_of
from controller.thermal.record import Record
from controller.thermal.sunlight import sun_altitude_deg, sun_on_house_w_m2
from controller.weather.forecast import Forecast
from controller.weather.site_weather import SiteWeather
from simulator.materials import Variation
from simulator.plant import Plant
from simulator.weather_files import reference_year

# Three of the four regions with the fewest frosts (12 to 19 in six weeks of January and February), as by the
# sea; the plan was tuned on region 2.
REGIONS, LEARNT_IN, DRAWS = (1, 3, 5), 4, range(20, 26)
WINTER, WINTER_DAYS = datetime(2026, 11, 15, 12, tzinfo=UTC), 120
LEARN_FROM, LEARN_DAYS = datetime(2026, 12, 1, 12, tzinfo=UTC), 28
# Of region 2 at 200 W steps half as long take 1.4 % more energy, thermostat and plan alike: their ratios of
# energy and kelvin-hours stay within 0.002.
STEP_S, FAR_STEP_S, NEAR_K, FAR_K = 240.0, 1200.0, 0.8, 4.0
# The daemon plans four times as often.
PLAN_S, FORECAST_S = 3600.0, 3 * 3600.0
# A string keeps its mean power while its tree stays so near to the middle of the band [K].
ENOUGH_K = 0.1
# A thermostat as warm as the plan is looked for up to here [K], first here [K], until two that enclose it are
# so near to each other [K] or one has as many kelvin-hours within so much.
MOST_RAISED_K, FIRST_RAISED_K, NEAR_RAISED_K, AS_WARM = 4.0, 0.8, 0.3, 0.01
# A night counts as short in which a tree is so far below its hold temperature [K] for so long [h].
SHORT_K, SHORT_H = 0.1, 1.0
# No string played here is too small while the coming hours stay above this [°C], whatever is forecast.
SHORT_BELOW_C, AHEAD_H = 0.5, 15
# Ways that take long or hardly differ from draw to draw are played for so many draws only.
MOST_DRAWS = {"none": 1, "always": 1, "foresight": 1}


@dataclass
class Sums:
    """What a winter took and left undone, all trees together."""

    kwh: float = 0.0
    k_h: float = 0.0
    fruit_k_h: float = 0.0
    lowest_c: float = np.inf
    short_nights: int = 0


@dataclass
class Forecaster:
    """Tells the weather to come, as wrong as the medium error emulator, or exactly (``draw`` None)."""

    sky: object
    draw: int | None
    cache: dict = field(default_factory=dict)

    def at(self, now):
        hours = [now.replace(minute=0, second=0, microsecond=0) + timedelta(hours=h) for h in range(-1, 37)]
        weather = np.array([self.sky.at(hour) for hour in hours])
        error_k = np.zeros(len(hours))
        if self.draw is not None:
            rng = np.random.default_rng([self.draw, int(now.timestamp())])
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
            spread_k=none if self.draw is None else None,
        )


# Curlew Yard as it is, and with old trees in a taller house: what holds heat grows with the volume of a
# crown, what loses it with its surface.
TREES = {
    "curlew": {},
    # two layers of heavy fleece lose half of what two of the usual kind lose
    "wrapped": {"fleece": FleeceKind.HEAVY_60G, "fleece_layers": 2},
    "old": {"height_m": 3.5, "width_m": 3.2, "fruit_count": 350},
    # 140 kg of fruit on a tree, as a full-grown grapefruit bears (from memory)
    "grapefruit": {"kind": CropKind.GRAPEFRUIT, "height_m": 3.0, "width_m": 2.6, "fruit_count": 400},
}
TALL_HOUSE = {"length_m": 12.0, "width_m": 9.0, "eaves_height_m": 3.0, "ridge_height_m": 4.8}


def site_with(power_w, plant="curlew"):
    """Return Curlew Yard with one string of a power under each of some trees."""
    site = load_site(example_site("curlew-yard"))
    trees = tuple(
        tree.model_copy(
            update=TREES[plant] | {"strings": (tree.strings[0].model_copy(update={"power_w": power_w}),)}
        )
        for tree in site.trees
    )
    house = site.house.model_copy(update=TALL_HOUSE if plant in {"old", "grapefruit"} else {})
    circuits = tuple(circuit.model_copy(update={"breaker_a": 63.0}) for circuit in site.circuits)
    return site.model_copy(update={"trees": trees, "house": house, "circuits": circuits})


@cache
def learnt(power_w, plant):
    """Return the model learnt from some weeks of thermostat and one evening's heater step, elsewhere."""
    site = site_with(power_w, plant)
    sky = reference_year(LEARNT_IN).sky(
        site.place, LEARN_FROM - timedelta(days=8), LEARN_FROM + timedelta(days=LEARN_DAYS)
    )
    house, begin_s = _settled(site, sky, LEARN_FROM, Variation()), sky.seconds(LEARN_FROM)
    steps, count = round(LEARN_DAYS * 86400.0 / RECORD_STEP_S), len(site.trees)
    weather, house_c = [], np.empty(steps)
    tree_c, string_w = np.empty((steps, count)), np.empty((steps, count))
    hold_c = np.array([tree.hold_or_default_c for tree in site.trees])
    heating = np.zeros(count, dtype=bool)
    each = round(RECORD_STEP_S / STEP_S)
    for k in range(steps):
        house_c[k], tree_c[k] = house.house_c, house.tree_air_c
        weather.append(sky.at_s(begin_s + k * RECORD_STEP_S))
        used_w = np.zeros(count)
        stepped = 8 * 86400.0 + 6 * 3600.0 <= k * RECORD_STEP_S < 8 * 86400.0 + 12 * 3600.0
        for _ in range(each):
            air_c = np.array(house.tree_air_c)
            heating = (air_c <= hold_c) | (heating & (air_c <= hold_c + BAND_K))
            heat_w = power_w * (heating | stepped)
            used_w += heat_w / each
            house.step(STEP_S, weather[-1], heat_w.tolist())
        string_w[k] = used_w
    return fit_house(
        Record(
            inputs=_record_inputs(site, weather, string_w),
            house_temp_c=house_c,
            tree_temp_c=tree_c,
        ),
        parameters_of(site),
    ).parameters


def _record_inputs(site, weather, string_w):
    steps, begin_s = len(weather), LEARN_FROM.timestamp()
    seen = np.array([(w.outside_temp_c, w.longwave_down_w_m2, w.wind_m_s, w.shortwave_w_m2) for w in weather])
    at_s = begin_s + RECORD_STEP_S * (np.arange(steps) + 0.5)
    sky_c = (seen[:, 1] / 5.670374e-8) ** 0.25 - 273.15
    return Inputs(
        start_s=begin_s,
        outside_temp_c=seen[:, 0],
        sky_depression_k=seen[:, 0] - sky_c,
        wind_m_s=seen[:, 2],
        sun_w_m2=sun_on_house_w_m2(seen[:, 3], at_s, site),
        deep_temp_c=np.full(steps, deep_soil_temp_c(site, LEARN_FROM)),
        vent_m3_s=np.zeros(steps),
        house_heat_w=np.zeros(steps),
        fleece_on=np.ones(string_w.shape, dtype=bool),
        string_w=string_w,
    )


def _settled(site, sky, begin, variation):
    plant = Plant(site, variation, air_c=4.0)
    for number in range(7 * 288, 0, -1):
        plant.step(FAR_STEP_S, sky.at_s(sky.seconds(begin) - number * FAR_STEP_S), [0.0] * len(site.trees))
    return plant


class Unkept(SiteWeather):
    """What is learned of forecasts, on no disk."""

    def _recall(self):
        pass

    def _keep(self):
        pass


class Strings:
    """A house's strings as the guard's thermostat drives them, which looks every ten seconds.

    Played as what such cycles give as their mean: the power that keeps each tree in the middle of the
    thermostat's band.  Switched at every step instead, a tree would dip below its limit in every cycle, which
    no tree does whose guard looks every ten seconds.  On five cold days of 350 W a tree the mean takes 1.6 %
    more energy than switching every ten seconds and leaves 0 of 0.7 K·h; of 150 W, 0.8 % and 202 of 192 K·h.
    """

    def __init__(self, house, weather, power_w):
        cold, warm = deepcopy(house), deepcopy(house)
        trees = len(house.tree_air_c)
        cold.step(STEP_S, weather, [0.0] * trees)
        warm.step(STEP_S, weather, [power_w] * trees)
        self.gain_k_per_w = (np.array(warm.tree_air_c) - np.array(cold.tree_air_c)) / power_w
        self.house, self.cap_w = house, power_w
        self.drift_k, self.heat_w = np.zeros(trees), np.zeros(trees)

    def step(self, step_s, weather, aim_c):
        """Move the house on towards air of ``aim_c`` and return its new air [°C] and the power used [W]."""
        before_c = np.array(self.house.tree_air_c)
        lack_k = aim_c - before_c - self.drift_k - self.gain_k_per_w * self.heat_w
        more_w = np.where(lack_k > 0.0, self.heat_w < self.cap_w, self.heat_w > 0.0)
        if (more_w & (np.abs(lack_k) > ENOUGH_K)).any():
            # half of the way, since the power of a step still warms the next
            self.heat_w = np.clip(self.heat_w + 0.5 * lack_k / self.gain_k_per_w, 0.0, self.cap_w)
        heat_w = self.heat_w
        self.house.step(step_s, weather, heat_w.tolist())
        air_c = np.array(self.house.tree_air_c)
        # the same is expected of the next minute; long steps are taken far from any limit
        self.drift_k = (air_c - before_c - self.gain_k_per_w * heat_w) * (step_s == STEP_S)
        return air_c, heat_w


def played(region, power_w, draw, how, *, plant="curlew", raised_k=0.0, days=WINTER_DAYS):
    """Return kWh and kelvin-hours below the usual hold temperature of a winter.

    ``how`` is "none", "always" (from dusk to dawn), "thermostat", "plan" or "foresight" (a plan with a
    forecast that is always right).
    """
    site = site_with(power_w, plant)
    sky = reference_year(region).sky(
        site.place, WINTER - timedelta(days=8), WINTER + timedelta(days=days + 3)
    )
    house, begin_s = _settled(site, sky, WINTER, Variation.drawn(draw)), sky.seconds(WINTER)
    strings = Strings(house, sky.at_s(begin_s), power_w)
    usual_c = np.array([tree.hold_or_default_c for tree in site.trees])
    hold_c = usual_c + raised_k + 0.5 * BAND_K
    planned = how in {"plan", "foresight"}
    planner = (
        Planner(site, sky, WINTER, draw if how == "plan" else None, learnt(power_w, plant))
        if planned
        else None
    )
    sums, elapsed_s, air_c = Sums(), 0.0, np.array(house.tree_air_c)
    short_h = np.zeros((days + 1, len(usual_c)))
    while elapsed_s < days * 86400.0:
        weather = sky.at_s(begin_s + elapsed_s)
        aim_c = hold_c
        if how == "none":
            aim_c = np.full(len(usual_c), -np.inf)
        elif how == "always" and _is_night(site, WINTER.timestamp() + elapsed_s):
            aim_c = np.full(len(usual_c), np.inf)
        elif planned:
            near = bool((air_c < usual_c + FAR_K).any())
            floor_c = planner.floor_c(elapsed_s, air_c, house.house_c, weather.outside_temp_c, near=near)
            aim_c = np.maximum(hold_c, floor_c)
        step_s = STEP_S if (air_c < aim_c + NEAR_K).any() else FAR_STEP_S
        air_c, heat_w = strings.step(step_s, weather, aim_c)
        sums.kwh += float(heat_w.sum()) * step_s / 3.6e6
        sums.k_h += float(np.maximum(usual_c - air_c, 0.0).sum()) * step_s / 3600.0
        sums.fruit_k_h += float(np.maximum(usual_c - np.array(house.fruit_c), 0.0).sum()) * step_s / 3600.0
        sums.lowest_c = min(sums.lowest_c, float(air_c.min()))
        short_h[int(elapsed_s // 86400.0)] += (air_c < usual_c - SHORT_K) * step_s / 3600.0
        elapsed_s += step_s
    sums.short_nights = int((short_h.max(1) >= SHORT_H).sum())
    return sums


def _is_night(site, at_s):
    place = site.place
    return bool(sun_altitude_deg(np.array([at_s]), place.latitude_deg, place.longitude_deg)[0] < 0.0)


@dataclass
class Planner:
    """Makes plans as the daemon does, forecasts corrected by the outside probe."""

    site: object
    sky: object
    begin: datetime
    draw: int | None
    model: object
    plan: object = None
    plan_s: float = -np.inf
    forecast: object = None
    forecast_s: float = -np.inf

    def __post_init__(self):
        self.forecaster = Forecaster(self.sky, self.draw)
        self.weather = Unkept(self.site.place, Path())

    def floor_c(self, elapsed_s, air_c, house_c, outside_c, *, near):
        """Return the floor that the plan asks for each tree now [°C], -inf where it asks nothing."""
        trees = self.site.trees
        new = elapsed_s - self.forecast_s >= FORECAST_S
        # where nothing is short the next forecast is time enough, which saves half of the playing
        again = elapsed_s - self.plan_s >= PLAN_S and self.plan is not None and self.plan.is_short
        if near and (new or again):
            now = self.begin + timedelta(seconds=elapsed_s)
            if new:
                self.forecast, self.forecast_s = self.forecaster.at(now), elapsed_s
            if self.forecast.outside_temp_c[:AHEAD_H].min() > SHORT_BELOW_C:
                self.plan, self.plan_s = None, elapsed_s
                return np.full(len(trees), -np.inf)
            self.weather.learn(now, outside_c)
            expected = self.forecast
            if self.draw is not None:
                expected, _ = self.weather.corrected(expected, now, outside_c)
            latest_c = {tree.probes[0]: float(c) for tree, c in zip(trees, air_c, strict=True)}
            latest_c |= {"house": house_c, "outside": outside_c}
            self.plan = plan_of(self.site, expected, latest_c, now, self.model)
            self.plan_s = elapsed_s
        asks = [None] * len(trees)
        if self.plan is not None:
            asks = [self.plan.ask(tree.name, elapsed_s - self.plan_s) for tree in trees]
        return np.array([-np.inf if ask is None or ask.age_s > OLDEST_S else ask.floor_c for ask in asks])


def as_warm(kwh, k_h, played_raised, thermostat, first_k=FIRST_RAISED_K):
    """Return how far raised [K], and the energy [kWh], of the fixed thermostat with so many kelvin-hours.

    Between two that enclose it, kelvin-hours falling by the same share for each kelvin and energy rising by
    the same amount; where none is as warm, the warmest.
    """
    k_h = max(k_h, 1e-3)
    # too near for a share of more energy to matter, or as warm as it is
    if not kwh > thermostat.kwh * 1.02 or not thermostat.k_h > k_h:
        return 0.0, thermostat.kwh
    colder_k, colder, warmer_k, warmer, raised_k = 0.0, thermostat, np.inf, None, first_k
    while warmer_k - colder_k > NEAR_RAISED_K and colder_k < MOST_RAISED_K:
        raised = played_raised(raised_k)
        if raised.k_h > k_h:
            # the next guess overshoots a little, so that the two enclose
            steepness = np.log(colder.k_h / raised.k_h) / (raised_k - colder_k)
            colder_k, colder = raised_k, raised
            guess_k = colder_k + 1.1 * np.log(raised.k_h / k_h) / max(steepness, 0.05) + 0.05
        else:
            warmer_k, warmer = raised_k, raised
            guess_k = colder_k + 0.9 * _share(colder, warmer, k_h) * (warmer_k - colder_k)
            guess_k = max(guess_k, colder_k + 0.05)
        if abs(raised.k_h / k_h - 1.0) < AS_WARM:
            return raised_k, raised.kwh
        raised_k = round(min(guess_k, MOST_RAISED_K, warmer_k - 0.05), 2)
    if warmer is None:
        return colder_k, colder.kwh
    share = _share(colder, warmer, k_h)
    return colder_k + share * (warmer_k - colder_k), colder.kwh + share * (warmer.kwh - colder.kwh)


def _share(colder, warmer, k_h):
    """Return how far between two thermostats one lies with so many kelvin-hours, 0 to 1."""
    return np.log(colder.k_h / k_h) / np.log(colder.k_h / max(warmer.k_h, 0.1 * k_h))


def show(power_w, regions=REGIONS, draws=DRAWS, plant="curlew", ways=("plan",)):
    """Print the table of one string power; return energy, kelvin-hours and equal energy of each plan."""
    print(f"{plant}, {power_w:.0f} W a tree; the thermostat's kWh and K·h, the others' shares of both and of")
    print("the fruit's; a thermostat as warm as the plan: how far raised, the plan's share of its energy")
    found, raised_k = [], FIRST_RAISED_K
    for region in regions:
        for draw in draws:
            fixed = played(region, power_w, draw, "thermostat", plant=plant)
            line = f"{region:3d} {draw:2d} {fixed.kwh:7.1f} kWh {fixed.k_h:7.1f} K·h {fixed.lowest_c:5.1f} °C"
            line += f" {fixed.short_nights:2d} nights short"
            for how in (each for each in ways if draw - draws[0] < MOST_DRAWS.get(each, len(draws))):
                each = played(region, power_w, draw, how, plant=plant)
                ratios = [each.kwh / fixed.kwh, each.k_h / max(fixed.k_h, 1e-9)]
                fruit = each.fruit_k_h / max(fixed.fruit_k_h, 1e-9)
                line += f" | {how} {ratios[0]:.3f} {ratios[1]:.3f} {fruit:.3f}"
                if how == "plan":
                    raised_k, equal_kwh = as_warm(
                        each.kwh,
                        each.k_h,
                        lambda k, r=region, d=draw: played(
                            r, power_w, d, "thermostat", plant=plant, raised_k=k
                        ),
                        fixed,
                        raised_k or FIRST_RAISED_K,
                    )
                    ratios.append(each.kwh / equal_kwh)
                    line += f" ({raised_k:.2f} K {ratios[2]:.3f}) {each.lowest_c:.1f} °C"
                    found.append(ratios)
            print(line, flush=True)
    print("median", np.round(np.median(found, axis=0), 3), "worst", np.round(np.max(found, axis=0), 3))
    return found


if __name__ == "__main__":
    plant, watts, regions, draws = (
        *sys.argv[1:],
        *("curlew", "130", "1,3,5", "20,21,22,23,24,25")[len(sys.argv) - 1 :],
    )
    which = ([int(each) for each in words.split(",")] for words in (regions, draws))
    show(float(watts), *which, plant, ("none", "always", "plan", "foresight"))
