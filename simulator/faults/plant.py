"""Faults of the house itself: fleece, openings and the fan."""

from collections.abc import Iterator
from contextlib import contextmanager

from controller.errors import RehearsalError
from simulator.faults.stage import Stage, injects, while_in
from simulator.strings import split

# A door left open to a light wind: 1.6 m² of it, half inflow, at a quarter of a metre a second (estimate).
DOOR_M3_S = 0.2


@contextmanager
def _bare(stage: Stage, tree: int) -> Iterator[None]:
    stage.world.uncovered.add(tree)
    stage.world.look_at_fleece()
    try:
        yield
    finally:
        stage.world.uncovered.discard(tree)
        stage.world.look_at_fleece()


@injects("H10", "U11")
def fleece_gone(stage: Stage, target: str) -> Iterator[None]:
    """Take a tree's fleece off."""
    with _bare(stage, stage.tree(target)):
        while True:
            yield


@injects("X12")
def door_open(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one door)
    """Leave the door open."""
    stage.world.draught_m3_s += DOOR_M3_S
    try:
        while True:
            yield
    finally:
        stage.world.draught_m3_s -= DOOR_M3_S


@injects("V01", "V03")
def vent_stuck_open(stage: Stage, target: str) -> Iterator[None]:
    """Let a fan run or a flap stay open, whatever its board says."""
    vents = [vent for vent in stage.site.vents if target in {"", vent.name}]
    if not vents:
        raise RehearsalError(f"there is no vent '{target}' at {stage.site.name} to be stuck open")
    vent = vents[0]
    board, channel = split(vent.channel)
    is_on = vent.rest != "open"

    def stuck(on: tuple[str, ...]) -> tuple[str, ...]:
        others = tuple(name for name in on if name != channel)
        return (*others, channel) if is_on else others

    with while_in(stage.world.boards[board].relays, stuck):
        while True:
            yield
