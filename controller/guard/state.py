"""What the keeper knows."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from controller.guard import circuits as cir
from controller.guard import witness as wit
from controller.guard.confirm import Words
from controller.guard.cooling import Cooling
from controller.guard.decision import Decision
from controller.guard.finding import Finding
from controller.guard.hand import Key, StandingOrder
from controller.guard.lease import BoardMemory
from controller.guard.overheard import UNHEARD, Overheard
from controller.guard.reading import ProbeMemory
from controller.guard.rules import Rules, rules_of
from controller.guard.survey import UNSEEN, Survey
from controller.guard.tree import TreeMemory
from controller.guard.vent import VentMemory
from controller.guard.warming import Warming
from controller.plan.outlook import Outlook
from controller.plan.plan import Plan
from controller.site.model import Site


@dataclass(frozen=True, kw_only=True)  # without slots, for ``changed``
class State:
    """Everything the keeper knows.  The mappings are never changed in place.

    ``findings`` holds what each source now finds wrong, the guard itself among them; ``proven`` when the heat
    of each tree last showed its effect; ``suspects`` are the probes that findings of past days speak against.
    """

    rules: Rules
    session: str
    witness: wit.Witness
    survey: Survey = UNSEEN
    suspects: frozenset[str] = frozenset()
    probes: Mapping[str, ProbeMemory] = field(default_factory=dict)
    latest_c: Mapping[str, float] = field(default_factory=dict)
    boards: Mapping[str, BoardMemory] = field(default_factory=dict)
    overheard: Mapping[str, Overheard] = field(default_factory=dict)
    trees: Mapping[str, TreeMemory] = field(default_factory=dict)
    vents: Mapping[str, VentMemory] = field(default_factory=dict)
    orders: Mapping[Key, StandingOrder] = field(default_factory=dict)
    latest_order: str = ""
    orders_before: Mapping[Key, StandingOrder] = field(default_factory=dict)
    confirmed: Words = field(default_factory=dict)
    heat: Mapping[str, Decision] = field(default_factory=dict)
    vent: Mapping[str, Decision] = field(default_factory=dict)
    told_s: Mapping[str, float] = field(default_factory=dict)
    outlook: Outlook | None = None
    plan: Plan | None = None
    plan_came_s: float = -math.inf
    findings: Mapping[str, tuple[Finding, ...]] = field(default_factory=dict)
    warming: Mapping[str, Warming] = field(default_factory=dict)
    proven: Mapping[str, datetime] = field(default_factory=dict)
    cooling: Mapping[str, Cooling] = field(default_factory=dict)
    circuits: Mapping[str, cir.CircuitMemory] = field(default_factory=dict)
    looked_s: float = -math.inf

    @property
    def found(self) -> tuple[Finding, ...]:
        """Everything found wrong now, the worst first."""
        each = (finding for findings in self.findings.values() for finding in findings)
        return tuple(sorted(each, key=lambda finding: -finding.severity))


def changed(state: State, **values: Any) -> State:
    """Return the state with some fields changed.

    As ``dataclasses.replace`` does, but without setting every field anew: it happens at every message.
    """
    after = object.__new__(State)
    fields = after.__dict__
    fields.update(state.__dict__)
    fields.update(values)
    if len(fields) != len(state.__dict__):
        raise TypeError(f"a state has no field {', '.join(values.keys() - state.__dict__.keys())}")
    return after


def begin(site: Site, session: str) -> State:
    """Return the state of a keeper that has heard nothing yet; ``session`` names this run."""
    rules = rules_of(site)
    return State(
        rules=rules,
        session=session,
        witness=wit.begin(site),
        boards={board.name: BoardMemory() for board in rules.boards},
        overheard={board.name: UNHEARD for board in rules.boards},
        trees={tree.name: TreeMemory() for tree in rules.trees},
        vents={vent.name: VentMemory(open=vent.rests_open) for vent in rules.vents},
        circuits={circuit.name: cir.CircuitMemory() for circuit in rules.circuits},
    )
