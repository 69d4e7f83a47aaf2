"""The keeper: the pure loop at the heart of Rimeward.

    handle(state, event, now) -> (state, actions)

Events are what came in: a probe's reading, a board's echo, a person's order, a forecast's outlook, or simply
that time passed (``Tick``, every 10 s).  Actions are what shall be done: give a lease, publish a decision,
answer a person.  The keeper does no I/O and owns no clock; the daemon and the simulator differ only in who
supplies events and ``now``.

On every tick each tree and each vent goes through its ladder of rules (``guard.tree``, ``guard.vent``), and
each board is given a lease if one is due (``guard.lease``).  Every decision is a record; it is handed out
when it changes, and every 15 minutes while it stands.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import assert_never

from controller.guard import circuits as cir
from controller.guard import evidence as ev
from controller.guard import witness as wit
from controller.guard.confirm import Confirmation, Known, done, take_word
from controller.guard.cooling import of_cooling
from controller.guard.decision import BAD_INPUT, Decision, Reason
from controller.guard.events import (
    Action,
    BoardGone,
    BusUp,
    ClearLease,
    Confirmed,
    Decide,
    EchoHeard,
    Event,
    Found,
    GiveLease,
    HandOrdered,
    HouseKnown,
    LeaseHeard,
    Noted,
    OutlookMade,
    PlanMade,
    PowerHeard,
    ProbeHeard,
    Reply,
    Tick,
)
from controller.guard.finding import Finding
from controller.guard.hand import HandOrder, Order, Orders, take
from controller.guard.lease import forgotten, grant, heard
from controller.guard.look import (
    loses_fruit,
    near_frost,
    of_boards,
    of_doubts,
    of_orders,
    of_probes,
    of_trees,
    suspects_in,
)
from controller.guard.now import Now
from controller.guard.overheard import of_strangers, weigh
from controller.guard.reading import reborn, remember
from controller.guard.state import State, changed
from controller.guard.survey import SURVEY_S, Sky, of_survey, survey
from controller.guard.tree import BAND_K, DOUBT_S, TreeRules, decide_tree, held_by_plan
from controller.guard.vent import HouseSeen, VentMemory, decide_vent
from controller.guard.warming import of_warming
from controller.site.work import Work

# A decision that stands is handed out again after this long, so that the journal shows it still stood.
REPEAT_S = 900.0
# How often the guard looks for what is wrong [s]; people act in minutes.
LOOK_S = 30.0
# The source of the guard's own findings; others name themselves in ``Found``.
GUARD = "guard"


def handle(state: State, event: Event, now: Now) -> tuple[State, tuple[Action, ...]]:
    """Return the state after an event and what shall be done about it."""
    match event:
        case ProbeHeard():
            return _hear_probe(state, event, now), ()
        case EchoHeard():
            return _hear_echo(state, event, now), ()
        case LeaseHeard():
            return _hear_lease(state, event, now)
        case Tick():
            return _tick(state, now)
        case PowerHeard(circuit=circuit, power_w=power_w):
            if (circuit_memory := state.circuits.get(circuit)) is None:
                return state, ()
            heard_of = cir.hear(circuit_memory, power_w, now)
            return changed(state, circuits={**state.circuits, circuit: heard_of}), ()
        case BoardGone():
            return _forget_board(state, event.board), ()
        case HandOrdered() | Confirmed():
            return _hear_person(state, event, now)
        case OutlookMade(outlook=outlook):
            return changed(state, outlook=outlook), ()
        case PlanMade(plan=plan):
            return changed(state, plan=plan, plan_came_s=now.mono_s), ()
        case HouseKnown(parameters=parameters, noise=noise, weather=weather):
            return changed(state, witness=wit.told(state.witness, parameters, noise, weather)), ()
        case BusUp():
            fresh = {name: replace(m, sent_s=-math.inf) for name, m in state.boards.items()}
            return changed(state, boards=fresh), ()
        case Found(source=source, findings=findings):
            all_findings = {**state.findings, source: findings}
            return changed(state, findings=all_findings, suspects=suspects_in(all_findings)), ()
        case _:
            assert_never(event)


def _hear_probe(state: State, event: ProbeHeard, now: Now) -> State:
    if event.probe not in state.rules.periods_s:
        return state
    temp_c = event.temp_c + state.rules.offsets_k[event.probe]
    before = state.probes.get(event.probe)
    memory = remember(before, temp_c, event.at, state.latest_c, now, event.rh_pct, event.temp_c)
    if memory is before:
        return state
    return changed(
        state,
        probes={**state.probes, event.probe: memory},
        latest_c={**state.latest_c, event.probe: memory.temp_c},
    )


def _hear_echo(state: State, event: EchoHeard, now: Now) -> State:
    memory = state.boards.get(event.board)
    if memory is None:
        return state
    echoed_seq = event.seq if event.session == state.session else 0
    witness = state.witness
    if memory.on and memory.boot == event.boot:
        span_s = now.mono_s - memory.heard_s
        witness = wit.heated(witness, state.rules.witness, event.board, memory.on, span_s)
    probes = state.probes
    if memory.boot and memory.boot != event.boot:  # its probes start with it
        near = state.rules.board_probes[event.board]
        probes = {name: reborn(each) if name in near else each for name, each in probes.items()}
    memory = heard(memory, event.boot, event.on, event.uptime_s, echoed_seq, now)
    return changed(state, probes=probes, boards={**state.boards, event.board: memory}, witness=witness)


def _hear_lease(state: State, event: LeaseHeard, now: Now) -> tuple[State, tuple[Action, ...]]:
    if (before := state.overheard.get(event.board)) is None:
        return state, ()
    heard_of = weigh(before, state.session, event.session, event.seq, now, retained=event.retained)
    cleared = (ClearLease(board=event.board),) if event.retained else ()
    return changed(state, overheard={**state.overheard, event.board: heard_of}), cleared


def _forget_board(state: State, board: str) -> State:
    memory = state.boards.get(board)
    if memory is None:
        return state
    return changed(state, boards={**state.boards, board: forgotten(memory)})


def _hear_person(state: State, event: HandOrdered | Confirmed, now: Now) -> tuple[State, tuple[Action, ...]]:
    if isinstance(event, HandOrdered):
        return _take_order(state, event.order, now)
    return _take_word(state, event.confirmation, now)


def _take_order(state: State, order: HandOrder, now: Now) -> tuple[State, tuple[Action, ...]]:
    known = {
        "tree": frozenset(state.trees),
        "vent": frozenset(state.vents),
        "all": frozenset[str](),
    }[order.target_kind]
    before = Orders(standing=state.orders, latest=state.latest_order, before=state.orders_before)
    orders, answer = take(before, order, known, now)
    if not answer.accepted:
        return state, (Reply(answer=answer, order=order),)
    after = changed(state, orders=orders.standing, latest_order=orders.latest, orders_before=orders.before)
    return after, (Reply(answer=answer, order=order),)


def _take_word(state: State, confirmation: Confirmation, now: Now) -> tuple[State, tuple[Action, ...]]:
    known = Known(
        trees=frozenset(state.trees), vents=frozenset(state.vents), longitude_deg=state.rules.longitude_deg
    )
    words, answer = take_word(confirmation, state.confirmed, known, now)
    return changed(state, confirmed=words), (Noted(answer=answer, confirmation=confirmation),)


def _order_for(state: State, kind: str, name: str, now: Now) -> HandOrder | None:
    for key in ((kind, name), ("all", "all")) if kind == "tree" else ((kind, name),):
        standing = state.orders.get(key)
        if standing is not None and now.mono_s < standing.ends_s:
            return None if standing.order.order is Order.AUTO else standing.order
    return None


def _coldest(judged: Mapping[str, ev.Evidence], names: tuple[str, ...]) -> ev.Evidence | None:
    if len(names) == 1:  # by far the most frequent case
        return judged[names[0]]
    return ev.coldest([judged[name] for name in names]) if names else None


def _judge(state: State, names: Iterable[str], now: Now) -> dict[str, ev.Evidence]:
    return {name: _judge_one(state, name, now) for name in names}


def _judge_one(state: State, name: str, now: Now) -> ev.Evidence:
    evidence = ev.judge(name, state.probes.get(name), state.rules.periods_s[name], state.latest_c, now)
    return ev.far_off(evidence) if name in state.survey.far_off else evidence


def _surveyed(state: State, now: Now) -> State:
    """Return the state after a look at all probes, when one is due."""
    if not now.mono_s - state.survey.at_s >= SURVEY_S:
        return state
    rules = state.rules
    expected_c, sun_w_m2 = wit.weather_now(state.witness, rules.witness, now)
    seen = survey(
        state.survey,
        rules.measured,
        state.probes,
        _read_c(_judge(state, rules.house_probes, now), rules.house_probes),
        outside_temp_c(state, now),
        Sky(outside_c=expected_c, sun_w_m2=sun_w_m2),
        now,
    )
    return changed(state, survey=seen)


def outside_temp_c(state: State, now: Now) -> float:
    """Return what the outside probe reads [°C]; NaN unless it may be believed now."""
    names = state.rules.outside_probes
    return _read_c(_judge(state, names, now), names)


def _of_tree(judged: Mapping[str, ev.Evidence], names: tuple[str, ...]) -> ev.Evidence:
    evidence = _coldest(judged, names)
    assert evidence is not None, "a tree has at least one probe"  # noqa: S101 (the site model says so)
    return evidence


def _read_c(judged: Mapping[str, ev.Evidence], names: tuple[str, ...]) -> float:
    """Return what the coldest of some probes reads [°C]; NaN where they tell nothing."""
    return _temp_c(_coldest(judged, names))


def _temp_c(evidence: ev.Evidence | None) -> float:
    return evidence.temp_c if evidence is not None and evidence.fault is None else math.nan


def _witness(
    state: State, judged: Mapping[str, ev.Evidence], trees: Mapping[str, ev.Evidence], now: Now
) -> wit.Witness:
    """Return the model witness as of now."""
    rules, boards = state.rules, state.boards
    if not state.witness.is_due(now):
        return state.witness
    is_done = done(state.confirmed, now)
    senses = wit.Senses(
        house_c=_read_c(judged, rules.house_probes),
        outside_c=_read_c(judged, rules.outside_probes),
        trees_c=tuple([_temp_c(evidence) for evidence in trees.values()]),
        vent_m3_s=sum(
            air_m3_s
            for board, vents in rules.witness.vents.items()
            for channel, air_m3_s in vents.items()
            if channel in boards[board].on
        ),
        # as the site file has it, unless somebody says it is off
        fleece_on=tuple([(Work.UNCOVERED, tree) not in is_done for tree in trees]),
    )
    return wit.step(state.witness, rules.witness, senses, now)


def _beside(
    state: State, witness: wit.Witness, evidence: ev.Evidence, number: int, tree: TreeRules, now: Now
) -> ev.Evidence:
    """Return a tree's evidence beside the model witness and what past days say of its probe."""
    # heat begun since its last step is not in the witness's word; a doubt that stands is not ended by it
    doubted_s = state.trees[tree.name].doubted_s
    counted = not witness.joules[number] > 0.0 or doubted_s < math.inf
    word = witness.word(number) if counted else wit.SILENT
    suspect = evidence.probe in state.suspects
    stands = not now.mono_s - doubted_s < DOUBT_S
    return ev.beside(evidence, word, tree.hold_c, suspect=suspect, stands=stands)


