"""A rehearsed night with a fault, beside the same without it: when heat came, when people were told.

Every time is measured from the trace of the night, in the night's own time, from the fault's onset on: a
reaction from decisions and from what the boards do, an alarm from the message that the alarms' engine hands
out for it.  Where none is needed, a word says why, and what it claims is checked on both nights.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC
from functools import cache

from controller.alarm.engine import Alarms, Kind, Reach, Rules, Situation, handle
from controller.guard.decision import Reason
from simulator.faults.setting import FaultSetting
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

NIGHT = "clear-calm"
# In the evening every string rests; in the small hours the trees live by their heat.
REST_H, COLD_H = 2.0, 9.0
LONGEST_H = 3.0
# The grower never answers; half an hour later a neighbour is told too.
NEIGHBOUR = "neighbour"
RULES = Rules(ways=(Reach(name="grower"), Reach(name=NEIGHBOUR, from_severity=3, after_s=1800.0)), zone=UTC)
TREE = "lemon"


@dataclass
class Played:
    """A night from an onset on.  Times [s] count from there; lists have an entry for each step.

    ``on`` tells of each tree whether none of its strings is held off, ``boards_on`` the same of each board,
    ``alive`` whether the controller decides, ``refused`` how many leases the boards have refused, ``said`` is
    everything that went over the bus, ``told_s`` and ``second_s`` when grower and neighbour were told what.
    """

    run: Rehearsal
    onset_s: float
    steps_s: list = field(default_factory=list)
    decisions: list = field(default_factory=list)
    on: list = field(default_factory=list)
    boards_on: dict = field(default_factory=dict)
    alive: list = field(default_factory=list)
    refused: list = field(default_factory=list)
    said: list = field(default_factory=list)
    told_s: dict = field(default_factory=dict)
    second_s: dict = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._alarms, self._runs = Alarms(), self.run.controller.runs
        self.run._on_decision = self._decided
        self.run.bus.connect("eavesdropper", ("#",), self._heard)

    def play(self, hours: float) -> "Played":
        """Play on until so many hours after the onset."""
        while self.run.world.elapsed_s < self.onset_s + hours * 3600.0:
            self.run.step()
            self._look()
        return self

    def first_s(self, holds) -> float:
        """Return when something first held, of an entry for each step."""
        return next(s for s, it_holds in zip(self.steps_s, holds, strict=True) if it_holds)

    def decided_s(self, reason: Reason, tree: str = TREE) -> float:
        """Return when a reason first decided on a tree."""
        return next(s for s, name, _, why in self.decisions if (name, why) == (tree, reason))

    def _decided(self, decision) -> None:
        since_s = self.run.world.elapsed_s - self.onset_s
        self.decisions.append((since_s, decision.name, decision.active, decision.reason))

    def _heard(self, message) -> None:
        self.said.append((self.run.bus.now_s - self.onset_s, message.topic, message.payload))

    def _look(self) -> None:
        run, controller = self.run, self.run.controller
        self.steps_s.append(run.world.elapsed_s - self.onset_s)
        self.on.append(tuple(not rests for rests in run.world.resting()))
        for name, board in run.world.boards.items():
            self.boards_on.setdefault(name, []).append(set(board.heaters) <= set(board.on))
        self.refused.append(sum(sum(board.refusals.values()) for board in run.world.boards.values()))
        self.alive.append(controller.running and not controller.standing_still)
        if not self.alive[-1]:
            return
        if controller.runs != self._runs:
            self._alarms, self._runs = Alarms(), controller.runs
        now = controller.now(run.world.elapsed_s, run.world.now_utc)
        situation = Situation(findings=controller.state.found)
        self._alarms, messages = handle(RULES, self._alarms, situation, (), now)
        for message in messages:
            for alarm in message.standing if message.kind is Kind.ALARM else ():
                told_s = self.second_s if message.way == NEIGHBOUR else self.told_s
                told_s.setdefault(alarm.finding.key, self.steps_s[-1])


@dataclass(frozen=True)
class Sight:
    """A night with a fault and as much of the same night without it."""

    hurt: Played
    sound: Played

    @property
    def decides_alike(self) -> bool:
        """Whether every decision is the same, at the same time."""
        end_s = self.hurt.steps_s[-1]
        return self.hurt.decisions == [each for each in self.sound.decisions if each[0] <= end_s]

    @property
    def says_alike(self) -> bool:
        """Whether everything said on the bus is the same, at the same time."""
        end_s = self.hurt.steps_s[-1]
        return self.hurt.said == [each for each in self.sound.said if each[0] <= end_s]

    @property
    def is_hurt(self) -> bool:
        """Whether the fault touched anything: a word on the bus, a plan, or the asking for a forecast."""
        mine, sound = (each.run for each in (self.hurt, twin(self)))
        served = [(run.served.asked, run.served.refused, run.controller.state.plan) for run in (mine, sound)]
        return not self.says_alike or served[0] != served[1]

    @property
    def told(self) -> set[str]:
        """What people were told of that the sound night does not tell."""
        return set(self.hurt.told_s) - set(self.sound.told_s)

    def sooner_s(self) -> float:
        """Return when a tree's strings were first all on that were not without the fault."""
        pairs = zip(self.hurt.on, self.sound.on, strict=False)
        return self.hurt.first_s(any(a and not b for a, b in zip(*each, strict=True)) for each in pairs)


