"""How a fault is made to happen: what it may touch, how it is written down, when it comes and goes.

A fault is a generator.  What stands before its first ``yield`` happens at its onset; it is then taken up once
before every step of the world; when its time is over it is closed, and what it has undone is put back by its
own ``with`` and ``finally``.  One that returns by itself was a single event.
"""

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from controller.bus.memory import MemoryBus
from controller.bus.topics import Topics
from controller.errors import RehearsalError
from controller.site.model import Site
from simulator.boards import SimBoard
from simulator.faults.catalogue import catalogue
from simulator.faults.setting import FaultSetting
from simulator.probes import SimProbe, generator
from simulator.served import Served
from simulator.steered import Controller
from simulator.strings import split
from simulator.world import World

if TYPE_CHECKING:
    from simulator.rehearsal import Rehearsal

T = TypeVar("T")
PLACES = ("probes", "network", "boards", "circuits", "forecast", "process", "plant", "people")


class Stage:
    """What faults may touch of a rehearsal, found by the names of the site file."""

    def __init__(self, rehearsal: "Rehearsal") -> None:
        self.rehearsal = rehearsal

    @property
    def world(self) -> World:
        """House, probes and boards."""
        return self.rehearsal.world

    @property
    def site(self) -> Site:
        """What stands there."""
        return self.rehearsal.site

    @property
    def bus(self) -> MemoryBus:
        """Broker and network."""
        return self.rehearsal.bus

    @property
    def controller(self) -> Controller:
        """The controller as a process."""
        return self.rehearsal.controller

    @property
    def served(self) -> Served:
        """The forecast service."""
        if self.rehearsal.served is None:
            raise RehearsalError("a fault of the forecast needs a rehearsal with a forecast")
        return self.rehearsal.served

    @property
    def topics(self) -> Topics:
        """The topics of this site."""
        return self.controller.topics

    @property
    def now_s(self) -> float:
        """Time since the night's start [s]."""
        return self.world.elapsed_s

    def chance(self, name: str) -> np.random.Generator:
        """Return random numbers of a fault's own, the same for the same seed."""
        return generator(self.rehearsal.seed, f"fault {name}")

    def tree(self, target: str) -> int:
        """Return the number of a tree, by its name or that of one of its probes; left out, the first."""
        trees = self.site.trees
        numbers = [i for i, tree in enumerate(trees) if not target or target in {tree.name, *tree.probes}]
        return self._first(numbers, target, "tree", [tree.name for tree in trees])

    def probe(self, target: str) -> SimProbe:
        """Return a probe, by its name or its tree's; left out, the first tree's."""
        if target in self.world.probes:
            return self.world.probes[target]
        return self.world.probes[self.site.trees[self.tree(target)].probes[0]]

    def board(self, target: str) -> SimBoard:
        """Return a board by its name; left out, the first."""
        boards = self.world.boards
        numbers = [name for name in boards if target in {"", name}]
        return boards[self._first(numbers, target, "board", list(boards))]

    def circuit(self, target: str) -> str:
        """Return the name of a circuit; left out, the first."""
        names = [circuit.name for circuit in self.site.circuits]
        return self._first([name for name in names if target in {"", name}], target, "circuit", names)

    def channel(self, target: str) -> tuple[SimBoard, str]:
        """Return a heater's board and channel: "board/1", a tree's first string, or the first of all."""
        channels = [string.channel for tree in self.site.trees for string in tree.strings]
        if target not in channels:
            tree = self.site.trees[self.tree(target)]
            target = self._first([s.channel for s in tree.strings], target, "string", channels)
        board, channel = split(target)
        return self.world.boards[board], channel

    def probe_topic(self, probe: SimProbe) -> tuple[SimBoard, str]:
        """Return the board a probe is wired to, and the topic it is heard on."""
        own = {each.name: each.topic for each in self.site.probes}[probe.name]
        topic = own or self.topics.probe(probe.name)
        return next(board for board in self.world.boards.values() if probe.name in board.probe_names), topic

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Say something on the bus that none of the site's own clients said."""
        self.bus.connect("stranger", (), _deaf).publish(topic, payload, retain=retain)

    @staticmethod
    def places_of(fault: str) -> frozenset[str]:
        """Return where a fault, or both of a pair, happens; empty where one cannot be simulated."""
        known = injections()
        singles = catalogue()[fault].of or (fault,)
        return frozenset(known[each].place for each in singles) if set(singles) <= set(known) else frozenset()

    @staticmethod
    def _first(found: list[T], target: str, kind: str, known: list[str]) -> T:
        if not found:
            raise RehearsalError(
                f"there is no {kind} '{target}' to suffer a fault; there are: {', '.join(known)}"
            )
        return found[0]