def _endangered(state: State) -> str:
    """Return a tree that by the last decisions loses fruit with its own heat on; empty if none does."""
    for tree in state.rules.trees:
        decision = state.heat.get(tree.name)
        if decision is None or not decision.active:
            continue
        # those that heat for it already go on until it is out of danger by the band
        if loses_fruit(tree, decision) or (
            loses_fruit(tree, decision, BAND_K)
            and any(
                each.who == tree.name and each.reason is Reason.NEIGHBOUR_IN_DANGER
                for each in state.heat.values()
            )
        ):
            return tree.name
    return ""


_WARMED_EARLY = frozenset({Reason.PLANNED, Reason.NEIGHBOUR_IN_DANGER, Reason.HEAT_WITHOUT_EFFECT})
_NO_HOUSE_PROBE = ev.Evidence(probe="house probe", temp_c=math.nan, fault=Reason.PROBE_MISSING)


def _tick(state: State, now: Now) -> tuple[State, tuple[Action, ...]]:
    rules, state = state.rules, _surveyed(state, now)
    heard_boards = {board.name for board in rules.boards if state.boards[board.name].may_rest(board, now)}
    judged = _judge(state, rules.periods_s, now)
    evidence_of = {tree.name: _of_tree(judged, rules.tree_probes[tree.name]) for tree in rules.trees}
    witness = _witness(state, judged, evidence_of, now)
    trees, heat, begun, endangered = {}, {}, False, _endangered(state)
    unwarmed = next((name for name, taken in state.warming.items() if taken.fell is not None), "")
    for number, usual in enumerate(rules.trees):
        tree = usual
        if state.plan is not None and usual.hold_range_c is not None:
            tree = held_by_plan(usual, state.plan.hold_c(usual.name, now.mono_s - state.plan_came_s))
        evidence = _beside(state, witness, evidence_of[tree.name], number, tree, now)
        order = _order_for(state, "tree", tree.name, now) if state.orders else None
        ask = state.plan.ask(tree.name, now.mono_s - state.plan_came_s) if state.plan else None
        rests = not state.trees[tree.name].heating
        neighbour, cooled = endangered, unwarmed
        if begun and rests:  # one tree a tick begins to be warmed early: cold lamps do not all start at once
            ask, neighbour, cooled = None, "", ""
        decision, trees[tree.name] = decide_tree(
            tree, state.trees[tree.name], evidence, order, now, ask, neighbour, cooled
        )
        begun = begun or (rests and decision.reason in _WARMED_EARLY)
        heat[tree.name] = _if_heard(decision, tree, rules.tree_boards[tree.name], heard_boards)
    # heat that a board still reports counts too: a vent waits until the string is really off
    heating = any(decision.active for decision in heat.values()) or any(
        not board.trees.keys().isdisjoint(state.boards[board.name].on) for board in rules.boards
    )
    vents, vent = _decide_vents(state, judged, heat, now, heating=heating)
    actions: list[Action] = []
    boards = dict(state.boards)
    for board in rules.boards:
        lease, boards[board.name] = grant(board, boards[board.name], heat, vent, now)
        if lease is not None:
            actions.append(GiveLease(lease=lease, session=state.session))
    told_s = _tell(state, heat, vent, now, actions)
    new = changed(
        state,
        witness=witness,
        boards=boards,
        overheard=state.overheard,
        trees=trees,
        vents=vents,
        heat=heat,
        vent=vent,
        told_s=told_s,
    )
    return (_look(new, judged, now) if now.mono_s - state.looked_s >= LOOK_S else new), tuple(actions)


