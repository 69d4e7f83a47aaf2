"""From the keeper's actions and state to messages."""

import math
from collections.abc import Mapping
from datetime import timedelta

from controller.bus.messages import (
    AdviceStatus,
    AlarmStatus,
    AnswerPayload,
    BoardStatus,
    ComingStatus,
    ConfirmedStatus,
    DecisionPayload,
    LeasePayload,
    OutputStatus,
    StandingStatus,
    StatusPayload,
)
from controller.bus.topics import Topics
from controller.bus.transport import Transport
from controller.crop.limits import HAND_OFF_MARGIN_K
from controller.guard.confirm import done, standing_words
from controller.guard.decision import Decision
from controller.guard.events import Action, ClearLease, Decide, GiveLease, Noted, Reply
from controller.guard.hand import Order
from controller.guard.now import Now
from controller.guard.state import State
from controller.guard.tree import TreeRules
from controller.plan.advice import Advice
from controller.plan.outlook import Outlook
from controller.site.work import Done


def send(action: Action, topics: Topics, transport: Transport) -> None:
    """Carry out an action as far as the bus is concerned."""
    match action:
        case GiveLease(lease=lease, session=session):
            payload = LeasePayload(
                session=session,
                boot=lease.boot,
                seq=lease.seq,
                ttl_s=lease.ttl_s,
                off=lease.off,
                vent=lease.vent,
                echo_uptime_s=lease.echo_uptime_s,
            )
            transport.publish(topics.lease(lease.board), payload.to_json(), expiry_s=lease.ttl_s)
        case ClearLease(board=board):
            transport.publish(topics.lease(board), b"", retain=True)
        case Decide(decision=decision):
            transport.publish(topics.decision(decision.name), _decision(decision).to_json())
        case Reply() | Noted():
            transport.publish(topics.answer(action.answer.id), answer_payload(action).to_json())


def answer_payload(action: Reply | Noted) -> AnswerPayload:
    """Return the answer to a person's order or word."""
    answer = action.answer
    return AnswerPayload(order=answer.id, accepted=answer.accepted, because=answer.because)


def _decision(decision: Decision) -> DecisionPayload:
    return DecisionPayload(
        kind=decision.kind,
        name=decision.name,
        at=decision.at,
        active=decision.active,
        reason=str(decision.reason),
        because=decision.because,
        temp_c=_or_none(decision.temp_c),
        limit_c=_or_none(decision.limit_c),
    )


_NO_FRUIT: Mapping[str, float] = {}


def status_of(
    state: State,
    now: Now,
    *,
    fruit_c: Mapping[str, float] = _NO_FRUIT,
    notices: tuple[str, ...] = (),
    advice: tuple[Advice, ...] = (),
    alarms: tuple[AlarmStatus, ...] = (),
    alarms_more: int = 0,
) -> StatusPayload:
    """Return the controller's whole picture.

    Parameters
    ----------
    state
        What the keeper knows.
    now
        The present.
    fruit_c
        What the fruit of each tree is thought to have [°C].
    notices
        The shell's troubles in plain words.
    advice
        What hands should do; what somebody has said was done since is left out.
    alarms, alarms_more
        The alarms that stand, the worst first, and how many more there are.
    """
    on = {f"{name}/{channel}" for name, board in state.boards.items() for channel in board.on}
    trees = {tree.name: tree for tree in state.rules.trees}
    outputs = []
    for decision in (*state.heat.values(), *state.vent.values()):
        channels = _channels_of(state, decision)
        outputs.append(
            OutputStatus(
                kind=decision.kind,
                name=decision.name,
                active=decision.active,
                echoed_on=sum(channel in on for channel in channels),
                channels=len(channels),
                reason=str(decision.reason),
                because=decision.because,
                temp_c=_or_none(decision.temp_c),
                limit_c=_or_none(decision.limit_c),
                **(_of_tree(trees[decision.name], fruit_c) if decision.kind == "tree" else {}),
            )
        )
    boards = [
        BoardStatus(
            name=rules.name,
            heard=state.boards[rules.name].is_heard(rules, now),
            confirmed=state.boards[rules.name].is_confirmed(now),
            heard_ago_s=_or_none(now.mono_s - state.boards[rules.name].heard_s),
        )
        for rules in state.rules.boards
    ]
    return StatusPayload(
        at=now.utc,
        session=state.session,
        outputs=tuple(outputs),
        boards=tuple(boards),
        probes_c={name: c for name, c in state.latest_c.items() if math.isfinite(c)},
        outlook=state.outlook.sentence if state.outlook else "no forecast: the guard works from probes alone",
        notices=notices if state.plan is None or not state.plan.is_short else (*notices, state.plan.sentence),
        coming=_coming(state.outlook) if state.outlook else None,
        orders=tuple(
            StandingStatus(
                kind=order.target_kind,
                name=order.target,
                order="hand-on" if order.order is Order.HAND_ON else "hand-off",
                who=order.who,
                ends_at=now.utc + timedelta(seconds=standing.ends_s - now.mono_s),
                version=order.version,
                lets_go=order.lets_go,
            )
            for standing in state.orders.values()
            if (order := standing.order).order is not Order.AUTO and now.mono_s < standing.ends_s
        ),
        versions={
            f"{kind}/{name}": standing.order.version
            for (kind, name), standing in state.orders.items()
            if standing.order.version
        },
        confirmed=_confirmed(state, now),
        advice=_advice(advice, done(state.confirmed, now)),
        alarms=alarms,
        alarms_more=alarms_more,
    )


