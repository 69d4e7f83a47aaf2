"""Faults of the controller's process, of its clock and of its model."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime

from controller.plan.plan import LARGEST_LIFT_K, Plan, TreePlan
from simulator.faults.stage import Stage, injects

# The service manager starts a process again after 5 s, and it needs some ten until it decides.
RESTART_S = 15.0
# A loop that hangs is killed by its watchdog after a minute.
WATCHDOG_S = 60.0
YEAR_S = 365 * 86400.0
# From exit to exit of a process that crashes as soon as it has started.
CRASHES_EVERY_S = 10.0


def _gone(*faults: str, after_s: float = RESTART_S, hangs_s: float = 0.0) -> None:
    """Note a fault that ends the process, which hangs a while before, and is started again."""

    @injects(*faults)
    def suffer(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one process)
        begun_s = stage.now_s
        stage.controller.standing_still = True
        try:
            while stage.now_s - begun_s < hangs_s:
                yield
        finally:
            stage.controller.standing_still = False
        stage.controller.end()
        stage.controller.start_after(after_s, stage.now_s)


_gone("P01", "P04", "P09", "D06", "D07", "D12", "P15")
_gone("P02", "P03", hangs_s=WATCHDOG_S)
_gone("P07", after_s=105.0, hangs_s=15.0)
_gone("P14", after_s=600.0)


@injects("P08")
def crash_loop(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one process)
    """Let the process crash before it has decided anything, for as long as this lasts."""
    stage.controller.end()
    try:
        while True:
            yield
    finally:
        stage.controller.start()


@injects("P10", usual_s=600.0)
@injects("C13", usual_s=1800.0)
def stopped(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one process)
    """Stop the process, or the machine under it, and let it run on with what it then finds waiting."""
    client = stage.controller.transport
    client.freeze()  # type: ignore[attr-defined]  # a client of the bus in memory
    stage.controller.standing_still = True
    try:
        while True:
            yield
    finally:
        stage.controller.standing_still = False
        client.thaw()  # type: ignore[attr-defined]


def _clock(*faults: str) -> Callable[[Callable[[Stage, float], float]], None]:
    """Note a fault of the wall clock: by how much it is ahead, at a time since its onset [s]."""

    def note(ahead_s: Callable[[Stage, float], float]) -> None:
        @injects(*faults)
        def suffer(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one clock)
            begun_s = stage.now_s
            try:
                while True:
                    stage.controller.clock_ahead_s = ahead_s(stage, stage.now_s - begun_s)
                    yield
            finally:
                stage.controller.clock_ahead_s = 0.0

    return note


def _since_1970_s(stage: Stage) -> float:
    return (stage.world.start_utc - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()


_clock("C01")(lambda _, __: 3600.0)
_clock("C02")(lambda _, __: -3600.0)
_clock("C03")(lambda _, __: YEAR_S)
_clock("C04")(lambda _, __: -YEAR_S)
_clock("C05")(lambda stage, since_s: -_since_1970_s(stage) if since_s < 600.0 else 0.0)
_clock("C06")(lambda stage, _: -_since_1970_s(stage))
_clock("C09")(lambda _, __: 100.0)  # 20 parts in a million for two months
_clock("C10")(lambda _, since_s: -1.0 if since_s < 86400.0 else 0.0)


# ---- the model and what it plans --------------------------------------------------------------------------


def _planned(*faults: str) -> Callable[[Callable[[Plan | None], Plan | None]], None]:
    """Note a fault that makes something else of every plan."""

    def note(spoiler: Callable[[Plan | None], Plan | None]) -> None:
        @injects(*faults)
        def suffer(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one model)
            stage.rehearsal.spoil_plan = spoiler
            stage.rehearsal.ask_now()
            try:
                while True:
                    yield
            finally:
                stage.rehearsal.spoil_plan = None

    return note


def _all_floors(plan: Plan | None, floor_c: float) -> Plan | None:
    if plan is None:
        return None
    trees = {
        name: TreePlan(
            floor_c=(floor_c,) * len(tree.floor_c),
            why="a model gone wrong",
            short_from=tree.short_from,
            lacks_w=tree.lacks_w,
        )
        for name, tree in plan.trees.items()
    }
    return replace(plan, trees=trees)


_planned("X01")(lambda plan: _all_floors(plan, 10.0 * LARGEST_LIFT_K))
_planned("X02")(lambda plan: _all_floors(plan, math.nan))
_planned("X03", "X07", "X10")(lambda _: None)
_planned("X08")(lambda plan: _all_floors(plan, math.inf))