def _look(state: State, judged: Mapping[str, ev.Evidence], now: Now) -> State:
    """Return the state with what the guard itself now finds wrong; it changes no decision."""
    rules = state.rules
    lit = frozenset(
        board.trees[channel]
        for board in rules.boards
        for channel in state.boards[board.name].on
        if channel in board.trees
    )
    cold = frozenset(tree.name for tree in rules.trees if near_frost(tree, state.heat))
    surveyed = of_survey(state.survey, rules.measured, judged.values(), now)
    house_c = _read_c(judged, rules.house_probes)
    warmed, warming = of_warming(
        state.warming, state.heat, house_c, now, lit=_wholly_lit(state, now), dark=_undisturbed(state, now)
    )
    boards = of_boards(rules.boards, state.boards, cold, state.heat, now)
    proven = {
        tree: now.utc
        for tree, taken in warming.items()
        if taken.is_proof and not (tree in state.warming and state.warming[tree].is_proof)
    }
    circuits, circuit_memories = _look_at_circuits(state, cold, now)
    lamps, cooling = of_cooling(state.cooling, state.heat, lit, now)
    own = (
        *of_probes(judged.values()),
        *surveyed,
        *(of_doubts(state.trees, now) if state.witness.has_learnt(now) else ()),
        *lamps,
        *boards,
        *of_strangers(state.overheard, now),
        *of_trees(rules.trees, state.heat),
        *warmed,
        *circuits,
        *of_orders(state.orders, now),
    )
    findings = {**state.findings, GUARD: own}
    return changed(
        state,
        findings=findings,
        suspects=suspects_in(findings),
        circuits=circuit_memories,
        warming=warming,
        cooling=cooling,
        proven={**state.proven, **proven},
        looked_s=now.mono_s,
    )


