"""Whether a board keeps the bus contract: the cases, written once for every kind of board.

A case talks to a ``Bench``: the simulated board or the board process in tests, where time is moved by hand,
or a real board on a real broker (``conform_live``).  Each case begins with a session of its own on a board
that has run for longer than the least time on, and raises ``ConformityError`` with what it saw.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol

from controller.bus.board import MINIMUM_ON_S
from controller.bus.messages import LONGEST_LEASE_S, AlivePayload, EchoPayload
from controller.errors import ConformityError

ECHO_EVERY_S = 30.0
LONGEST_STAGGER_S = 60.0


class Can(StrEnum):
    """What a bench can do besides talking to its board."""

    RESTART = "cut the board's power and give it back"
    CUT = "cut the board off the network and connect it again"
    SET_CLOCK = "set the board's wall clock"
    SEE = "see the outputs themselves and not only what the board says of them"


class Bench(Protocol):
    """A board on a broker, seen from outside.

    ``slack_s`` is by how much times may be off: what messages and loops of a real board take.
    """

    heaters: tuple[str, ...]
    vents: tuple[str, ...]
    slack_s: float
    can: frozenset[Can]

    def send(self, payload: bytes, *, retained: bool = False, board: str | None = None) -> None:
        """Publish on the board's lease topic, or another board's; return when this board has heard it."""

    def pour(self, payload: bytes, *, retained: bool = False) -> None:
        """Publish on the board's lease topic and do not wait."""

    def echoes(self) -> Sequence[EchoPayload]:
        """Return the board's echoes so far, the latest last."""

    def alives(self) -> Sequence[AlivePayload]:
        """Return its births and wills so far."""

    def kept(self) -> Sequence[str]:
        """Return the topics of the board for which the broker keeps a message."""

    def on(self) -> frozenset[str]:
        """Return what its outputs do now, seen as directly as this bench can."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def restart(self) -> None:
        """Cut its power and give it back; return when it has been heard again."""

    def cut(self) -> None:
        """Cut it off the network; return when the broker has announced its loss."""

    def mend(self) -> None:
        """Connect it again; return when it has been heard."""

    def set_clock(self, jump_s: float) -> None:
        """Set its wall clock on by some seconds, or back."""


class Controller:
    """What gives leases in a case: one session, numbers that rise."""

    def __init__(self, bench: Bench, session: str) -> None:
        self.bench, self.session, self.seq = bench, session, 0

    def lease(self, off: Any = (), vent: Sequence[str] = (), **fields: Any) -> None:
        """Give a lease; ``fields`` replace its parts, and one that is None is left out."""
        seq = fields.pop("seq", self.seq + 1)
        self.seq = max(self.seq, seq)
        retained, board = bool(fields.pop("retained", False)), fields.pop("board", None)
        lease = {
            "session": self.session,
            "boot": self.bench.echoes()[-1].boot,
            "seq": seq,
            "ttl_s": LONGEST_LEASE_S,
            "off": off,
            "vent": vent,
            **fields,
        }
        self.bench.send(json_of(lease), retained=retained, board=board)


def json_of(lease: dict[str, Any]) -> bytes:
    """Return a lease as it goes on the bus, without the parts that are None."""
    return json.dumps({key: value for key, value in lease.items() if value is not None}).encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One thing a board must do; ``needs`` is what the bench must be able to do for it."""

    name: str
    says: str
    play: Callable[[Bench, Controller], None]
    needs: frozenset[Can]


CASES: list[Case] = []


def case(
    says: str, *needs: Can
) -> Callable[[Callable[[Bench, Controller], None]], Callable[[Bench, Controller], None]]:
    """Return what enters a function into ``CASES``, under its own name."""

    def note(play: Callable[[Bench, Controller], None]) -> Callable[[Bench, Controller], None]:
        name = play.__name__.strip("_").replace("_", "-")
        CASES.append(Case(name=name, says=says, play=play, needs=frozenset(needs)))
        return play

    return note


def run_case(case: Case, bench: Bench, session: str) -> None:
    """Play a case on a board in a known state: every heater on for the least time, no vent moved."""
    controller = Controller(bench, session)
    controller.lease()
    bench.wait(MINIMUM_ON_S + LONGEST_STAGGER_S / 10 + bench.slack_s)
    require(bench.on() == frozenset(bench.heaters), f"before the case began {said(bench)}")
    case.play(bench, controller)


def said(bench: Bench) -> str:
    """Return what the outputs do, in words."""
    return f"it had on: {', '.join(sorted(bench.on())) or 'nothing'}"


def require(fact: bool, otherwise: str) -> None:  # noqa: FBT001 (as one says it)
    """Raise ``ConformityError`` unless something is so."""
    if not fact:
        raise ConformityError(otherwise)


def all_heat(bench: Bench, when: str) -> None:
    """Require that every heater is on and no vent has moved."""
    require(bench.on() == frozenset(bench.heaters), f"{when} every heater must be on, but {said(bench)}")


def all_rest(bench: Bench, when: str) -> None:
    """Require that nothing is on."""
    require(not bench.on(), f"{when} every heater may be off by its lease, but {said(bench)}")


def refused(bench: Bench, controller: Controller, what: str, **fields: Any) -> None:
    """Require that a lease which would rest every heater changes nothing, for what is wrong with it."""
    before = bench.echoes()[-1]
    controller.lease(fields.pop("off", bench.heaters), **fields)
    after = bench.echoes()[-1]
    require(
        bench.on() == frozenset(bench.heaters) and (after.session, after.seq) == (before.session, before.seq),
        f"a lease {what} must change nothing, but {said(bench)}, echoing number {after.seq}",
    )


def all_cases() -> list[Case]:
    """Return every case, by importing the modules that hold them."""
    from controller.board import cases_board, cases_lease  # noqa: F401, PLC0415 (they enter themselves)

    return CASES
