"""Where seeing a night coming pays, and where a thermostat is as good: one change at a time, one table.

The coldest days of one winter on the simulator's house as in ``plan_nights``: heat, its cost, kelvin-hours
of air below the usual hold temperature, and what the fruit that truly was so cold is expected to lose.  A
circuit limit is one of watts: the site file refuses a circuit that cannot carry every string, so what it
carries, here 1000 W, is shared out beforehand, evenly or as ``rimeward size`` says.  Region 5, house 0, 16
days, five trees of 350 W:

    fleece on at all times 30.0 kWh, nothing lost; from 16 h 50.6 kWh and fruit of 56 EUR, from 20 h 62.5 and
    58, from 23 h 78.2 and 111: hands in time are worth more than any plan (off at 8 h in all three)
    a probe that lags by ten minutes: kelvin-hours from 1.5 to 38.0 for 4 % more heat
    hold by risk: 0.86 EUR more, nothing less lost in this winter: here the thermostat at 0 and +1 °C wins
    strings of 200 W: 5.1 K·h, planned 3.9 for 25 % more heat; forecast 5 K too warm: 4.3 for 12 % more
    a circuit limit: as many watts as 200 W a tree, shared by need: 0.8 K·h for 1 % more heat, planned 0.5:
    in so mild a time sizing is worth more than foresight
    two rates: 6.20 EUR, planned 6.34: the thermostat wins; old trees 15.53, planned 15.51

    python -m tests.bench.where_foresight_pays [region [draw]]
"""

import sys
from dataclasses import dataclass, replace
from datetime import time, timedelta
from functools import cache

import numpy as np

from controller.crop.dose import lost_share
from controller.crop.limits import tissue_limits
from controller.crop.risk import crop_onset_c
from controller.guard.tree import BAND_K
from controller.plan.size import size
from controller.site.tariff import price_per_kwh_at
from simulator.materials import Variation
from simulator.weather_files import reference_year
from tests.bench import plan_nights as nights

DAYS = 16
# Strings shared by need are sized for such a night [°C].
DESIGN_MIN_C = -9.0
# Strings switch so often [s], which is as good as the guard's ten seconds: 0.1 K·h a day, all trees together.
NEAR_STEP_S = 20.0
# A tree that was warmed and cools again must not fall through its limit within one step [s].
COOLING_STEP_S = 60.0
NIGHT_RATE = {"night_price_per_kwh": 0.12, "night_from": time(20, 0), "night_until": time(5, 0)}


@dataclass(frozen=True)
class Case:
    """What is played: strings and trees, who decides, and the one thing that is different."""

    name: str
    power_w: float = 350.0
    plant: str = "curlew"
    planned: bool = False
    on_h: float = 0.0  # fleece goes on this long after noon, off 20 h after noon; 0: it stays on
    lag_s: float = 0.0
    two_rates: bool = False
    by_risk: bool = False
    bias_k: float = 0.0
    by_need: bool = False  # as many watts in all, shared out by what each tree needs


CASES = (
    Case("fleece on at all times"),
    Case("fleece on at 16 h", on_h=4.0),
    Case("fleece on at 20 h", on_h=8.0),
    Case("fleece on at 23 h", on_h=11.0),
    Case("probe lags by 10 min", lag_s=600.0),
    Case("hold by risk", planned=True, by_risk=True),
    Case("small strings", 200.0),
    Case("small strings, planned", 200.0, planned=True),
    Case("small strings, forecast 5 K too warm", 200.0, planned=True, bias_k=5.0),
    Case("as many watts, shared by need", 200.0, by_need=True),
    Case("as many watts, shared by need, planned", 200.0, by_need=True, planned=True),
    Case("two rates", two_rates=True),
    Case("two rates, planned", planned=True, two_rates=True),
    Case("two rates, old trees", 1200.0, "old", two_rates=True),
    Case("two rates, old trees, planned", 1200.0, "old", planned=True, two_rates=True),
)


@dataclass
class Biased(nights.Forecaster):
    """A forecast that is also too warm throughout."""

    bias_k: float = 0.0

    def at(self, now):
        given = super().at(now)
        return replace(given, outside_temp_c=given.outside_temp_c + self.bias_k)


@cache
def coldest_days(region):
    """Return when the days of a winter begin that hold most degree-hours of frost."""
    sky = reference_year(region).sky(
        nights.site_with(100.0).place, nights.WINTER, nights.WINTER + timedelta(days=nights.WINTER_DAYS)
    )
    hours = range(24 * nights.WINTER_DAYS)
    outside_c = np.array([sky.at(nights.WINTER + timedelta(hours=h)).outside_temp_c for h in hours])
    sums = np.convolve(np.maximum(0.0, -outside_c), np.ones(24 * DAYS), mode="valid")[::24]
    return nights.WINTER + timedelta(days=int(np.argmax(sums)))


