"""A check: some steps in order, and what their outcome says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Protocol

from controller.site.model import Site
from controller.wiring.loads import Load, loads_of
from controller.wiring.step import Notes, Step

Record = Mapping[str, Notes]


class Stage(StrEnum):
    """The parts of the test, in order."""

    CAUTIONS = "cautions"
    BOARDS = "boards"
    PROBES = "probes"
    CHANNELS = "channels"
    REST = "rest"
    CIRCUITS = "circuits"
    STRINGS = "strings"
    GUARDS = "guards"
    STEP = "step"


class Outcome(StrEnum):
    """What came of a check."""

    GOOD = "good"
    BAD = "bad"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of a check, with the evidence in one sentence."""

    check: str
    stage: Stage
    title: str
    outcome: Outcome
    evidence: str


@dataclass(frozen=True, kw_only=True)
class Scope:
    """What is tested and by what means; ``short`` leaves out what only an installer or electrician does."""

    site: Site
    attended: bool = True
    stages: tuple[Stage, ...] = tuple(Stage)
    meters: frozenset[str] = frozenset()
    short: bool = False

    @property
    def kind(self) -> str:
        """The form of the test: full, short or unattended."""
        return "unattended" if not self.attended else "short" if self.short else "full"

    @cached_property
    def loads(self) -> tuple[Load, ...]:
        """Everything that hangs on channels."""
        return loads_of(self.site)

    @cached_property
    def strings(self) -> tuple[Load, ...]:
        """The heater strings."""
        return tuple(load for load in self.loads if load.is_string)

    @cached_property
    def vents(self) -> tuple[Load, ...]:
        """The vents."""
        return tuple(load for load in self.loads if not load.is_string)


def judged(check: "Check", title: str, good: bool | None, evidence: str) -> Result:  # noqa: FBT001 (three values)
    """Return what came of a check: passed, not passed, or None where it was not done."""
    outcome = Outcome.NOT_DONE if good is None else Outcome.GOOD if good else Outcome.BAD
    return Result(check=check.id, stage=check.stage, title=title, outcome=outcome, evidence=evidence)


class Check(Protocol):
    """One check; ``steps`` may grow with what was seen."""

    @property
    def id(self) -> str:
        """Its place in the record, as 'stage/what'."""
        ...

    @property
    def stage(self) -> Stage:
        """The part of the test it belongs to."""
        ...

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Return its steps as far as they follow from what was seen."""
        ...

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Return what came of it."""
        ...
