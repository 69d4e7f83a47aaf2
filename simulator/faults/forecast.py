"""Faults of the forecast: none comes, a wrong one comes, or the sky does something else."""

import math
from collections.abc import Callable, Iterator

from simulator.faults.stage import Stage, injects

# What fetching makes of these is tested with real sockets; to the controller they are all one: nothing comes.
NOTHING_COMES = (
    *("F01", "F02", "F03", "F04", "F05", "F06", "F07", "F08", "F09", "F10", "F11"),
    *("F25", "F26", "F27", "F28", "F29"),
)


@injects(*NOTHING_COMES)
def nothing_comes(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one service)
    """Let nothing come of asking."""
    stage.served.answers = False
    try:
        while True:
            yield
    finally:
        stage.served.answers = True


def _wrong(fault: str, body: str) -> None:
    @injects(fault)
    def suffer(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one service)
        stage.served.faults.add(body)
        _ask_now(stage)
        try:
            while True:
                yield
        finally:
            stage.served.faults.discard(body)


for _fault, _body in {
    "F12": "null-tail",
    "F13": "undefined",
    "F14": "wrong-units",
    "F15": "old-hours",
    "F16": "stale",
    "F19": "missing-hours",
    "F20": "repeated-hours",
    "F21": "wrong-length",
    "F24": "overcast",
    "F31": "impossible",
}.items():
    _wrong(_fault, _body)


@injects("F17")
def hours_shifted(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one service)
    """Stamp every hour two hours too late."""
    stage.served.late_s = 7200.0
    _ask_now(stage)
    try:
        while True:
            yield
    finally:
        stage.served.late_s = 0.0


def _off_by(*faults: str) -> Callable[[Callable[[float], float]], None]:
    """Note a fault that makes the forecast too warm by so much [K], at a time since its onset [s]."""

    def note(bias_k: Callable[[float], float]) -> None:
        @injects(*faults)
        def suffer(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one service)
            served, begun_s, last_k = stage.served, stage.now_s, math.nan
            honest = served.error
            try:
                while True:
                    now_k = bias_k(stage.now_s - begun_s)
                    if now_k != last_k:
                        served.error = honest.model_copy(update={"bias_k": now_k})
                        last_k = now_k
                        _ask_now(stage)
                    yield
            finally:
                served.error = honest

    return note


_off_by("F18")(lambda _: 5.0)  # the sea beside the coast, by night
_off_by("F22")(lambda _: 8.0)
_off_by("F23")(lambda _: -8.0)
_off_by("F30")(lambda since_s: 3.0 if since_s % 7200.0 < 3600.0 else -3.0)
_off_by("F32")(lambda _: 15.0)
_off_by("X04")(lambda _: 3.0)


def _ask_now(stage: Stage) -> None:
    """Let the controller ask at once, so that a fault of a short night is met in it."""
    stage.rehearsal.ask_now()