def site_of(case):
    site = nights.site_with(case.power_w, case.plant)
    if case.two_rates:
        site = site.model_copy(update={"tariff": site.tariff.model_copy(update=NIGHT_RATE)})
    if case.by_risk:
        trees = tuple(tree.model_copy(update={"hold": "risk"}) for tree in site.trees)
        site = site.model_copy(update={"trees": trees})
    if case.by_need:
        design_w = [tree.design_w for tree in size(site, DESIGN_MIN_C).trees]
        trees = tuple(
            tree.model_copy(
                update={
                    "strings": (
                        tree.strings[0].model_copy(
                            update={"power_w": case.power_w * len(design_w) * need_w / sum(design_w)}
                        ),
                    )
                }
            )
            for tree, need_w in zip(site.trees, design_w, strict=True)
        )
        site = site.model_copy(update={"trees": trees})
    return site


def played(case, region, draw):
    """Return kWh, cost, kelvin-hours and the loss of fruit of the coldest days of a winter."""
    site, begin = site_of(case), coldest_days(region)
    sky = reference_year(region).sky(site.place, begin - timedelta(days=8), begin + timedelta(days=DAYS + 3))
    house, begin_s = nights._settled(site, sky, begin, Variation.drawn(draw)), sky.seconds(begin)
    power_w = np.array([tree.power_w for tree in site.trees])
    model = replace(nights.learnt(case.power_w, case.plant), string_w=power_w)
    planner = nights.Planner(site, sky, begin, draw, model)
    planner.forecaster = Biased(sky, draw, bias_k=case.bias_k)
    trees = range(len(site.trees))
    usual_c = np.array([tree.hold_or_default_c for tree in site.trees])
    onset_c = np.array(
        [crop_onset_c(tissue_limits(tree, begin, latitude_deg=52.2, chilled_h=np.nan)) for tree in site.trees]
    )
    value = np.array([tree.crop_value for tree in site.trees])
    at_s = begin.timestamp() + 300.0 * np.arange(DAYS * 288)
    prices = price_per_kwh_at(site, at_s)
    said_c, heating = np.array(house.tree_air_c), np.zeros(len(site.trees), dtype=bool)
    kwh = cost = k_h = loss = elapsed_s = 0.0
    dose = np.zeros(len(site.trees))
    while elapsed_s < DAYS * 86400.0:
        after_noon_h = elapsed_s / 3600.0 % 24.0
        for tree in trees if case.on_h else ():
            house.cover(tree, on=case.on_h <= after_noon_h < 20.0)
        air_c, weather = np.array(house.tree_air_c), sky.at_s(begin_s + elapsed_s)
        near = bool((air_c < usual_c + nights.FAR_K).any())
        wanted, hold_c = np.zeros(len(site.trees), dtype=bool), usual_c
        if case.planned:
            outside_c = weather.outside_temp_c
            wanted = air_c <= planner.floor_c(elapsed_s, air_c, house.house_c, outside_c, near=near)
            hold_c = _held_c(planner, elapsed_s, usual_c)
        heating = (said_c <= hold_c) | (heating & (said_c <= hold_c + BAND_K))
        fine = bool((air_c < usual_c + nights.NEAR_K).any() or wanted.any())
        step_s = NEAR_STEP_S if fine else (COOLING_STEP_S if near else nights.FAR_STEP_S)
        heat_w = power_w * (heating | wanted)
        house.step(step_s, weather, heat_w.tolist())
        used_kwh = float(heat_w.sum()) * step_s / 3.6e6
        kwh, cost = kwh + used_kwh, cost + used_kwh * float(prices[int(elapsed_s // 300.0)])
        now_c = np.array(house.tree_air_c)
        said_c = said_c + (now_c - said_c) * (step_s / (case.lag_s + step_s) if case.lag_s else 1.0)
        k_h += float(np.maximum(usual_c - now_c, 0.0).sum()) * step_s / 3600.0
        dose += np.maximum(onset_c - np.array(house.fruit_c), 0.0) * step_s / 3600.0
        elapsed_s += step_s
        if elapsed_s % 86400.0 < step_s:  # every night is weighed by itself
            loss, dose = loss + float((lost_share(dose) * value).sum()), np.zeros(len(site.trees))
    return kwh, cost, k_h, loss


def _held_c(planner, elapsed_s, usual_c):
    if planner.plan is None:
        return usual_c
    asked = [planner.plan.hold_c(tree.name, elapsed_s - planner.plan_s) for tree in planner.site.trees]
    return np.array([c if a is None else a for a, c in zip(asked, usual_c, strict=True)])


def show(region, draw):
    """Print the table and return its rows by name."""
    print(f"region {region}, house {draw}, {DAYS} days        kWh  cost    K·h   fruit lost [EUR]")
    found = {}
    for case in CASES:
        kwh, cost, k_h, loss = found[case.name] = played(case, region, draw)
        print(f"  {case.name:38} {kwh:7.1f} {cost:6.2f} {k_h:7.1f} {loss:7.1f}", flush=True)
    return found


if __name__ == "__main__":
    show(*(int(word) for word in (*sys.argv[1:], "5", "0")[:2]))