def _confirmed(state: State, now: Now) -> tuple[ConfirmedStatus, ...]:
    return tuple(
        ConfirmedStatus.model_validate(
            {
                "id": (said := word.confirmation).id,
                "what": str(said.what),
                "kind": "tree" if about != "vents" else said.target_kind,
                "name": name,
                "who": said.who,
                "at": said.at,
                "ends_at": now.utc + timedelta(seconds=word.ends_s - now.mono_s)
                if math.isfinite(word.ends_s)
                else None,
            }
        )
        for (about, name), word in standing_words(state.confirmed, now).items()
    )


def _advice(advice: tuple[Advice, ...], work: Done) -> tuple[AdviceStatus, ...]:
    return tuple(
        AdviceStatus.model_validate(
            {
                "task": str(left.task),
                "by": left.by,
                "what": left.what,
                "because": left.because,
                "names": left.names,
                "every_tree": left.every_tree,
                "until": None if left.until is None else str(left.until),
            }
        )
        for each in advice
        if (left := each.remaining(work)) is not None
    )


def _of_tree(tree: TreeRules, fruit_c: Mapping[str, float]) -> dict[str, float | None]:
    return {
        "fruit_c": _or_none(fruit_c.get(tree.name, math.nan)),
        "hold_c": tree.hold_c,
        "damage_c": round(tree.hand_off_floor_c - HAND_OFF_MARGIN_K, 3),
        "hand_off_floor_c": round(tree.hand_off_floor_c, 3),
    }


def _coming(outlook: Outlook) -> ComingStatus:
    heated = [tree for tree in outlook.trees if tree.heat_from is not None]
    hours = outlook.hours
    series = {} if hours is None else {name: getattr(hours, name) for name in hours.__dataclass_fields__}
    return ComingStatus(
        made_at=outlook.made_at,
        source=outlook.source,
        attribution=outlook.attribution,
        remark=outlook.remark,
        outside_min_c=round(outlook.outside_min_c, 2),
        outside_min_at=outlook.outside_min_at,
        heat_from=min((tree.heat_from for tree in heated if tree.heat_from), default=None),
        heat_until=max((tree.heat_until for tree in heated if tree.heat_until), default=None),
        trees_heated=tuple(tree.name for tree in heated),
        trees_short=tuple(tree.name for tree in outlook.trees if tree.short_of_heat),
        free_air_min_c={tree.name: round(tree.free_air_min_c, 1) for tree in outlook.trees},
        loss_share=_known({tree.name: tree.loss_share for tree in outlook.trees}),
        free_loss_share=_known({tree.name: tree.free_loss_share for tree in outlook.trees}),
        energy_kwh=round(outlook.energy_kwh, 3),
        cost=round(outlook.cost, 4),
        currency=outlook.currency,
        **{"starts_at": outlook.made_at, **series},
    )


def _known(shares: Mapping[str, float]) -> dict[str, float]:
    return {name: round(share, 4) for name, share in shares.items() if math.isfinite(share)}


def _channels_of(state: State, decision: Decision) -> list[str]:
    return [
        f"{board.name}/{channel}"
        for board in state.rules.boards
        for channel, name in (board.trees if decision.kind == "tree" else board.vents).items()
        if name == decision.name
    ]


def _or_none(number: float) -> float | None:
    return round(number, 3) if math.isfinite(number) else None
