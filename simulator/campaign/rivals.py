"""What others would have done with the same night: nothing, everything, a plain thermostat, a clairvoyant.

All of them switch the same strings of the same simulated house; none has a controller, a plan or a bus.
"""

import json
import math
from abc import ABC, abstractmethod
from collections.abc import Iterable
from functools import partial
from typing import Self

from controller.bus.transport import Message
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import Stage
from simulator.night import Night
from simulator.rehearsal import Rehearsal
from simulator.strings import split
from simulator.world import Record, baseline

# A plain thermostat: on at 0 °C, off half a kelvin above (common practice, no source).
THERMOSTAT_C, THERMOSTAT_BAND_K = 0.0, 0.5
# It looks at its probe this often [s]; the others' strings need no finer step.
LOOK_S = 20.0
STEADY_S = 60.0
# A clairvoyant holds the fruit itself this far above its damage, or further where strings are too small [K].
FORESIGHT_K = (0.3, 1.0, 2.0, 4.0, 8.0)
FORESIGHT_BAND_K = 0.2
# What a thermostat wired to its own probe can suffer: faults of the probe, of the strings and of the house.
# An old reading kept by a broker is nothing to it but a probe that is silent.
SUFFERED_PLACES = frozenset({"probes", "circuits", "plant"})
INSTEAD = {"S23": "S24"}


def no_heat(night: Night, seed: int) -> Record:
    """Return what the covered trees go through without any heat."""
    return baseline(night, seed)


def always_on(night: Night, seed: int, suffer: Iterable[FaultSetting] = ()) -> Record:
    """Return what comes of every string on from the night's beginning; without faults, the oracle."""
    run = _boards_alone(night, seed, suffer)
    while run.world.elapsed_s < run.end_s:
        run.move(STEADY_S)
    return run.world.record


def plain_thermostat(night: Night, seed: int, suffer: Iterable[FaultSetting] = ()) -> Record:
    """Return what a thermostat at 0 °C for each tree makes of the night, its probe suffering the same."""
    return Thermostats(night, seed, suffer).follow().world.record


def watched_thermostat(
    night: Night, seed: int, suffer: Iterable[FaultSetting], *, every_s: float
) -> tuple[list[tuple[float, float]], Record]:
    """Return the course of the first tree's air under that thermostat [s, °C], and the record."""
    rival = Thermostats(night, seed, suffer)
    world, course = rival.run.world, list[tuple[float, float]]()
    while world.elapsed_s < rival.run.end_s:
        rival.follow(world.elapsed_s + every_s)
        course.append((world.elapsed_s, world.plant.tree_air_c[0]))
    return course, world.record


class Ruled(ABC):
    """A night in which each tree's strings follow a rule, whatever boards are told.

    Attributes
    ----------
    run : Rehearsal
        The night; it may be told to suffer faults that have not begun.
    """

    def __init__(self, night: Night, seed: int, suffer: Iterable[FaultSetting] = ()) -> None:
        self.run = _boards_alone(night, seed, suffer)
        self._heated = [False] * len(self.run.site.trees)
        for board in self.run.world.boards.values():
            channels = tuple(
                (channel, tree)
                for tree, each in enumerate(self.run.site.trees)
                for on, channel in (split(string.channel) for string in each.strings)
                if on == board.name
            )
            board.relays.insert(0, partial(self._closed, channels))  # before what is broken about contacts

    def follow(self, until_s: float = math.inf) -> Rehearsal:
        """Play on, to the night's end or until a time [s], and return the night."""
        run = self.run
        while run.world.elapsed_s < min(run.end_s, until_s):
            lit = [power_w > 0.0 for power_w in run.world.strings_w()]
            self._heated[:] = [self.wants(tree, lit=on) for tree, on in enumerate(lit)]
            run.move(LOOK_S)
        return run

    def fork(self) -> Self:
        """Return the same rule in a night that goes its own way from here on."""
        return self.run.fork_with(self)

    @abstractmethod
    def wants(self, tree: int, *, lit: bool) -> bool:
        """Tell whether the rule heats a tree now, whose strings are lit or not."""

    def _closed(self, channels: tuple[tuple[str, int], ...], _on: tuple[str, ...]) -> tuple[str, ...]:
        return tuple([channel for channel, tree in channels if self._heated[tree]])


class Thermostats(Ruled):
    """A plain thermostat for each tree: it heeds the last number its probe said, whenever that was."""

    def __init__(self, night: Night, seed: int, suffer: Iterable[FaultSetting] = ()) -> None:
        super().__init__(night, seed, suffer)
        self._said_c: dict[str, float] = {}
        self.run.bus.connect("thermostats", (self.run.controller.topics.probe("+"),), self._hear)

    def wants(self, tree: int, *, lit: bool) -> bool:
        """Tell whether any probe of a tree reads too cold."""
        limit_c = THERMOSTAT_C + (THERMOSTAT_BAND_K if lit else 0.0)
        return any(not self._said_c.get(probe, 0.0) > limit_c for probe in self.run.site.trees[tree].probes)

    def _hear(self, message: Message) -> None:
        try:
            said = json.loads(message.payload)["temp_c"]
        except (ValueError, KeyError, TypeError):
            return
        if isinstance(said, int | float):
            self._said_c[message.topic.rpartition("/")[2]] = said


class Clairvoyant(Ruled):
    """A thermostat on the true fruit, so far above its damage [K]."""

    def __init__(self, night: Night, seed: int, margin_k: float) -> None:
        super().__init__(night, seed)
        self._margin_k = margin_k

    def wants(self, tree: int, *, lit: bool) -> bool:
        """Tell whether a tree's fruit comes near its damage."""
        world = self.run.world
        limit_c = world.record.trees[tree].fruit_damage_c + self._margin_k
        return world.tissue_c()[tree] <= limit_c + (FORESIGHT_BAND_K if lit else 0.0)


def perfect_foresight(night: Night, seed: int, oracle: Record) -> Record:
    """Return the least heat that loses nothing avoidable: true fruit temperatures are known and held.

    Not the mathematical least: a thermostat on the fruit itself, at the lowest of a few limits that loses
    no tree which the oracle keeps.
    """
    record = oracle
    for margin_k in FORESIGHT_K:
        record = Clairvoyant(night, seed, margin_k).follow().world.record
        if not lost_needlessly(record, oracle):
            return record
    return record


def lost_needlessly(record: Record, oracle: Record) -> list[str]:
    """Return the trees damaged although an oracle would have kept them."""
    pairs = zip(record.trees, oracle.trees, strict=True)
    return [tree.name for tree, kept in pairs if tree.is_damaged and not kept.is_damaged]


def _boards_alone(night: Night, seed: int, suffer: Iterable[FaultSetting]) -> Rehearsal:
    own = tuple(fault for fault in (*night.faults, *suffer) if _reaches_strings(fault))
    bare = night.model_copy(update={"faults": ()})
    return Rehearsal("rival", bare, seed, with_controller=False, with_forecast=True, suffer=own)


def _reaches_strings(fault: FaultSetting) -> bool:
    return Stage.places_of(fault.id) <= SUFFERED_PLACES | {"boards", "people"}