def _wholly_lit(state: State, now: Now) -> dict[str, bool | None]:
    """Return of each tree whether all of its strings are on; None where one of its boards is not heard."""
    on: dict[str, bool | None] = {tree.name: tree.has_strings for tree in state.rules.trees}
    for board in state.rules.boards:
        memory = state.boards[board.name]
        is_heard = memory.is_heard(board, now)
        for channel, tree in board.trees.items():
            on[tree] = None if on[tree] is None or not is_heard else on[tree] and channel in memory.on
    return on


def _undisturbed(state: State, now: Now) -> frozenset[str]:
    """Return the trees that neither the sun nor, by what people say, the taking off of fleece now cools."""
    _, sun_w_m2 = wit.weather_now(state.witness, state.rules.witness, now)
    if not sun_w_m2 <= 0.0:
        return frozenset()
    is_done = done(state.confirmed, now)
    return frozenset(tree.name for tree in state.rules.trees if (Work.UNCOVERED, tree.name) not in is_done)


def _look_at_circuits(
    state: State, cold: frozenset[str], now: Now
) -> tuple[list[Finding], Mapping[str, cir.CircuitMemory]]:
    """Return what meters say is wrong, from what the boards echo and how near frost each tree is."""
    if not state.rules.circuits:
        return [], state.circuits
    on, unknown = set[str](), set[str]()
    for board in state.rules.boards:
        memory = state.boards[board.name]
        names = {f"{board.name}/{channel}": channel for channel in board.trees}
        if memory.is_heard(board, now):
            on |= {name for name, channel in names.items() if channel in memory.on}
        else:
            unknown |= names.keys()
    known = {tree.name for tree in state.rules.trees if not math.isnan(state.heat[tree.name].temp_c)}
    found, memories = list[Finding](), dict(state.circuits)
    for circuit in state.rules.circuits:
        must = {name for name in on & circuit.trees.keys() if circuit.trees[name] in cold & known}
        drawing = cir.Drawing(
            must=frozenset(must), may=frozenset((on | unknown) & circuit.trees.keys()) - must
        )
        wrong, memories[circuit.name] = cir.look_at(circuit, memories[circuit.name], drawing, now)
        found += wrong
    return found, memories


