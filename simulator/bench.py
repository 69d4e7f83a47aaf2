"""How fast and how large everything is, beside a plainer way to the same result in the same run.

Figures of one machine say little on another, ratios more: each row names what it was measured against.  Times
are CPU time, the best of some rounds, so that what else the machine does counts little.
"""

import math
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from importlib import import_module
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from controller.guard.events import Action, Decide, Event, ProbeHeard
from controller.guard.now import Now
from controller.journal.writer import Journal
from controller.physics import FloatArray
from controller.plan.ahead import gains_of
from controller.plan.allocate import merit_order
from controller.plan.outlook import starting_state
from controller.plan.plan import plan_of
from controller.plan.slots import SLOT_S, slots_of
from controller.thermal.drive import Inputs
from controller.thermal.filter import Filter
from controller.thermal.house_fit import fit_house
from controller.thermal.inputs import inputs_of
from controller.thermal.model import HOUSE, Stepper, continuous, discretise
from controller.thermal.noise import Noise, intensity
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, predict
from controller.thermal.record import Record, driven
from simulator import plant as the_plant
from simulator.night import load_night
from simulator.rehearsal import Rehearsal
from simulator.sky import Weather

NIGHT, WINTER = "clear-calm", "winter"
# In January the house is cold and strings cycle: what is not the whole winter is played from there, and a
# winter reckoned from it comes out about twice too long.
JANUARY_D, WINTER_LASTS_D = 95, 180
FIT_LASTS_D = 30
FILTER_STEP_S = 300.0
# What is planned for one tree in the comparison: watts, price per watt and slot, worth of a kelvin-slot.
CAP_W, PRICE_PER_W, WORTH_PER_K, SLOTS = 120.0, 0.30 * SLOT_S / 3.6e6, 0.05, 96


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure with its unit, and how many times as much what it is set against takes; NaN for nothing."""

    what: str
    value: float
    unit: str
    ratio: float
    against: str


def bench(days: int) -> Iterator[Row]:
    """Yield the figures one by one; of the winter ``days`` days are played, from 2 to all 180."""
    run = Rehearsal(NIGHT, load_night(NIGHT), 1, with_forecast=True)
    begun_s = time.process_time()
    run.run()
    night_s = time.process_time() - begun_s
    yield Row(
        what="a night on virtual time, 10 s steps",
        value=night_s,
        unit="s",
        ratio=run.end_s / night_s,
        against="the same night lived through",
    )
    yield from _loop()
    yield from _plan()
    yield _plant_step()
    record, rows = _winter(days)
    yield from rows
    yield from _model(record)
    yield from _disk()


def _best_s(act: Callable[[], Any], count: int = 1, rounds: int = 5) -> float:
    """Return the CPU time of one act [s], the best of some rounds."""
    times_s = []
    for _ in range(rounds):
        begun_s = time.process_time()
        for _ in range(count):
            act()
        times_s.append((time.process_time() - begun_s) / count)
    return min(times_s)


def _cold() -> Rehearsal:
    """Return the night four hours in, with strings cycling."""
    return Rehearsal(NIGHT, load_night(NIGHT), 1, with_forecast=True).run(4 * 3600.0)


def _loop() -> Iterator[Row]:
    """Time the control loop: what came in since the last look, the decisions, what goes out."""
    run = _cold()
    controller, world, took_s = run.controller, run.world, []
    for _ in range(360):
        run.move(10.0)
        now = controller.now(world.elapsed_s, world.now_utc)
        begun_s = time.process_time()
        controller.tick(now)
        took_s.append(time.process_time() - begun_s)
    trees = len(run.site.trees)
    for what, value in (("in the middle", median(took_s)), ("the longest of an hour", max(took_s))):
        yield Row(
            what=f"control loop, {trees} trees, {what}",
            value=1e3 * value,
            unit="ms",
            ratio=10.0 / value,
            against="the 10 s it has",
        )


def _plan() -> Iterator[Row]:
    """Time a plan, and for one tree its allocation beside a linear programme's."""
    run = _cold()
    site, now = run.site, run.world.now_utc
    forecast = run.served.forecast(now, now) if run.served is not None else None
    assert forecast is not None, "the night has a forecast service"  # noqa: S101 (that of this very night)
    latest_c = run.controller.state.latest_c
    yield Row(
        what=f"plan of a day, {len(site.trees)} trees",
        value=1e3 * _best_s(lambda: plan_of(site, forecast, latest_c, now)),
        unit="ms",
        ratio=float("nan"),
        against="",
    )
    site = site.model_copy(update={"trees": site.trees[:1]})
    parameters = replace(parameters_of(site), string_w=np.array([CAP_W]))
    inputs = slots_of(inputs_of(forecast, site, parameters, now, horizon_s=SLOTS * SLOT_S))
    stepper = Stepper(parameters, SLOT_S)
    start = starting_state(site, parameters, inputs, latest_c)
    free_c = predict(parameters, start, inputs, Heat.NONE, stepper=stepper).tree_temp_c[1:, 0]
    gains = gains_of(parameters, inputs, stepper, np.array([0]), SLOTS)[0]
    price = np.full(SLOTS, PRICE_PER_W)
    own_s = _best_s(
        lambda: merit_order(
            free_c, gains, limit_c=0.0, cap_w=CAP_W, price_per_w=price, worth_per_k=WORTH_PER_K
        ),
        count=5,
    )
    programme = _linear_programme(free_c, gains, price)
    yield Row(
        what="heat of one tree allocated",
        value=1e3 * own_s,
        unit="ms",
        ratio=float("nan") if programme is None else _best_s(programme, rounds=3) / own_s,
        against="SciPy's linear programme (HiGHS)" if programme else "SciPy is not installed",
    )


