"""What can happen to the keeper, and what it can want done.

Events are what came in, or that time passed; actions are what the shell shall do.
"""

import math
from dataclasses import dataclass
from datetime import datetime

from controller.guard.confirm import Confirmation
from controller.guard.decision import Decision
from controller.guard.finding import Finding
from controller.guard.hand import Answer, HandOrder
from controller.guard.lease import Lease
from controller.plan.outlook import Outlook
from controller.plan.plan import Plan
from controller.thermal.drive import Inputs
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters

# ---- events -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeHeard:
    """A probe's reading [°C], with the humidity [%] if it measures one; NaN where it sent no number."""

    probe: str
    temp_c: float
    at: datetime | None = None
    rh_pct: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoHeard:
    """A board told what its outputs do."""

    board: str
    boot: str
    session: str | None
    seq: int
    on: tuple[str, ...]
    uptime_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaseHeard:
    """Something was said on a board's topic of leases; ``session`` is None for what is no lease."""

    board: str
    session: str | None = None
    seq: int = 0
    retained: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerHeard:
    """A meter told what a circuit draws [W]."""

    circuit: str
    power_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardGone:
    """The broker announced that a board's connection is lost."""

    board: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOrdered:
    """A person ordered something."""

    order: HandOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """A person said that something was done which no probe can see."""

    confirmation: Confirmation


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookMade:
    """A forecast was turned into an outlook.  The guard shows it and heeds only its probes."""

    outlook: Outlook | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanMade:
    """A plan for the coming day was made; it replaces the last one, and None leaves the guard alone."""

    plan: Plan | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseKnown:
    """What is known of the house: the model in use, and the weather expected, None where nobody says."""

    parameters: Parameters
    noise: Noise
    weather: Inputs | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BusUp:
    """The bus is there (again): every board is told the present state at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a source outside the guard now finds wrong; it replaces what that source said before."""

    source: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Time passed."""


Event = (
    ProbeHeard
    | EchoHeard
    | LeaseHeard
    | PowerHeard
    | BoardGone
    | HandOrdered
    | Confirmed
    | OutlookMade
    | PlanMade
    | HouseKnown
    | BusUp
    | Found
    | Tick
)


# ---- actions ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class GiveLease:
    """Send a lease to a board."""

    lease: Lease
    session: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearLease:
    """Clear what the broker keeps on a board's topic of leases."""

    board: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Decide:
    """Publish, log and keep a decision; ``changed`` tells a new one from one that still stands."""

    decision: Decision
    changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """Answer a person, and keep the order if it was accepted."""

    answer: Answer
    order: HandOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """Answer a person's word, and keep it if it was taken."""

    answer: Answer
    confirmation: Confirmation


Action = GiveLease | ClearLease | Decide | Reply | Noted
