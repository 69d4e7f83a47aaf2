"""Faults of probes: what they feel, what they say of it, and how that travels."""

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from itertools import cycle

from simulator.boards import Sent
from simulator.faults.stage import Stage, injects, while_in
from simulator.probes import STEP_C, SimProbe

WARM_C = 4.0
DAY_S = 86400.0
# How a board writes a temperature.
_NUMBER = re.compile(rb"-?\d+\.\d{4}|null")


def _says(*faults: str, usual_s: float = math.inf) -> Callable[[Callable[[float], float]], None]:
    """Note a fault that makes something else of a probe's every reading, without memory."""

    def note(spoiler: Callable[[float], float]) -> None:
        @injects(*faults, usual_s=usual_s)
        def suffer(stage: Stage, target: str) -> Iterator[None]:
            with while_in(stage.probe(target).spoilers, spoiler):
                while True:
                    yield

        suffer.__module__ = __name__

    return note


_says("S02")(lambda _: WARM_C)
_says("S07")(lambda _: 85.0)
_says("S08")(lambda _: -127.0)
_says("S09")(lambda _: 127.94)
_says("S16")(lambda said_c: said_c if said_c > 0.0 or said_c < -2.0 else 0.0)
_says("S19")(lambda said_c: 1.8 * said_c + 32.0)
_says("S31")(lambda said_c: said_c if said_c >= 0.0 else math.nan)
_says("H11")(lambda _: 45.0)


@injects("S01")
def stuck_warm(stage: Stage, target: str) -> Iterator[None]:
    """Hold the present reading, or +4 °C where that is warmer."""
    probe = stage.probe(target)
    held_c = max(WARM_C, probe.reading_c())
    with while_in(probe.spoilers, lambda _: held_c):
        while True:
            yield


@injects("S10")
def zero_after_start(stage: Stage, target: str) -> Iterator[None]:
    """Restart the probe's board, whose first two readings are 0.0 °C."""
    probe = stage.probe(target)
    stage.probe_topic(probe)[0].reboot("power-on")
    left = [2]

    def first_zero(said_c: float) -> float:
        left[0] -= 1
        return 0.0 if left[0] >= 0 else said_c

    with while_in(probe.spoilers, first_zero):
        while True:
            yield


@injects("S11")
def out_of_range(stage: Stage, target: str) -> Iterator[None]:
    """Say what no air can be, on both sides, one step beyond the bounds of the guard and far beyond."""
    values = cycle((60.0 + STEP_C, -40.0 - STEP_C, 70.0, -60.0))
    with while_in(stage.probe(target).spoilers, lambda _: next(values)):
        while True:
            yield


@injects("S12")
def one_spike(stage: Stage, target: str) -> Iterator[None]:
    """Make one single reading 10 K too warm."""
    left = [1]

    def spike(said_c: float) -> float:
        left[0] -= 1
        return said_c + 10.0 if left[0] >= 0 else said_c

    with while_in(stage.probe(target).spoilers, spike):
        while left[0] > 0:
            yield


@injects("S13")
def drift(stage: Stage, target: str) -> Iterator[None]:
    """Drift warm by a tenth of a kelvin a day up to 3 K; 1 K, still unseen, is there from the start."""
    begun_s = stage.now_s

    def warmer(said_c: float) -> float:
        return said_c + min(3.0, 1.0 + 0.1 * (stage.now_s - begun_s) / DAY_S)

    with while_in(stage.probe(target).spoilers, warmer):
        while True:
            yield


@injects("S27")
def noise(stage: Stage, target: str) -> Iterator[None]:
    """Scatter every reading by 5 K."""
    chance = stage.chance("S27")
    with while_in(stage.probe(target).spoilers, lambda said_c: said_c + 5.0 * chance.standard_normal()):
        while True:
            yield