def _linear_programme(free_c: FloatArray, gains: FloatArray, price: FloatArray) -> Callable[[], Any] | None:
    """Return the same allocation as a linear programme; None without SciPy."""
    try:
        linprog: Any = import_module("scipy.optimize").linprog
    except ImportError:
        return None
    return lambda: linprog(
        np.concatenate([price, np.full(SLOTS, WORTH_PER_K)]),
        A_ub=-np.hstack([gains, np.eye(SLOTS)]),
        b_ub=free_c,
        bounds=[(0.0, CAP_W)] * SLOTS + [(0.0, None)] * SLOTS,
        method="highs",
    )


def _plant_step() -> Row:
    """Time a step of the simulated house beside the same house with every link worked out at every step."""
    site, sky = load_night(NIGHT).load_site(), load_night(NIGHT).sky(load_night(NIGHT).load_site(), 1)
    begin_s = sky.seconds(load_night(NIGHT).start_utc(site))
    weathers: list[Weather] = [sky.at_s(begin_s + 60.0 * minute) for minute in range(600)]
    took_s = {}
    for hold_s in (the_plant.HOLD_S, 0.0):

        def play(hold_s: float = hold_s) -> None:
            kept, the_plant.HOLD_S = the_plant.HOLD_S, hold_s
            try:
                house = the_plant.Plant(site)
                for minute, weather in enumerate(weathers):
                    house.step(60.0, weather, [350.0 * (minute % 90 < 10)] * len(site.trees))
            finally:
                the_plant.HOLD_S = kept

        took_s[hold_s] = _best_s(play, rounds=3) / len(weathers)
    own_s = took_s[the_plant.HOLD_S]
    return Row(
        what=f"a step of the simulated house, {len(site.trees)} trees",
        value=1e6 * own_s,
        unit="µs",
        ratio=took_s[0.0] / own_s,
        against="every link worked out at every step",
    )


def _winter(days: int) -> tuple[Record, list[Row]]:
    """Play some days of a winter with the whole controller; return what a logbook holds of the cold ones."""
    night, first_d = load_night(WINTER), min(JANUARY_D, WINTER_LASTS_D - days)
    begin = night.start + timedelta(days=first_d)
    run = Rehearsal(WINTER, night.model_copy(update={"start": begin}), 1, with_forecast=True)
    rows: list[tuple[float, ...]] = []
    cold_s = (JANUARY_D - first_d) * 86400.0, (JANUARY_D - first_d + FIT_LASTS_D) * 86400.0
    begun_s, first_mb = time.process_time(), float("nan")
    for number in range(round(days * 86400.0 / FILTER_STEP_S)):
        at_s = number * FILTER_STEP_S
        run.run(at_s + FILTER_STEP_S)
        if cold_s[0] <= at_s < cold_s[1]:
            rows.append(_look(run))
        if at_s == 86400.0:  # imports and caches are filled by then
            first_mb = _resident_mb()
    took_s = time.process_time() - begun_s
    grown_mb = _resident_mb() - first_mb
    reckoned = "" if days == WINTER_LASTS_D else f", reckoned from {days} in January"
    begin_s = run.world.start_utc.timestamp() + cold_s[0]
    return _record_of(rows, begin_s, run), [
        Row(
            what=f"a winter of {WINTER_LASTS_D} days, {len(run.site.trees)} trees{reckoned}",
            value=took_s * WINTER_LASTS_D / days,
            unit="s",
            ratio=days * 86400.0 / took_s,
            against="the same days lived through",
        ),
        Row(
            what=f"memory, grown from the first day to the last of {days}",
            value=grown_mb,
            unit="MB",
            ratio=_resident_mb() / max(grown_mb, 0.1),
            against="all that the process holds",
        ),
    ]


def _look(run: Rehearsal) -> tuple[float, ...]:
    world, latest_c = run.world, run.controller.state.latest_c
    weather, rules = world.weather, run.controller.state.rules
    return (
        weather.outside_temp_c,
        weather.outside_temp_c - weather.sky_temp_c,
        weather.wind_m_s,
        weather.shortwave_w_m2,
        world.vent_m3_s(),
        latest_c.get(rules.house_probes[0], float("nan")),
        *(latest_c.get(tree.probes[0], float("nan")) for tree in run.site.trees),
        *world.strings_w(),
    )


