"""The ladder of rules for one tree's heat: the first rule that applies decides.

Heat is the resting state: whatever is not known to be warm is heated.

    1  bad input           the probe is missing, not a number, out of range, stale, from the future or
                           frozen, or one of the other faults of ``evidence`` -> heat
    2  over-temperature    35 °C under the fleece                             -> off, whatever was ordered
    3  doubt               the model or the probe's own past speak against the reading -> heat; one that has
                           come back for ten minutes stands until half an hour after it last did
    4  hand order          on -> heat;  off -> off, but where fruit is lost only if the
                           order names that
    5  crop limit          at or below the hold temperature -> heat; once heating, until 0.5 K above it
    6  minimum on time     a heater that began stays on for 120 s
    7  switched often      at the eleventh switching within the hour it stays on
    8  plan                warms ahead, or blossom hangs: not above the floor it asks -> heat; a plan too old
                           or asking something absurd is named and changes nothing
    9  neighbour           a tree loses fruit with its own heat on -> heat, which warms the house for it
   10  heat lost           a tree has cooled while it was heated -> all are held 1 K warmer: what failed may
                           feed others too, and their heat warms the house for it
   11  warm enough         -> off, as long as the lease is renewed

Turning on is never delayed.  Each test asks for what would justify OFF, so that NaN leads to heat.
"""

from dataclasses import dataclass, replace

from controller.guard.decision import Decision, Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.now import Now
from controller.guard.reading import HIGHEST_TEMP_C
from controller.guard.witness import SPREADS
from controller.plan.plan import LARGEST_LIFT_K, OLDEST_S, Ask

# Air under fleece this hot means a displaced string or morning sun: fleece (polypropylene) softens far
# above it, leaves scorch from about 40 °C (from memory).
TOO_HOT_C = 35.0
COOLED_DOWN_C = 30.0
# Once heating, heat until this far above the hold temperature.
BAND_K = 0.5
# So much warmer is everything held while a tree has cooled in spite of its heat: what is lost then comes back
# only slowly.
LOST_K = 1.0
MINIMUM_ON_S = 120.0
# On and off counted alike; the last one allowed in an hour is the one that turns heat on.
SWITCHINGS_PER_HOUR = 12
HOUR_S = 3600.0
# A doubt is over when it has not come back for this long: heat given for it explains a warm probe meanwhile.
DOUBT_LASTS_S = 1800.0
# One this old stands, and is told to people: only what passes sooner is the model's own.
DOUBT_S = 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeRules:
    """What the ladder needs to know of a tree."""

    name: str
    hold_c: float
    hand_off_floor_c: float
    has_strings: bool
    # where a plan may move the hold temperature by risk: how far [°C], else None
    hold_range_c: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeMemory:
    """What the ladder remembers: before anything is known, the board heats.

    ``doubted_s`` is since when the reading has been in doubt, with pauses; infinite where it is not.
    """

    heating: bool = True
    reason: Reason = Reason.PROBE_MISSING
    changed_s: float = float("-inf")
    switched_s: tuple[float, ...] = ()
    doubted_s: float = float("inf")
    last_doubted_s: float = float("-inf")


def held_by_plan(rules: TreeRules, hold_c: float | None) -> TreeRules:
    """Return the rules with the hold temperature that a fresh plan asks by risk, within its limits.

    A plan that asks for something outside of them, or NaN, changes nothing.
    """
    if hold_c is None or rules.hold_range_c is None:
        return rules
    lowest_c, highest_c = rules.hold_range_c
    return replace(rules, hold_c=hold_c) if lowest_c <= hold_c <= highest_c else rules


def decide_tree(
    rules: TreeRules,
    memory: TreeMemory,
    evidence: Evidence,
    order: HandOrder | None,
    now: Now,
    ask: Ask | None = None,
    neighbour: str = "",
    unwarmed: str = "",
) -> tuple[Decision, TreeMemory]:
    """Return what a tree's strings shall do, and the memory for the next time.

    ``ask`` is what the plan asks for the tree now, ``neighbour`` a tree in danger, ``unwarmed`` one that has
    cooled while it was heated; they can add heat and nothing else.
    """
    recent_s = memory.switched_s
    if recent_s and now.mono_s - recent_s[0] >= HOUR_S:
        recent_s = tuple(s for s in recent_s if now.mono_s - s < HOUR_S)
    if evidence.doubt is not None and evidence.doubt is not Reason.DOUBT_STANDS:
        doubted_s = min(memory.doubted_s, now.mono_s)
        memory = replace(memory, doubted_s=doubted_s, last_doubted_s=now.mono_s)
    elif now.mono_s - memory.last_doubted_s >= DOUBT_LASTS_S and memory.doubted_s != float("inf"):
        memory = replace(memory, doubted_s=float("inf"))
    decision = _ladder(rules, memory, evidence, order, ask, neighbour, unwarmed, len(recent_s), now)
    if decision.active != memory.heating:
        memory = TreeMemory(
            heating=decision.active,
            reason=decision.reason,
            changed_s=now.mono_s,
            switched_s=(*recent_s, now.mono_s),
            doubted_s=memory.doubted_s,
            last_doubted_s=memory.last_doubted_s,
        )
    elif decision.reason is not memory.reason or len(recent_s) != len(memory.switched_s):
        memory = replace(memory, reason=decision.reason, switched_s=recent_s)
    return decision, memory