@injects("S30")
def warmed_by_a_lamp(stage: Stage, target: str) -> Iterator[None]:
    """Read 3 K too warm whenever the tree's strings heat: a lamp hangs beside the probe."""
    tree = stage.tree(target)

    def beside_lamp(said_c: float) -> float:
        return said_c + (3.0 if stage.world.strings_w()[tree] > 0.0 else 0.0)

    with while_in(stage.probe(target).spoilers, beside_lamp):
        while True:
            yield


@injects("B13")
def swinging_about_the_limit(stage: Stage, target: str) -> Iterator[None]:
    """Say by turns a kelvin above and below where heat begins and rests."""
    hold_c = stage.site.trees[stage.tree(target)].hold_or_default_c
    values = cycle((hold_c - 1.0, hold_c + 1.5))
    with while_in(stage.probe(target).spoilers, lambda _: next(values)):
        while True:
            yield


# ---- probes in the wrong place ------------------------------------------------------------------------


@contextmanager
def _misplaced(stage: Stage, places: dict[str, Callable[[], float]]) -> Iterator[None]:
    stage.world.misplaced |= places
    try:
        yield
    finally:
        for name in places:
            stage.world.misplaced.pop(name, None)


@injects("S14")
def on_warm_soil(stage: Stage, target: str) -> Iterator[None]:
    """Let the probe lie on the soil under its tree."""
    tree, plant = stage.tree(target), stage.world.plant
    with _misplaced(stage, {stage.probe(target).name: lambda: plant.soil_c[tree]}):
        while True:
            yield


@injects("S15")
def outside_the_fleece(stage: Stage, target: str) -> Iterator[None]:
    """Let the probe hang in the house air."""
    plant = stage.world.plant
    with _misplaced(stage, {stage.probe(target).name: lambda: plant.house_c}):
        while True:
            yield


@injects("S17")
def two_trees_swapped(stage: Stage, target: str) -> Iterator[None]:
    """Swap a tree's probe with the next tree's."""
    trees, plant = stage.site.trees, stage.world.plant
    one = stage.tree(target)
    other = (one + 1) % len(trees)
    places = {
        trees[one].probes[0]: lambda: plant.tree_air_c[other],
        trees[other].probes[0]: lambda: plant.tree_air_c[one],
    }
    with _misplaced(stage, places):
        while True:
            yield


@injects("S18")
def inside_and_outside_swapped(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one each)
    """Swap the probes of the house and of the outside."""
    world = stage.world
    places = {
        **{probe.name: lambda: world.weather.outside_temp_c for probe in stage.site.probes_of("house")},
        **{probe.name: lambda: world.plant.house_c for probe in stage.site.probes_of("outside")},
    }
    with _misplaced(stage, places):
        while True:
            yield


# ---- what becomes of a reading on its way ---------------------------------------------------------------


@contextmanager
def _sent_as(stage: Stage, probe: SimProbe, spoiler: Callable[[Sent], Iterable[Sent]]) -> Iterator[None]:
    """Let a fault make something else of every message of one probe."""
    board, topic = stage.probe_topic(probe)

    def of_this_probe(sent: Sent) -> Iterable[Sent]:
        return spoiler(sent) if sent.topic == topic else (sent,)

    with while_in(board.outgoing, of_this_probe):
        yield


def _sent_with(*faults: str) -> Callable[[Callable[[Stage], Callable[[Sent], Iterable[Sent]]]], None]:
    """Note a fault of a probe's messages: given the stage, what becomes of each."""

    def note(make: Callable[[Stage], Callable[[Sent], Iterable[Sent]]]) -> None:
        @injects(*faults)
        def suffer(stage: Stage, target: str) -> Iterator[None]:
            with _sent_as(stage, stage.probe(target), make(stage)):
                while True:
                    yield

    return note