def _deaf(_: object) -> None:
    """Hear nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Injection:
    """How one fault is made to happen, and how long it lasts unless somebody says otherwise [s]."""

    begin: Callable[[Stage, str], Iterator[None]]
    usual_s: float
    place: str


_INJECTIONS: dict[str, Injection] = {}
Begin = Callable[[Stage, str], Iterator[None]]


def injects(*faults: str, usual_s: float = math.inf) -> Callable[[Begin], Begin]:
    """Note that a generator makes these faults happen; it is called with the stage and a target."""

    def note(begin: Begin) -> Begin:
        place = begin.__module__.rpartition(".")[2]
        for fault in faults:
            if fault in _INJECTIONS or fault not in catalogue():
                raise ValueError(f"{fault} is injected twice, or is not in the catalogue")
            _INJECTIONS[fault] = Injection(begin=begin, usual_s=usual_s, place=place)
        return begin

    return note


def injections() -> dict[str, Injection]:
    """Return how each fault that a simulated night can suffer is made to happen, in the catalogue's order."""
    for place in PLACES:
        import_module(f"simulator.faults.{place}")
    return {fault: _INJECTIONS[fault] for fault in catalogue() if fault in _INJECTIONS}


def happening(fault: str) -> str:
    """Return what a fault is to a simulated night; two with the same answer are one and the same to it."""
    known = injections()
    if fault not in known:
        return fault
    begin = known[fault].begin
    return next(other for other, injection in known.items() if injection.begin is begin)


@contextmanager
def while_in(place: list[T], thing: T) -> Iterator[None]:
    """Keep something in a list for a while."""
    place.append(thing)
    try:
        yield
    finally:
        place.remove(thing)


@dataclass(slots=True)
class _Case:
    """One fault of a night with its times."""

    fault: str
    target: str
    begins_s: float
    ends_s: float
    cycle_s: tuple[float, float] | None
    under_way: Iterator[None] | None = None

    def is_there(self, now_s: float) -> bool:
        if not self.begins_s <= now_s < self.ends_s:
            return False
        return self.cycle_s is None or (now_s - self.begins_s) % self.cycle_s[1] < self.cycle_s[0]


class Suffering:
    """The faults of one rehearsal, begun and ended as their settings say."""

    def __init__(self, stage: Stage) -> None:
        self.has_begun = False
        self._stage = stage
        self._cases: list[_Case] = []

    def add(self, setting: FaultSetting) -> None:
        """Let a fault, or both faults of a pair, happen in their time.

        Raises
        ------
        RehearsalError
            It cannot be made to happen in a simulated night.
        """
        world = self._stage.world
        start = world.start_utc.astimezone(ZoneInfo(world.site.place.time_zone)).replace(tzinfo=None)
        begins_s = setting.onset_s(start)
        for fault in catalogue()[setting.id].of or (setting.id,):
            injection = injections().get(fault)
            if injection is None:
                raise RehearsalError(
                    f"{fault} ({catalogue()[fault].what}) cannot happen in a simulated night: "
                    "`rimeward rehearse --list-faults` lists what can"
                )
            length_s = setting.length_s if setting.lasts else injection.usual_s
            self._cases.append(_Case(fault, setting.target, begins_s, begins_s + length_s, setting.cycle_s))

    def look(self, now_s: float) -> None:
        """Begin, keep up and end what is due."""
        for case in self._cases:
            there = case.is_there(now_s)
            if there and case.under_way is None:
                self.has_begun = True
                case.under_way = _INJECTIONS[case.fault].begin(self._stage, case.target)
            if there and case.under_way is not None:
                next(case.under_way, None)
            elif case.under_way is not None:
                case.under_way.close()  # type: ignore[attr-defined]  # every injection is a generator
                case.under_way = None
