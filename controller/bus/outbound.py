"""From the keeper's actions and state to messages."""

import math

from controller.bus.messages import (
    AnswerPayload,
    BoardStatus,
    DecisionPayload,
    LeasePayload,
    OutputStatus,
    StatusPayload,
)
from controller.bus.topics import Topics
from controller.bus.transport import Transport
from controller.guard.decision import Decision
from controller.guard.now import Now
from controller.keeper import Action, Decide, GiveLease, Reply, State


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
        case Decide(decision=decision):
            transport.publish(topics.decision(decision.name), _decision(decision).to_json())
        case Reply(answer=answer, order=order):
            reply = AnswerPayload(order=order.id, accepted=answer.accepted, because=answer.because)
            transport.publish(topics.answer(order.id), reply.to_json())


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


def status_of(state: State, now: Now, *, notices: tuple[str, ...] = ()) -> StatusPayload:
    """Return the controller's whole picture; ``notices`` are the shell's troubles in plain words."""
    on = {f"{name}/{channel}" for name, board in state.boards.items() for channel in board.on}
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
    )


def _channels_of(state: State, decision: Decision) -> list[str]:
    return [
        f"{board.name}/{channel}"
        for board in state.rules.boards
        for channel, name in (board.trees if decision.kind == "tree" else board.vents).items()
        if name == decision.name
    ]


def _or_none(number: float) -> float | None:
    return round(number, 3) if math.isfinite(number) else None