def _numbers_become(*texts: str) -> Callable[[Stage], Callable[[Sent], Iterable[Sent]]]:
    """Return a fault that writes other texts, by turns, in place of the temperature."""

    def make(_: Stage) -> Callable[[Sent], Iterable[Sent]]:
        turn = cycle(texts)
        return lambda sent: (
            Sent(topic=sent.topic, payload=_NUMBER.sub(next(turn).encode(), sent.payload, count=1)),
        )

    return make


def _payloads_become(*payloads: bytes) -> Callable[[Stage], Callable[[Sent], Iterable[Sent]]]:
    def make(_: Stage) -> Callable[[Sent], Iterable[Sent]]:
        turn = cycle(payloads)
        return lambda sent: (Sent(topic=sent.topic, payload=next(turn)),)

    return make


_sent_with("S03")(_numbers_become("NaN", "nan"))
_sent_with("S04")(_payloads_become(b"", b"null", b"{}", b'{"temp_c":null}'))
_sent_with("S05")(_numbers_become("1e999", "-1e999", "Infinity", "-Infinity"))
_sent_with("S06")(_numbers_become('"nan"', '"3,5"', '" 3.5 "', '"3.5"', "1_0", "true"))
_sent_with("M10")(_payloads_become(b"\xff\xfe\x00", b'{"temp_c":\xc3\x28}'))
_sent_with("S20")(lambda _: lambda sent: (_later(sent, 1200.0),))
_sent_with("S21")(lambda _: lambda sent: (sent, sent))
_sent_with("S24")(lambda _: lambda _sent: ())


def _later(sent: Sent, after_s: float) -> Sent:
    return Sent(topic=sent.topic, payload=sent.payload, after_s=after_s)


@_sent_with("S22")
def _shuffled(stage: Stage) -> Callable[[Sent], Iterable[Sent]]:
    chance = stage.chance("S22")
    return lambda sent: (_later(sent, float(chance.uniform(0.0, 100.0))),)


@_sent_with("S25")
def _half_lost(stage: Stage) -> Callable[[Sent], Iterable[Sent]]:
    chance = stage.chance("S25")
    return lambda sent: (sent,) if chance.random() < 0.5 else ()


@_sent_with("S26")
def _one_in_ten(_: Stage) -> Callable[[Sent], Iterable[Sent]]:
    turn = cycle((*[False] * 9, True))
    return lambda sent: (sent,) if next(turn) else ()


@_sent_with("S29")
def _wrongly_dated(stage: Stage) -> Callable[[Sent], Iterable[Sent]]:
    turn = cycle((timedelta(hours=1), timedelta(hours=-1), timedelta(days=365), timedelta(days=-365)))

    def redate(sent: Sent) -> Iterable[Sent]:
        said = json.loads(sent.payload)
        said["at"] = (stage.world.now_utc + next(turn)).isoformat()
        yield Sent(topic=sent.topic, payload=json.dumps(said).encode())

    return redate


@injects("S23")
def old_reading_retained(stage: Stage, target: str) -> Iterator[None]:
    """Let the broker keep +6 °C of a probe that is then silent, and the controller restart."""
    probe = stage.probe(target)
    stage.publish(stage.probe_topic(probe)[1], b'{"temp_c":6.0}', retain=True)
    stage.controller.end()
    stage.controller.start()
    with _sent_as(stage, probe, lambda _: ()):
        while True:
            yield


@injects("S28")
def all_silent(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (all of them)
    """Silence every probe."""
    with ExitStack() as stack:
        for probe in stage.world.probes.values():
            stack.enter_context(_sent_as(stage, probe, lambda _: ()))
        while True:
            yield


@injects("N02")
def forged_warm(stage: Stage, target: str) -> Iterator[None]:
    """Let a stranger say +8 °C for a probe, every period of the control loop."""
    topic = stage.probe_topic(stage.probe(target))[1]
    while True:
        stage.publish(topic, f'{{"temp_c":8.0,"at":"{stage.world.now_utc.isoformat()}"}}'.encode())
        yield
