"""Electrical faults: strings, circuits and the supply."""

from collections.abc import Iterator
from contextlib import contextmanager

from simulator.faults.stage import Stage, injects
from simulator.strings import FrostStat, split

HALF, FULL = 0.5, 1.0
TWO_HOURS_S = 7200.0


@contextmanager
def _conducting(stage: Stage, tree: int, share: float) -> Iterator[None]:
    """Let only a share of a tree's strings heat."""
    before = list(stage.world.strings.conducts[tree])
    stage.world.strings.conducts[tree] = [each * share for each in before]
    try:
        yield
    finally:
        stage.world.strings.conducts[tree] = before


@injects("H01")
def string_dead(stage: Stage, target: str) -> Iterator[None]:
    """Let all strings of a tree be dead."""
    with _conducting(stage, stage.tree(target), 0.0):
        while True:
            yield


@injects("H02", "H12")
def half_dead(stage: Stage, target: str) -> Iterator[None]:
    """Let half of a tree's lamps be dead, or strings of half the watts be fitted."""
    with _conducting(stage, stage.tree(target), HALF):
        while True:
            yield


@contextmanager
def _tripped(stage: Stage, circuits: tuple[str, ...]) -> Iterator[None]:
    for circuit in circuits:
        stage.world.mains[circuit] = False
    try:
        yield
    finally:
        for circuit in circuits:
            stage.world.mains[circuit] = True


@injects("H03")
def all_trip(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (all of them)
    """Let a residual-current device take every string's supply; boards keep theirs."""
    with _tripped(stage, tuple(stage.world.mains)):
        while True:
            yield


@injects("H04")
def one_trips(stage: Stage, target: str) -> Iterator[None]:
    """Let one circuit trip."""
    with _tripped(stage, (stage.circuit(target),)):
        while True:
            yield


@injects("H05")
def breaker_too_small(stage: Stage, target: str) -> Iterator[None]:
    """Let a breaker trip as soon as everything on its circuit is on together."""
    name, world = stage.circuit(target), stage.world
    strings = [s for tree in stage.site.trees for s in tree.strings if s.circuit == name]
    while not all(_is_closed(stage, string.channel) for string in strings):
        yield
    with _tripped(stage, (name,)):
        while world.mains[name] is False:
            yield


def _is_closed(stage: Stage, channel: str) -> bool:
    board, name = split(channel)
    return name in stage.world.boards[board].closed


@injects("H06", usual_s=TWO_HOURS_S)
def mains_cut(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (the whole place)
    """Cut the mains of strings, boards and controller; the controller is back a minute after them."""
    boards = stage.world.boards.values()
    for board in boards:
        board.power(on=False)
    stage.controller.end()
    try:
        with _tripped(stage, tuple(stage.world.mains)):
            while True:
                yield
    finally:
        for board in boards:
            board.power(on=True)
        stage.controller.start_after(60.0, stage.now_s)


@injects("U08")
def plug_pulled(stage: Stage, target: str) -> Iterator[None]:
    """Take the plug of one circuit, and of the board beside it."""
    board = stage.board("")
    board.power(on=False)
    try:
        with _tripped(stage, (stage.circuit(target),)):
            while True:
                yield
    finally:
        board.power(on=True)


@injects("H07")
def voltage_low(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (the whole place)
    """Let every circuit have 85 % of its voltage."""
    voltage = stage.world.voltage
    voltage |= dict.fromkeys(voltage, 0.85)
    try:
        while True:
            yield
    finally:
        voltage |= dict.fromkeys(voltage, FULL)


@injects("H13")
def voltage_unsteady(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (the whole place)
    """Let the voltage wander between 85 and 100 %."""
    voltage, chance = stage.world.voltage, stage.chance("H13")
    try:
        while True:
            voltage |= dict.fromkeys(voltage, float(chance.uniform(0.85, 1.0)))
            yield
    finally:
        voltage |= dict.fromkeys(voltage, FULL)


@injects("U06")
def frost_stat_too_low(stage: Stage, target: str) -> Iterator[None]:
    """Set a tree's frost-stat to close at -4 °C and open at -1 °C, below what the guard holds."""
    tree, stats = stage.tree(target), stage.world.strings.stats
    # the evening was milder than that, so it stands open
    before, stats[tree] = stats[tree], FrostStat(-4.0, is_closed=False)
    try:
        while True:
            yield
    finally:
        stats[tree] = before
