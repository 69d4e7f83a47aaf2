"""A night played in-process on virtual time: the real keeper, the real messages, a simulated world.

No thread, no clock, no network: the same seed gives the same night to the last byte.
"""

import hashlib
import json
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import TextIO

from controller.bus.inbound import Inbound
from controller.bus.memory import MemoryBus
from controller.bus.outbound import send
from controller.bus.topics import Topics
from controller.bus.transport import Message, Transport
from controller.guard.decision import Decision
from controller.guard.now import Now
from controller.keeper import (
    Action,
    BusUp,
    Decide,
    Event,
    HouseKnown,
    OutlookMade,
    PlanMade,
    State,
    Tick,
    begin,
    handle,
)
from controller.plan.outlook import Outlook, outlook_of
from controller.plan.plan import plan_of
from controller.site.model import Site
from controller.thermal.inputs import inputs_of
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from controller.weather.forecast import Forecast
from simulator.night import Night
from simulator.world import Record, World, baseline

# The control loop's period [s].  A rehearsal longer than three days looks less often, and least often while
# nothing is near a limit: no tree within ``QUIET_MARGIN_K`` of its hold temperature, the house not warm.
TICK_S = 10.0
LONG_TICK_S = 120.0
QUIET_TICK_S = 240.0
QUIET_MARGIN_K = 4.0
QUIET_HOUSE_C = 20.0
LONG_RUN_H = 72.0
# A night looks at a new forecast this often [s]; a long run every third day.
FORECAST_S = 6 * 3600.0
LONG_FORECAST_S = 72 * 3600.0
# The model witness is told the weather for so long [s].
WEATHER_S = 72 * 3600.0
# A rehearsal plans anew this often [s], less often than the daemon; a long one only while a tree is within
# ``PLAN_MARGIN_K`` of its hold temperature or the house is warm.
PLAN_S = 3600.0
PLAN_MARGIN_K = 1.0
# A reading older than this is no reason to keep a string off [s]: two reporting periods and a control period.
SPOKEN_LATELY_S = 130.0
# So long may pass between a word and the relay that follows it [s]: two control periods.
OBEYED_WITHIN_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeResult:
    """What became of one tree."""

    air_min_c: float
    fruit_min_c: float
    string_on_h: float
    kwh: float
    fruit_damage_k_h: float
    damaged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What became of a night.

    ``unjustified_off`` counts control periods in which a string was off without a reason to be; see
    ``Auditor``.
    """

    night: str
    seed: int
    site: str
    outside_min_c: float
    house_min_c: float
    house_max_c: float
    trees: dict[str, TreeResult]
    kwh: float
    cost: float
    currency: str
    unjustified_off: int
    decisions: int
    reasons: dict[str, int]
    fruit_min_unheated_c: float
    fruit_min_bare_c: float
    trace_sha256: str
    outlook: str = ""


@dataclass(slots=True)
class _Trace:
    """Every step as a line: hashed always, written where somebody wants it."""

    out: TextIO | None = None
    digest: "hashlib._Hash" = field(default_factory=hashlib.sha256)

    def note(self, line: str) -> None:
        self.digest.update(line.encode())
        if self.out is not None:
            self.out.write(line)


class Controller:
    """The keeper with its bus, as the daemon runs it, but driven from outside."""

    def __init__(self, site: Site, bus: MemoryBus, session: str) -> None:
        self.topics = Topics(site.name)
        self.inbound = Inbound(site)
        self.state: State = begin(site, session)
        self.decisions: list[Decision] = []
        self._heard: list[Message] = []
        filters = (*self.topics.heard_by_controller, *(p.topic for p in site.probes if p.topic))
        self.transport: Transport = bus.connect("controller", filters, self._heard.append)

    def tick(self, now: Now) -> list[Decision]:
        """Take in what was heard, decide, send; return the decisions that are news."""
        for message in self._heard:
            event = self.inbound.event(message)
            if event is not None:
                self.tell(event, now)
        self._heard.clear()
        return [
            action.decision
            for action in self.tell(Tick(), now)
            if isinstance(action, Decide) and action.changed
        ]

    def tell(self, event: Event, now: Now) -> tuple[Action, ...]:
        """Hand an event to the keeper and carry out what it wants."""
        self.state, actions = handle(self.state, event, now)
        for action in actions:
            send(action, self.topics, self.transport)
        return actions


def play(
    name: str,
    night: Night,
    seed: int,
    *,
    site: Site | None = None,
    forecast: Callable[[World, datetime], Forecast] | None = None,
    trace: TextIO | None = None,
    on_decision: Callable[[Decision, World], None] | None = None,
    on_outlook: Callable[[Outlook, World], None] | None = None,
) -> Result:
    """Play a night to its end and return what became of it.

    Parameters
    ----------
    name, night
        The night.
    seed
        Decides probes, boards and the forecast's error.
    site
        The site; left out, the night's own.
    forecast
        What the forecast service says at a time; left out, there is none.
    trace
        Where every step is written, one line each.
    on_decision, on_outlook
        Called with each new decision and outlook.
    """
    site = site or night.load_site()
    bus = MemoryBus()
    controller = Controller(site, bus, f"rehearsal-{seed}")
    world = World.of_night(night, seed, bus.connect, site=site)
    is_long = night.hours > LONG_RUN_H
    forecast_s = LONG_FORECAST_S if is_long else FORECAST_S
    parameters = parameters_of(site)
    tracer = _Trace(trace)
    reasons: Counter[str] = Counter()
    auditor = Auditor(site, bus)
    next_forecast_s = next_plan_s = 0.0
    expected: Forecast | None = None
    outlook: Outlook | None = None
    controller.tell(BusUp(), Now(mono_s=0.0, utc=world.start_utc))
    while world.elapsed_s < night.hours * 3600.0:
        tick_s = _long_tick_s(site, world) if is_long else TICK_S
        world.step(tick_s)
        bus.advance(world.elapsed_s)
        bus.deliver()
        now = Now(mono_s=world.elapsed_s, utc=world.now_utc)
        if forecast is not None and world.elapsed_s >= next_forecast_s:
            next_forecast_s = world.elapsed_s + forecast_s
            expected = forecast(world, now.utc)
            outlook = outlook_of(site, expected, controller.state.latest_c, now.utc)
            next_plan_s = world.elapsed_s
            controller.tell(OutlookMade(outlook=outlook), now)
            weather = inputs_of(expected, site, parameters, now.utc, horizon_s=WEATHER_S)
            controller.tell(HouseKnown(parameters=parameters, noise=Noise(), weather=weather), now)
            if outlook is not None and on_outlook is not None:
                on_outlook(outlook, world)
        if (
            expected is not None
            and world.elapsed_s >= next_plan_s
            and (not is_long or _needs_plan(site, world))
        ):
            next_plan_s = world.elapsed_s + PLAN_S
            plan = plan_of(site, expected, controller.state.latest_c, now.utc)
            controller.tell(PlanMade(plan=plan), now)
        for decision in controller.tick(now):
            reasons[str(decision.reason)] += 1
            tracer.note(f"{decision.name} {decision.active:d} {decision.reason} {decision.because}\n")
            if on_decision is not None:
                on_decision(decision, world)
        bus.deliver()
        strings_w = world.strings_w()
        auditor.look(world.elapsed_s, strings_w)
        tracer.note(_line(world, strings_w))
    return _result(name, night, seed, site, world, tracer, reasons, auditor.unjustified_off, outlook)


def _long_tick_s(site: Site, world: World) -> float:
    """Return how long a long rehearsal may look away."""
    quiet = _margin_k(site, world) > QUIET_MARGIN_K and world.plant.house_c < QUIET_HOUSE_C
    return QUIET_TICK_S if quiet else LONG_TICK_S


def _needs_plan(site: Site, world: World) -> bool:
    return _margin_k(site, world) < PLAN_MARGIN_K or world.plant.house_c > QUIET_HOUSE_C


def _margin_k(site: Site, world: World) -> float:
    """Return how far the coldest tree is above its hold temperature [K]."""
    return min(
        air_c - tree.hold_or_default_c for air_c, tree in zip(world.plant.tree_air_c, site.trees, strict=True)
    )


_decode = json.JSONDecoder().decode
_NEVER = (-math.inf, math.nan)


class Auditor:
    """Watches from outside the controller whether any string is off without a reason to be.

    It hears the readings as they go over the bus, and looks at the relays themselves.  A string is off
    unjustly when, a moment after the last word of its tree's probes, the board still keeps it off
    although that word was not above the hold temperature, or was spoken too long ago.
    """

    def __init__(self, site: Site, bus: MemoryBus) -> None:
        topics = Topics(site.name)
        self.unjustified_off = 0
        self._names = {p.topic or topics.probe(p.name): p.name for p in site.probes}
        self._said: dict[str, tuple[float, float]] = {}
        self._cold_since_s: dict[str, float] = {}
        self._trees = [(t.name, t.probes, t.hold_or_default_c, t.power_w) for t in site.trees]
        self._bus = bus
        bus.connect("auditor", tuple(self._names), self._hear)

    def _hear(self, message: Message) -> None:
        temp_c = _decode(message.payload.decode())["temp_c"]
        self._said[self._names[message.topic]] = (self._bus.now_s, math.nan if temp_c is None else temp_c)

    def look(self, now_s: float, strings_w: list[float]) -> None:
        """Look at the relays at a time of the rehearsal; ``strings_w`` is what each tree's strings draw."""
        for (tree, probes, hold_c, power_w), draws_w in zip(self._trees, strings_w, strict=True):
            warm = draws_w < power_w
            for probe in probes if warm else ():
                at_s, temp_c = self._said.get(probe, _NEVER)
                warm = warm and temp_c > hold_c and now_s - at_s <= SPOKEN_LATELY_S
            if warm or draws_w >= power_w:
                if self._cold_since_s:
                    self._cold_since_s.pop(tree, None)
            elif now_s - self._cold_since_s.setdefault(tree, now_s) > OBEYED_WITHIN_S:
                self.unjustified_off += 1