def _record_of(rows: list[tuple[float, ...]], begin_s: float, run: Rehearsal) -> Record:
    table, count = np.array(rows), len(run.site.trees)
    steps = len(table)
    return Record(
        inputs=Inputs(
            start_s=begin_s,
            step_s=FILTER_STEP_S,
            outside_temp_c=table[:, 0],
            sky_depression_k=table[:, 1],
            wind_m_s=table[:, 2],
            sun_w_m2=table[:, 3],
            deep_temp_c=np.full(steps, run.site.house.deep_soil_c),
            vent_m3_s=table[:, 4],
            house_heat_w=np.zeros(steps),
            fleece_on=np.ones((steps, count), dtype=bool),
            string_w=table[:, 6 + count :],
        ),
        house_temp_c=table[:, 5],
        tree_temp_c=table[:, 6 : 6 + count],
    )


def _model(record: Record) -> Iterator[Row]:
    """Time the filter beside one that works out its matrices at every step, and a nightly fit."""
    site = load_night(WINTER).load_site()
    parameters, noise = parameters_of(site), Noise()
    keeping = Filter(parameters, noise, step_s=FILTER_STEP_S)
    first = keeping.start(0.0, record.readings_c[0], float(record.inputs.outside_temp_c[0]), 8.0)
    u, fleece = driven(record.inputs)[0], np.ones(len(site.trees), dtype=bool)
    walk = intensity(noise, len(site.trees))

    def own() -> None:
        ahead = keeping.carry(
            first, u, 1, wind_m_s=2.0, vent_m3_s=0.0, fleece_on=tuple(fleece.tolist()), sunny=False
        )
        keeping.read(ahead, record.readings_c[1])

    def anew() -> None:
        A, B = continuous(parameters, 2.0, 0.0, fleece)
        Phi, Gamma, Q = discretise(A, B, FILTER_STEP_S, walk[0])
        mean, covariance = Phi @ first.mean + Gamma @ u, Phi @ first.covariance @ Phi.T + Q
        keeping.read(replace(first, mean=mean, covariance=covariance), record.readings_c[1])

    own_s = _best_s(own, count=50)
    yield Row(
        what=f"a step of the model witness, {len(first.mean)} states (house {first.mean[HOUSE]:.0f} °C)",
        value=1e6 * own_s,
        unit="µs",
        ratio=_best_s(anew, count=20) / own_s,
        against="matrices worked out at every step",
    )
    fit_s = _best_s(lambda: fit_house(record, parameters), rounds=1)
    days = record.steps * FILTER_STEP_S / 86400.0
    yield Row(
        what=f"the nightly fit, {days:.0f} days, {len(site.trees)} trees",
        value=fit_s,
        unit="s",
        ratio=86400.0 / fit_s,
        against="the day it has",
    )


def _disk() -> Iterator[Row]:
    """Write what an hour of that night brings into a journal, and look what the disk gets."""
    run = _cold()
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal(Path(folder) / "journal.db")
        journal.start()
        kept_s: dict[str, float] = {}
        bare = 0
        tell = run.controller.tell

        def listen(event: Event, now: Now) -> tuple[Action, ...]:
            nonlocal bare
            if isinstance(event, ProbeHeard) and now.mono_s - kept_s.get(event.probe, -1e9) >= 60.0:
                kept_s[event.probe] = now.mono_s
                journal.put_reading(event.probe, now.utc, event.temp_c)
                bare += len(f"{now.utc.timestamp():.0f},{event.probe},{event.temp_c}\n")
            actions = tell(event, now)
            for action in actions:
                if isinstance(action, Decide):
                    journal.put_decision(action.decision)
                    bare += len(f"{now.utc.timestamp():.0f},{action.decision.because}\n")
            return actions

        run.controller.tell = listen  # type: ignore[method-assign]
        run.run(run.world.elapsed_s + 3600.0)
        journal.stop()
        with sqlite3.connect(journal.path) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = journal.path.stat().st_size
        yield Row(
            what="journal of a cold hour, on disk",
            value=size / 1e3,
            unit="kB",
            ratio=bare / size,
            against="its rows as bare text",
        )


def _resident_mb() -> float:
    """Return the memory the process holds [MB]; NaN where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, IndexError, ValueError):
        return float("nan")
    return pages * 4096 / 1e6


def line_of(row: Row) -> str:
    """Return a row as one reads it."""
    beside = f"{row.ratio:10.3g} x  {row.against}" if math.isfinite(row.ratio) else f"{'':12}  {row.against}"
    return f"{row.what:58} {row.value:9.3g} {row.unit:3} {beside}".rstrip()
