"""A night played in-process on virtual time: the real keeper, the real messages, a simulated world.

No thread, no clock, no network: the same seed gives the same night to the last byte.
"""

import copy
import hashlib
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Self, TextIO, TypeVar

from controller.bus.memory import MemoryBus
from controller.clock import RELEASED
from controller.guard.decision import Decision
from controller.guard.events import HouseKnown, OutlookMade, PlanMade
from controller.guard.now import Now
from controller.plan.outlook import Outlook, outlook_of
from controller.plan.plan import Plan, plan_of
from controller.site.model import Site
from controller.site.price import bill_of
from controller.thermal.inputs import inputs_of
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from controller.weather.forecast import Forecast
from simulator.audit import Auditor
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import Stage, Suffering
from simulator.night import Night
from simulator.served import Served
from simulator.steered import Controller, NoController
from simulator.world import Record, World, baseline

T = TypeVar("T")

# The control loop's period [s].  A rehearsal longer than three days looks less often, and least often while
# nothing is near a limit: no tree within ``QUIET_MARGIN_K`` of its hold temperature, the house not warm.
# Looking every minute throughout changes the electricity of 25 days from 20 December by 0.02 %, their coldest
# fruit by 0.02 K at most and their 8,350 switchings by 32, with half as many looks again (computed).
TICK_S = 10.0
LONG_TICK_S = 60.0
QUIET_TICK_S = 240.0
QUIET_MARGIN_K = 1.0
QUIET_HOUSE_C = 20.0
LONG_RUN_H = 72.0
# A night looks at a new forecast this often [s]; a long run every third day.
FORECAST_S = 6 * 3600.0
LONG_FORECAST_S = 72 * 3600.0
# A program that is rehearsed on a night of the past was released at least so long before it.
RELEASED_BEFORE = timedelta(days=30)
# The model witness is told the weather for so long [s].
WEATHER_S = 72 * 3600.0
# When a forecast did not come, it is asked for again after this long [s].
ASK_AGAIN_S = 900.0
# A rehearsal plans anew this often [s], less often than the daemon; a long one only while a tree is within
# ``PLAN_MARGIN_K`` of its hold temperature or the house is warm.
PLAN_S = 3600.0
PLAN_MARGIN_K = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeResult:
    """What became of one tree."""

    air_min_c: float
    fruit_min_c: float
    string_on_h: float
    kwh: float
    fruit_damage_k_h: float
    damaged: bool
    switchings: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What became of a night.

    ``unjustified_off`` counts control periods in which a string was off without a reason to be; see
    ``Auditor``.  The coldest fruit without heat are NaN where nobody asked for those runs.
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

    def __deepcopy__(self, memo: dict[int, Any]) -> "_Trace":
        return _Trace(digest=self.digest.copy())


