"""What others would have done with the same night: nothing, everything, a plain thermostat, a clairvoyant.

All of them switch the same strings of the same simulated house; none has a controller, a plan or a bus.
"""

import json
import math
from collections.abc import Callable, Iterable, Sequence

from controller.bus.transport import Message
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import Stage
from simulator.night import Night
from simulator.rehearsal import Rehearsal
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

Wanted = Callable[[int, Rehearsal], bool]


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
    """Return what a thermostat at 0 °C for each tree makes of the night, its probe suffering the same faults.

    It heeds the last number its probe said, for as long as nothing else is said.
    """
    run, wanted = _with_thermostats(night, seed, suffer)
    _follow(run, wanted)
    return run.world.record


def watched_thermostat(
    night: Night, seed: int, suffer: Iterable[FaultSetting], *, every_s: float
) -> tuple[list[tuple[float, float]], Record]:
    """Return the course of the first tree's air under that thermostat [s, °C], and the record."""
    run, wanted = _with_thermostats(night, seed, suffer)
    course: list[tuple[float, float]] = []
    while run.world.elapsed_s < run.end_s:
        _follow(run, wanted, until_s=run.world.elapsed_s + every_s)
        course.append((run.world.elapsed_s, run.world.plant.tree_air_c[0]))
    return course, run.world.record


def _with_thermostats(night: Night, seed: int, suffer: Iterable[FaultSetting]) -> tuple[Rehearsal, Wanted]:
    run = _boards_alone(night, seed, suffer)
    said_c: dict[str, float] = {}

    def hear(message: Message) -> None:
        probe = message.topic.rpartition("/")[2]
        try:
            said = json.loads(message.payload)["temp_c"]
        except (ValueError, KeyError, TypeError):
            return
        if isinstance(said, int | float):
            said_c[probe] = said

    run.bus.connect("thermostats", (run.controller.topics.probe("+"),), hear)

    def wanted(tree: int, under_way: Rehearsal) -> bool:
        lit = under_way.world.strings_w()[tree] > 0.0
        limit_c = THERMOSTAT_C + (THERMOSTAT_BAND_K if lit else 0.0)
        return any(not said_c.get(probe, 0.0) > limit_c for probe in under_way.site.trees[tree].probes)

    return run, wanted


def perfect_foresight(night: Night, seed: int, oracle: Record) -> Record:
    """Return the least heat that loses nothing avoidable: true fruit temperatures are known and held.

    Not the mathematical least: a thermostat on the fruit itself, at the lowest of a few limits that loses
    no tree which the oracle keeps.
    """
    record = oracle
    for margin_k in FORESIGHT_K:
        run = _boards_alone(night, seed, ())

        def wanted(tree: int, under_way: Rehearsal, margin_k: float = margin_k) -> bool:
            world = under_way.world
            limit_c = world.record.trees[tree].fruit_damage_c + margin_k
            band_k = FORESIGHT_BAND_K if world.strings_w()[tree] > 0.0 else 0.0
            return world.tissue_c()[tree] <= limit_c + band_k

        record = _follow(run, wanted)
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


def _follow(run: Rehearsal, wanted: Wanted, until_s: float = math.inf) -> Record:
    """Play a night, or a part of it, in which each tree's strings follow a rule and nothing else."""
    heated = [False] * len(run.site.trees)
    driven = [(board, _driven(run, board.name, heated)) for board in run.world.boards.values()]
    for board, relay in driven:
        board.relays.insert(0, relay)  # before whatever is broken about the contacts
    while run.world.elapsed_s < min(run.end_s, until_s):
        heated[:] = [wanted(tree, run) for tree in range(len(heated))]
        run.move(LOOK_S)
    for board, relay in driven:
        board.relays.remove(relay)
    return run.world.record


def _driven(
    run: Rehearsal, board: str, heated: Sequence[bool]
) -> Callable[[tuple[str, ...]], tuple[str, ...]]:
    """Return what a board's contacts do when each tree's strings follow a rule."""
    channels = [
        (string.channel.partition("/")[2], tree)
        for tree, each in enumerate(run.site.trees)
        for string in each.strings
        if string.channel.startswith(f"{board}/")
    ]
    return lambda _: tuple(channel for channel, tree in channels if heated[tree])