def _ladder(
    rules: TreeRules,
    memory: TreeMemory,
    evidence: Evidence,
    order: HandOrder | None,
    ask: Ask | None,
    neighbour: str,
    unwarmed: str,
    switchings: int,
    now: Now,
) -> Decision:
    temp_c = evidence.temp_c

    def record(
        reason: Reason, *, heat: bool, limit_c: float = float("nan"), age_s: float = float("nan")
    ) -> Decision:
        return Decision(
            kind="tree",
            name=rules.name,
            at=now.utc,
            active=heat and rules.has_strings,
            reason=reason,
            temp_c=temp_c,
            limit_c=limit_c,
            age_s=evidence.age_s if evidence.fault else age_s,
            asked_c=ask.floor_c if ask else float("nan"),
            plan=ask.why if ask else "",
            witness_c=evidence.witness.mean_c,
            spread_k=SPREADS * evidence.witness.spread_k,
            ahead_s=evidence.ahead_s,
            minimum_s=MINIMUM_ON_S,
            switchings=switchings,
            probe=evidence.probe,
            who=order.who if order else neighbour or unwarmed,
            until=f"{order.until:%H:%M} UTC" if order else "",
            rest="the tree is heated" if rules.has_strings else "nothing is known of this tree",
        )

    if evidence.fault is Reason.PROBE_OUT_OF_RANGE and _burns(memory, temp_c):
        return record(Reason.TOO_HOT, heat=False, limit_c=TOO_HOT_C)
    if evidence.fault is not None:
        return record(evidence.fault, heat=True)
    if temp_c >= TOO_HOT_C or (memory.reason is Reason.TOO_HOT and temp_c > COOLED_DOWN_C):
        return record(Reason.TOO_HOT, heat=False, limit_c=TOO_HOT_C)
    if not rules.has_strings:
        return record(Reason.NO_STRING, heat=False, limit_c=rules.hold_c)
    if evidence.doubt is not None:
        return record(evidence.doubt, heat=True, age_s=now.mono_s - memory.doubted_s)
    if order is not None and order.order is Order.HAND_ON:
        return record(Reason.HAND_ON, heat=True)
    if order is not None and order.order is Order.HAND_OFF:
        if order.lets_go:
            return record(Reason.LET_GO, heat=False, limit_c=rules.hand_off_floor_c)
        if temp_c > rules.hand_off_floor_c:
            return record(Reason.HAND_OFF, heat=False, limit_c=rules.hand_off_floor_c)
        return record(Reason.HAND_OFF_OVERRULED, heat=True, limit_c=rules.hand_off_floor_c)
    if not temp_c > rules.hold_c:
        return record(Reason.COLD, heat=True, limit_c=rules.hold_c)
    if memory.heating and not temp_c > rules.hold_c + BAND_K:
        return record(Reason.NOT_YET_WARM, heat=True, limit_c=rules.hold_c + BAND_K)
    on_for_s = now.mono_s - memory.changed_s
    if memory.heating and not on_for_s >= MINIMUM_ON_S:
        return record(Reason.MINIMUM_ON_TIME, heat=True, age_s=on_for_s)
    if memory.heating and not switchings < SWITCHINGS_PER_HOUR - 1:
        return record(Reason.SWITCHED_OFTEN, heat=True)
    fault = None if ask is None else _fault_of(ask, rules.hold_c)
    if ask is not None and fault is None and not temp_c > ask.floor_c:
        return record(Reason.PLANNED, heat=True, limit_c=ask.floor_c)
    if neighbour:
        return record(Reason.NEIGHBOUR_IN_DANGER, heat=True, limit_c=rules.hold_c)
    warmer_c = rules.hold_c + LOST_K + (BAND_K if memory.heating else 0.0)
    if unwarmed and not temp_c > warmer_c:
        return record(Reason.HEAT_WITHOUT_EFFECT, heat=True, limit_c=warmer_c)
    if ask is not None and fault is not None:
        return record(fault, heat=False, limit_c=rules.hold_c, age_s=ask.age_s)
    return record(Reason.WARM_ENOUGH, heat=False, limit_c=rules.hold_c)


def _burns(memory: TreeMemory, temp_c: float) -> bool:
    """Tell whether a probe that read too hot now reads hotter than a probe here can see: no broken wire."""
    return memory.reason is Reason.TOO_HOT and temp_c > HIGHEST_TEMP_C


def _fault_of(ask: Ask, hold_c: float) -> Reason | None:
    """Return why what a plan asks is not heeded; each test asks for what makes it good, so NaN fails it."""
    if not 0.0 <= ask.age_s <= OLDEST_S:
        return Reason.PLAN_OLD
    if not hold_c < ask.floor_c <= hold_c + LARGEST_LIFT_K:
        return Reason.PLAN_ABSURD
    return None
