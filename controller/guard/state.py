"""What the keeper knows."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from controller.guard import circuits as cir
from controller.guard import witness as wit
from controller.guard.confirm import Words
from controller.guard.cooling import Cooling
from controller.guard.decision import Decision
from controller.guard.finding import Finding
from controller.guard.hand import Key, StandingOrder
from controller.guard.lease import BoardMemory
from controller.guard.look import Warming
from controller.guard.reading import ProbeMemory
from controller.guard.rules import Rules, rules_of
from controller.guard.survey import UNSEEN, Survey
from controller.guard.tree import TreeMemory
from controller.guard.vent import VentMemory
from controller.plan.outlook import Outlook
from controller.plan.plan import Plan
from controller.site.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
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


def with_message(
    state: State,
    *,
    probes: Mapping[str, ProbeMemory] | None = None,
    latest_c: Mapping[str, float] | None = None,
    boards: Mapping[str, BoardMemory] | None = None,
    witness: wit.Witness | None = None,
) -> State:
    """Return the state with what a message changed; by hand, since it happens at every message."""
    return State(
        rules=state.rules,
        session=state.session,
        witness=state.witness if witness is None else witness,
        survey=state.survey,
        suspects=state.suspects,
        probes=state.probes if probes is None else probes,
        latest_c=state.latest_c if latest_c is None else latest_c,
        boards=state.boards if boards is None else boards,
        trees=state.trees,
        vents=state.vents,
        orders=state.orders,
        latest_order=state.latest_order,
        orders_before=state.orders_before,
        confirmed=state.confirmed,
        heat=state.heat,
        vent=state.vent,
        told_s=state.told_s,
        outlook=state.outlook,
        plan=state.plan,
        plan_came_s=state.plan_came_s,
        findings=state.findings,
        warming=state.warming,
        proven=state.proven,
        cooling=state.cooling,
        circuits=state.circuits,
        looked_s=state.looked_s,
    )


def begin(site: Site, session: str) -> State:
    """Return the state of a keeper that has heard nothing yet; ``session`` names this run."""
    rules = rules_of(site)
    return State(
        rules=rules,
        session=session,
        witness=wit.begin(site),
        boards={board.name: BoardMemory() for board in rules.boards},
        trees={tree.name: TreeMemory() for tree in rules.trees},
        vents={vent.name: VentMemory(open=vent.rests_open) for vent in rules.vents},
        circuits={circuit.name: cir.CircuitMemory() for circuit in rules.circuits},
    )
