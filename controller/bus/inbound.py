"""From messages to the keeper's events.  Whatever is not sound is counted and named, never passed on."""

import math
from collections import Counter

from controller.bus.layouts import read_probe
from controller.bus.messages import (
    AlivePayload,
    EchoPayload,
    HandPayload,
    read,
)
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import MessageError
from controller.guard.hand import HandOrder, Order
from controller.keeper import BoardGone, EchoHeard, Event, HandOrdered, ProbeHeard
from controller.site.model import Site


class Inbound:
    """Translates one site's messages.

    ``refused`` counts what was not passed on, by topic, and ``last_refusal`` says why for the latest.
    """

    def __init__(self, site: Site) -> None:
        topics = Topics(site.name)
        self._probes = {probe.topic or topics.probe(probe.name): probe for probe in site.probes}
        self._echoes = {topics.echo(board.name): board.name for board in site.boards}
        self._boards = {topics.alive(board.name): board.name for board in site.boards}
        self._hand = topics.hand("")
        self.refused: Counter[str] = Counter()
        self.last_refusal = ""

    def is_for_controller(self, topic: str) -> bool:
        """Tell whether a message on this topic can mean anything to the controller."""
        return (
            topic in self._probes
            or topic in self._echoes
            or topic in self._boards
            or topic.startswith(self._hand)
        )

    def event(self, message: Message) -> Event | None:
        """Return the event a message stands for, or None."""
        if message.retained:  # an old word, delivered on subscribing: no evidence for anything
            return None
        try:
            return self._event(message.topic, message.payload)
        except MessageError as error:
            self.refused[message.topic] += 1
            self.last_refusal = f"{message.topic}: {error}"
            return None

    def _event(self, topic: str, payload: bytes) -> Event | None:
        if probe := self._probes.get(topic):
            reading = read_probe(payload, probe.pointer)
            temp_c = math.nan if reading.temp_c is None else reading.temp_c
            return ProbeHeard(probe=probe.name, temp_c=temp_c, at=reading.at)
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
        if board := self._boards.get(topic):
            return None if read(AlivePayload, payload).alive else BoardGone(board=board)
        if topic.startswith(self._hand):
            return HandOrdered(order=_order(topic.removeprefix(self._hand), payload))
        return None


def _order(order_id: str, payload: bytes) -> HandOrder:
    hand = read(HandPayload, payload)
    targets = [("tree", hand.tree), ("vent", hand.vent), ("all", "all" if hand.all else None)]
    named = [(kind, name) for kind, name in targets if name is not None]
    if len(named) != 1:
        raise MessageError("an order is for one of tree, vent or all")
    kind, name = named[0]
    return HandOrder(
        id=order_id[:64],
        who=hand.who,
        target_kind=kind,  # type: ignore[arg-type]  # the three literals stand above
        target=name,
        order=Order(hand.order),
        until=hand.until,
        version=hand.version,
    )
