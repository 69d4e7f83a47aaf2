"""From messages to the keeper's events.  Whatever is not sound is told of, never passed on."""

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Literal

from controller.bus.layouts import read_probe
from controller.bus.messages import (
    LONGEST_ID,
    AlivePayload,
    ConfirmPayload,
    EchoPayload,
    HandPayload,
    LeasePayload,
    PowerPayload,
    read,
)
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import MessageError
from controller.guard.confirm import Confirmation
from controller.guard.events import (
    BoardGone,
    Confirmed,
    EchoHeard,
    Event,
    HandOrdered,
    LeaseHeard,
    PowerHeard,
    ProbeHeard,
)
from controller.guard.hand import HandOrder, Order
from controller.site.model import Site
from controller.site.work import Work

Refuse = Callable[[Message, str], None]


class Inbound:
    """Translates one site's messages.

    Parameters
    ----------
    site
        Whose topics it knows.
    refuse
        Called with each message that is not passed on, and with what is wrong with it.
    """

    def __init__(self, site: Site, refuse: Refuse = lambda _message, _because: None) -> None:
        topics = Topics(site.name)
        self._probes = {probe.topic or topics.probe(probe.name): probe for probe in site.probes}
        self._echoes = {topics.echo(board.name): board.name for board in site.boards}
        self._leases = {topics.lease(board.name): board.name for board in site.boards}
        self._boards = {topics.alive(board.name): board.name for board in site.boards}
        self._circuits = {topics.power(circuit.name): circuit.name for circuit in site.circuits}
        self._hand, self._confirm = topics.hand(""), topics.confirm("")
        self._refuse = refuse

    def is_for_controller(self, topic: str) -> bool:
        """Tell whether a message on this topic can mean anything to the controller."""
        return (
            topic in self._probes
            or topic in self._echoes
            or topic in self._leases
            or topic in self._boards
            or topic in self._circuits
            or topic.startswith((self._hand, self._confirm))
        )

    def asked_by(self, topic: str) -> str:
        """Return the id of the order or word that a topic is for, as its answer quotes it, else nothing."""
        for asked in (self._hand, self._confirm):
            if topic.startswith(asked):
                return topic.removeprefix(asked)[:LONGEST_ID]
        return ""

    def event(self, message: Message) -> Event | None:
        """Return the event a message stands for, or None."""
        if board := self._leases.get(message.topic):
            return _lease(board, message)
        if message.retained:  # an old word, delivered on subscribing: no evidence for anything
            return None
        try:
            return self._event(message.topic, message.payload)
        except MessageError as error:
            self._refuse(message, str(error))
            return None

    def _event(self, topic: str, payload: bytes) -> Event | None:
        if probe := self._probes.get(topic):
            reading = read_probe(payload, probe.pointer)
            temp_c = math.nan if reading.temp_c is None else reading.temp_c
            rh_pct = math.nan if reading.rh_pct is None else reading.rh_pct
            return ProbeHeard(probe=probe.name, temp_c=temp_c, at=reading.at, rh_pct=rh_pct)
        if board := self._echoes.get(topic):
            echo = read(EchoPayload, payload)
            return EchoHeard(
                board=board,
                boot=echo.boot,
                session=echo.session,
                seq=echo.seq,
                on=echo.on,
                uptime_s=echo.uptime_s,
            )
        if circuit := self._circuits.get(topic):
            return PowerHeard(circuit=circuit, power_w=read(PowerPayload, payload).power_w)
        if board := self._boards.get(topic):
            return None if read(AlivePayload, payload).alive else BoardGone(board=board)
        if topic.startswith(self._hand):
            return HandOrdered(order=_order(self.asked_by(topic), payload))
        if topic.startswith(self._confirm):
            return Confirmed(confirmation=_confirmation(self.asked_by(topic), payload))
        return None


_Target = tuple[Literal["tree", "vent", "all"], str]
_EVERYTHING: _Target = ("all", "all")
# What is taken back has no end of its own.
_NO_END = datetime.fromtimestamp(0.0, tz=UTC)


def _lease(board: str, message: Message) -> LeaseHeard | None:
    if not message.payload:  # what was kept there is cleared
        return None
    try:
        lease = read(LeasePayload, message.payload)
    except MessageError:
        return LeaseHeard(board=board, retained=message.retained)
    return LeaseHeard(board=board, session=lease.session, seq=lease.seq, retained=message.retained)


def _order(order_id: str, payload: bytes) -> HandOrder:
    hand = read(HandPayload, payload)
    if (hand.of is not None) != (hand.order == "taken-back"):
        raise MessageError("'of' names the order that is taken back, and nothing else has it")
    if hand.until is None and hand.of is None:
        raise MessageError("an order has an end: 'until'")
    kind, name = _target(hand) if hand.of is None else _EVERYTHING
    return HandOrder(
        id=order_id,
        who=hand.who,
        target_kind=kind,
        target=name,
        order=Order(hand.order),
        until=hand.until or _NO_END,
        version=hand.version,
        consent=hand.consent,
        of=hand.of or "",
    )


def _confirmation(word_id: str, payload: bytes) -> Confirmation:
    word = read(ConfirmPayload, payload)
    if (word.of is not None) != (word.what == "taken-back"):
        raise MessageError("'of' names the word that is taken back, and nothing else has it")
    kind, name = _target(word) if word.of is None else _EVERYTHING
    return Confirmation(
        id=word_id,
        who=word.who,
        what=Work(word.what),
        target_kind=kind,
        target=name,
        at=word.at,
        version=word.version,
        of=word.of or "",
    )


def _target(payload: HandPayload | ConfirmPayload) -> _Target:
    """Return what an order or word is for, by its kind and name."""
    match payload.tree, payload.vent, payload.all:
        case str(name), None, None:
            return "tree", name
        case None, str(name), None:
            return "vent", name
        case None, None, True:
            return _EVERYTHING
        case _:
            raise MessageError("an order or word is for one of tree, vent or all")