# ---- what a reaction and an alarm can be: each returns a time [s], or the word why there is none ----------

Meets = Callable[[Sight], float | str]


def decides(reason: Reason, tree: str = TREE) -> Meets:
    """The first decision on a tree for this reason."""
    return lambda seen: seen.hurt.decided_s(reason, tree)


def all_heat(seen: Sight) -> float:
    """Every string on."""
    return seen.hurt.first_s(all(on) for on in seen.hurt.on)


def board_heats(board: str = "east") -> Meets:
    """Every string of a board on."""
    return lambda seen: seen.hurt.first_s(seen.hurt.boards_on[board])


def heats_sooner(seen: Sight) -> float:
    """A tree heated that is not without the fault."""
    return seen.sooner_s()


def refuses(seen: Sight) -> float:
    """The first lease that a board refuses."""
    return seen.hurt.first_s(refused > seen.sound.refused[0] for refused in seen.hurt.refused)


def is_back(seen: Sight) -> float:
    """The controller decides again, after it did not."""
    gone = seen.hurt.alive.index(False) if False in seen.hurt.alive else 0
    back = seen.hurt.alive.index(True, gone)
    assert seen.hurt.run.controller.runs > 1 or gone
    return seen.hurt.steps_s[back]


def none(why: str, holds: Callable[[Sight], bool]) -> Meets:
    """Nothing, for a reason that holds."""

    def checked(seen: Sight) -> str:
        assert holds(seen), why
        return f"none: {why}"

    return checked


def tells(*keys: str) -> Meets:
    """The first message that names a finding, or one of several whose keys so begin."""
    return lambda seen: min(s for key, s in seen.hurt.told_s.items() if key.startswith(keys))


def tells_second(key: str) -> Meets:
    """The message to the second person, when the first does not answer."""
    return lambda seen: seen.hurt.second_s[key]


def no_colder(seen: Sight) -> bool:
    """Whether no tree was colder than without the fault, but for what it falls while one word is missing.

    That is 0.3 K: these trees fall from "warm enough" to "cold", half a kelvin, in some 200 s.
    """
    mine, sound = (each.run.world.record.trees for each in (seen.hurt, twin(seen)))
    return all(a.air_min_c >= b.air_min_c - 0.35 for a, b in zip(mine, sound, strict=True))


def orders_no_less(seen: Sight) -> bool:
    """Whether every tree's strings were ordered on for no less time, but for a minute of other timing."""
    pairs = zip(seen.hurt.on, seen.sound.on, strict=False)
    more = [sum(steps) for steps in zip(*[map(int.__sub__, *each) for each in pairs], strict=True)]
    return min(more) >= -6


ALIKE = none("every decision is as without it", lambda seen: seen.decides_alike)
NO_COLDER = none("the probes still decide, and no tree is colder than without it", no_colder)
ORDERED = none("heat is ordered no less; more no program can do", orders_no_less)
QUIET = none("nothing that hands must do", lambda seen: not seen.told)
NOBODY_LEFT = none(
    "no process is left to tell; the dead-man outside the site does",
    lambda seen: not all(seen.hurt.alive),
)


# ---- playing ----------------------------------------------------------------------------------------------


@cache
def evening(hours: float, *, metered: bool) -> Rehearsal:
    """Return the night so many hours after its start; fork it, do not play it."""
    if hours > REST_H:
        return evening(REST_H, metered=metered).fork().run(hours * 3600.0)
    night = load_night(NIGHT)
    site = night.load_site()
    if metered:
        circuits = tuple(circuit.model_copy(update={"meter": True}) for circuit in site.circuits)
        site = site.model_copy(update={"circuits": circuits})
    return Rehearsal(NIGHT, night, 1, site=site, with_forecast=True).run(hours * 3600.0)


@cache
def sound(onset_h: float, hours: float, *, metered: bool) -> Played:
    """Return the night without a fault, from an onset on."""
    return Played(evening(onset_h, metered=metered).fork(), onset_h * 3600.0).play(hours)


def twin(seen: Sight) -> Played:
    """Return the sound night, ended when the hurt one did."""
    onset_h, hours = seen.hurt.onset_s / 3600.0, seen.hurt.steps_s[-1] / 3600.0
    metered = any(circuit.meter for circuit in seen.hurt.run.site.circuits)
    return sound(onset_h, hours, metered=metered)


def suffer(words: str, onset_h: float, hours: float, *, metered: bool = False, lasts: str = "") -> Sight:
    """Return the night after faults ("S01:lemon H06"), each from the onset on, beside the sound one."""
    hurt = Played(evening(onset_h, metered=metered).fork(), onset_h * 3600.0)
    hurt.run.suffer([FaultSetting.read(f"{word}@{onset_h:g}h{lasts}") for word in words.split()])
    return Sight(hurt=hurt.play(hours), sound=sound(onset_h, LONGEST_H, metered=metered))
