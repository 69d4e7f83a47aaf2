"""What the procedure is told, what it asks for, and what it knows."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from controller.guard.events import GiveLease
from controller.wiring.check import Check, Record, Scope
from controller.wiring.step import Ask, Seen, Step
from controller.wiring.watch import Came, EchoCame

# ---- events and actions -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A person answered the question that stands."""

    answer: tuple[str, ...]
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """A person pressed the stop key, or something else ends the test."""

    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticked:
    """Time passed."""


Event = Came | Answered | Stopped | Ticked


@dataclass(frozen=True, slots=True, kw_only=True)
class Say:
    """Tell a person something."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Begin:
    """A check begins; what stands in the record so far is worth keeping."""

    check: Check
    number: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Put a question to a person."""

    ask: Ask


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """The test is over: every check made (``complete``), or ended before."""

    complete: bool
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOff:
    """Break our own connections to a board that knows only texts, without a goodbye."""

    board: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejoin:
    """Connect to such a board again, knowing nothing of any lease before."""

    board: str


Action = GiveLease | Say | Begin | Question | Finish | CutOff | Rejoin


class Phase(StrEnum):
    """Where the test stands."""

    RUNNING = "running"
    OVER = "over"


# ---- state --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Everything the procedure knows; mappings are never changed in place."""

    scope: Scope
    session: str
    record: Record = field(default_factory=dict)
    phase: Phase = Phase.RUNNING
    check: str = ""
    step: Step | None = None
    began_s: float = -math.inf
    seen: Seen = field(default_factory=Seen)
    on: frozenset[str] | None = None
    moved: frozenset[str] = frozenset()
    cut: str = ""
    echoes: Mapping[str, EchoCame] = field(default_factory=dict)
    heard_s: Mapping[str, float] = field(default_factory=dict)
    seqs: Mapping[str, int] = field(default_factory=dict)
    given_s: Mapping[str, float] = field(default_factory=dict)
    given: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = field(default_factory=dict)
    latest_c: Mapping[str, float] = field(default_factory=dict)
    latest_s: Mapping[str, float] = field(default_factory=dict)
    hot: frozenset[str] = frozenset()

    @property
    def is_over(self) -> bool:
        """Whether the test has ended."""
        return self.phase is Phase.OVER