def _line(world: World, strings_w: list[float]) -> str:
    plant = world.plant
    trees = " ".join(
        f"{air_c:.3f}/{fruit_c:.3f}/{power_w:.0f}"
        for air_c, fruit_c, power_w in zip(plant.tree_air_c, plant.fruit_c, strings_w, strict=True)
    )
    return f"{world.elapsed_s:.0f} {world.weather.outside_temp_c:.3f} {plant.house_c:.3f} {trees}\n"


def _result(
    name: str,
    night: Night,
    seed: int,
    site: Site,
    world: World,
    tracer: _Trace,
    reasons: Counter[str],
    unjustified_off: int,
    outlook: Outlook | None,
) -> Result:
    record = world.record
    unheated, bare = _baselines(night, seed, site)
    return Result(
        night=name,
        seed=seed,
        site=site.name,
        outside_min_c=round(record.outside_min_c, 2),
        house_min_c=round(record.house_min_c, 2),
        house_max_c=round(record.house_max_c, 2),
        trees={
            tree.name: TreeResult(
                air_min_c=round(tree.air_min_c, 2),
                fruit_min_c=round(tree.fruit_min_c, 2),
                string_on_h=round(tree.string_on_s / 3600.0, 2),
                kwh=round(tree.kwh, 3),
                fruit_damage_k_h=round(tree.fruit_damage_k_h, 3),
                damaged=tree.is_damaged,
            )
            for tree in record.trees
        },
        kwh=round(record.kwh, 3),
        cost=round(record.kwh * site.tariff.price_per_kwh, 2),
        currency=site.tariff.currency,
        unjustified_off=unjustified_off,
        decisions=reasons.total(),
        reasons=dict(sorted(reasons.items())),
        fruit_min_unheated_c=round(_coldest_fruit(unheated), 2),
        fruit_min_bare_c=round(_coldest_fruit(bare), 2),
        trace_sha256=tracer.digest.hexdigest(),
        outlook=outlook.sentence if outlook else "",
    )


def _baselines(night: Night, seed: int, site: Site) -> tuple[Record, Record]:
    """Return the same night without heat, with fleece and without."""
    return baseline(night, seed, site=site), baseline(night, seed, fleece=False, site=site)


def _coldest_fruit(record: Record) -> float:
    return min(tree.fruit_min_c for tree in record.trees)