class Rehearsal:
    """A night under way, moved on step by step.

    Parameters
    ----------
    name, night
        The night.
    seed
        Decides probes, boards and the forecast's error.
    site
        The site; left out, the night's own.
    with_forecast
        Whether there is a forecast service.
    with_controller
        False leaves the boards to themselves.
    suffer
        Faults beside the night's own.
    trace
        Where every step is written, one line each.
    on_decision, on_outlook
        Called with each new decision and outlook.

    Attributes
    ----------
    found_s : dict of str to float
        When each finding of the controller was first made [s].
    """

    def __init__(
        self,
        name: str,
        night: Night,
        seed: int,
        *,
        site: Site | None = None,
        with_forecast: bool = False,
        with_controller: bool = True,
        suffer: Iterable[FaultSetting] = (),
        trace: TextIO | None = None,
        on_decision: Callable[[Decision], None] | None = None,
        on_outlook: Callable[[Outlook], None] | None = None,
    ) -> None:
        self.name, self.night, self.seed = name, night, seed
        self.site = site or night.load_site()
        self.bus = MemoryBus()
        kind = Controller if with_controller else NoController
        released = min(RELEASED, night.start_utc(self.site) - RELEASED_BEFORE)
        self.controller = kind(self.site, self.bus, f"rehearsal-{seed}", released=released)
        self.world = World.of_night(night, seed, self.bus.connect, site=self.site)
        self.served = Served(self.world.sky, self.site, night, seed) if with_forecast else None
        self.auditor = Auditor(self.site, self.bus, self.world.start_utc)
        self.reasons: Counter[str] = Counter()
        self.found_s: dict[str, float] = {}
        self._findings: object = None
        self.outlook: Outlook | None = None
        self.spoil_plan: Callable[[Plan | None], Plan | None] | None = None
        self._parameters = parameters_of(self.site)
        self._run_asked = 1
        self._trace = _Trace(trace)
        self._on_decision, self._on_outlook = on_decision, on_outlook
        self._is_long = night.hours > LONG_RUN_H
        self._expected: Forecast | None = None
        self._next_forecast_s = self._next_plan_s = 0.0
        self._suffering = Suffering(Stage(self))
        self.suffer(night.faults)
        self.suffer(suffer)

    @property
    def end_s(self) -> float:
        """When the night ends [s after its start]."""
        return self.night.hours * 3600.0

    @property
    def trace_sha256(self) -> str:
        """Hash of everything that happened so far."""
        return self._trace.digest.hexdigest()

    def suffer(self, settings: Iterable[FaultSetting]) -> None:
        """Let these faults happen, each from its own onset on."""
        for setting in settings:
            self._suffering.add(setting)

    def run(self, until_s: float | None = None) -> Self:
        """Play on until a time, or to the night's end."""
        end_s = self.end_s if until_s is None else min(until_s, self.end_s)
        while self.world.elapsed_s < end_s:
            self.step()
        return self

    def ask_now(self) -> None:
        """Let the controller ask for a forecast and plan at the next step, whenever it last did."""
        self._next_forecast_s = self._next_plan_s = self.world.elapsed_s

    def fork(self) -> "Rehearsal":
        """Return a rehearsal in the same state that goes its own way from here on.

        Raises
        ------
        ValueError
            A fault has begun: what it does under way cannot be copied.
        """
        return self.fork_with(self)

    def fork_with(self, holder: T) -> T:
        """Return a copy of what holds this rehearsal, with a fork of the rehearsal in it."""
        if self._suffering.has_begun:
            raise ValueError("a rehearsal can only be forked before its first fault begins")
        kept = (self.site, self.night, self.world.sky, self.world.plant.building, self.controller.state.rules)
        memo: dict[int, Any] = {id(each): each for each in kept}
        return copy.deepcopy(holder, memo)

    def move(self, dt_s: float) -> None:
        """Move the world on, with what goes wrong in it, and let everyone hear what was said."""
        self._suffering.look(self.world.elapsed_s)
        self.world.step(dt_s)
        self.bus.advance(self.world.elapsed_s)
        self.bus.deliver()

    def step(self) -> None:
        """Move on by one period of the control loop."""
        world, controller = self.world, self.controller
        self.move(self._tick_s())
        controller.look(world.elapsed_s)
        if controller.running and not controller.standing_still:
            now = controller.now(world.elapsed_s, world.now_utc)
            self._look_ahead(now)
            for decision in controller.tick(now):
                self._note(decision)
            if controller.state.findings is not self._findings:
                self._findings = controller.state.findings
                for finding in controller.state.found:
                    self.found_s.setdefault(finding.key, world.elapsed_s)
            self.bus.deliver()
        self.auditor.look(world.elapsed_s, world.resting())
        self._trace.note(_line(world, world.strings_w()))

    def result(self, *, baselines: tuple[Record, Record] | None = None) -> Result:
        """Return what became of the night so far, beside the same night without heat: covered and bare."""
        record, site = self.world.record, self.site
        unheated, bare = map(_coldest_fruit, baselines) if baselines else (float("nan"), float("nan"))
        return Result(
            night=self.name,
            seed=self.seed,
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
                    switchings=tree.switchings,
                )
                for tree in record.trees
            },
            kwh=round(record.kwh, 3),
            cost=round(bill_of(site.tariff, record.kwh, record.cheap_kwh), 2),
            currency=site.tariff.currency,
            unjustified_off=self.auditor.unjustified_off,
            decisions=self.reasons.total(),
            reasons=dict(sorted(self.reasons.items())),
            fruit_min_unheated_c=round(unheated, 2),
            fruit_min_bare_c=round(bare, 2),
            trace_sha256=self.trace_sha256,
            outlook=self.outlook.sentence if self.outlook else "",
        )

    # ---- inside ---------------------------------------------------------------------------------------

    def _tick_s(self) -> float:
        """Return how long the loop may look away: longer in a long rehearsal."""
        if not self._is_long:
            return TICK_S
        quiet = self._margin_k() > QUIET_MARGIN_K and self.world.plant.house_c < QUIET_HOUSE_C
        return QUIET_TICK_S if quiet else LONG_TICK_S

    def _needs_plan(self) -> bool:
        return self._margin_k() < PLAN_MARGIN_K or self.world.plant.house_c > QUIET_HOUSE_C

    def _margin_k(self) -> float:
        """Return how far the coldest tree is above its hold temperature [K]."""
        temps_c = self.world.plant.tree_air_c
        return min(
            air_c - tree.hold_or_default_c for air_c, tree in zip(temps_c, self.site.trees, strict=True)
        )

    def _look_ahead(self, now: Now) -> None:
        """Ask for a forecast and plan anew, when it is time to."""
        elapsed_s = self.world.elapsed_s
        if self._run_asked != self.controller.runs:  # a new run of the controller asks at once
            self._run_asked = self.controller.runs
            self.ask_now()
        if self.served is not None and elapsed_s >= self._next_forecast_s:
            forecast = self.served.forecast(self.world.now_utc, now.utc)
            usual_s = LONG_FORECAST_S if self._is_long else FORECAST_S
            self._next_forecast_s = elapsed_s + (ASK_AGAIN_S if forecast is None else usual_s)
            if forecast is not None:
                self._expect(forecast, now)
        if (
            self._expected is not None
            and elapsed_s >= self._next_plan_s
            and (not self._is_long or self._needs_plan())
        ):
            self._next_plan_s = elapsed_s + PLAN_S
            plan = plan_of(self.site, self._expected, self.controller.state.latest_c, now.utc)
            if self.spoil_plan is not None:
                plan = self.spoil_plan(plan)
            self.controller.tell(PlanMade(plan=plan), now)

    def _expect(self, forecast: Forecast, now: Now) -> None:
        self._expected = forecast
        self._next_plan_s = self.world.elapsed_s
        self.outlook = outlook_of(self.site, forecast, self.controller.state.latest_c, now.utc)
        self.controller.tell(OutlookMade(outlook=self.outlook), now)
        weather = inputs_of(forecast, self.site, self._parameters, now.utc, horizon_s=WEATHER_S)
        self.controller.tell(HouseKnown(parameters=self._parameters, noise=Noise(), weather=weather), now)
        if self.outlook is not None and self._on_outlook is not None:
            self._on_outlook(self.outlook)

    def _note(self, decision: Decision) -> None:
        self.reasons[str(decision.reason)] += 1
        self._trace.note(f"{decision.name} {decision.active:d} {decision.reason} {decision.because}\n")
        if self._on_decision is not None:
            self._on_decision(decision)


def play(name: str, night: Night, seed: int, **options: Any) -> Result:
    """Play a night to its end and return what became of it; ``options`` are those of ``Rehearsal``."""
    rehearsal = Rehearsal(name, night, seed, **options).run()
    site = rehearsal.site
    baselines = baseline(night, seed, site=site), baseline(night, seed, fleece=False, site=site)
    return rehearsal.result(baselines=baselines)


def _line(world: World, strings_w: list[float]) -> str:
    plant = world.plant
    trees = " ".join(
        f"{air_c:.3f}/{fruit_c:.3f}/{power_w:.0f}"
        for air_c, fruit_c, power_w in zip(plant.tree_air_c, plant.fruit_c, strings_w, strict=True)
    )
    return f"{world.elapsed_s:.0f} {world.weather.outside_temp_c:.3f} {plant.house_c:.3f} {trees}\n"


def _coldest_fruit(record: Record) -> float:
    return min(tree.fruit_min_c for tree in record.trees)