def _decide_vents(
    state: State,
    judged: Mapping[str, ev.Evidence],
    heat: Mapping[str, Decision],
    now: Now,
    *,
    heating: bool,
) -> tuple[Mapping[str, VentMemory], Mapping[str, Decision]]:
    rules = state.rules
    if not rules.vents:
        return {}, {}
    house = _coldest(judged, rules.house_probes) or _NO_HOUSE_PROBE
    outside = _coldest(judged, rules.outside_probes)
    ask = state.plan.ask_vents(now.mono_s - state.plan_came_s) if state.plan else None
    # what is not known is not hot
    fleece_c = max((each.temp_c for each in heat.values() if each.reason not in BAD_INPUT), default=math.nan)
    seen = HouseSeen(house=house, outside=outside, fleece_c=fleece_c, heating=heating)
    vents, vent = {}, {}
    for each in rules.vents:
        order = _order_for(state, "vent", each.name, now) if state.orders else None
        vent[each.name], vents[each.name] = decide_vent(each, state.vents[each.name], seen, order, now, ask)
    return vents, vent


def _if_heard(
    decision: Decision, tree: TreeRules, boards: tuple[str, ...], heard_boards: set[str]
) -> Decision:
    """Return the decision, or that the tree heats all the same because no board of it can be told to rest."""
    if decision.active or not tree.has_strings or not heard_boards.isdisjoint(boards):
        return decision
    return replace(
        decision, active=True, reason=Reason.BOARD_SILENT, board=", ".join(boards), rest="the tree is heated"
    )


def _tell(
    state: State,
    heat: Mapping[str, Decision],
    vent: Mapping[str, Decision],
    now: Now,
    actions: list[Action],
) -> Mapping[str, float]:
    """Add the decisions that are news to the actions, and return when each was last told."""
    told_s: dict[str, float] | None = None
    for decisions, before in ((heat, state.heat), (vent, state.vent)):
        for name, decision in decisions.items():
            last = before.get(name)
            is_news = last is None or last.reason is not decision.reason or last.active != decision.active
            key = f"{decision.kind}/{name}"
            if is_news or now.mono_s - state.told_s[key] >= REPEAT_S:
                actions.append(Decide(decision=decision, changed=is_news))
                told_s = told_s if told_s is not None else dict(state.told_s)
                told_s[key] = now.mono_s
    return state.told_s if told_s is None else told_s
