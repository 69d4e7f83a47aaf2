"""From messages on the bus to the procedure's events."""

import math

from controller.bus.layouts import read_probe
from controller.bus.messages import AlivePayload, EchoPayload, LeasePayload, PowerPayload, read
from controller.bus.plain import echoed_by, plain_boards, said_by
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import MessageError
from controller.site.model import Site
from controller.wiring.loads import loads_of
from controller.wiring.state import Event, Stopped
from controller.wiring.watch import (
    EchoCame,
    GarbledCame,
    PowerCame,
    ReadingCame,
    TextCame,
    TextEchoCame,
    WillCame,
)

CONTROLLER = "controller"


class Hearing:
    """Translates one site's messages for a wiring test with a session of its own."""

    def __init__(self, site: Site, session: str) -> None:
        self._topics = topics = Topics(site.name)
        self._session = session
        self._probes = {probe.topic or topics.probe(probe.name): probe for probe in site.probes}
        self._echoes = {topics.echo(board.name): board.name for board in site.boards}
        self._alive = {topics.alive(board.name): board.name for board in site.boards}
        self._leases = {topics.lease(board.name) for board in site.boards}
        self._circuits = {topics.power(circuit.name): circuit.name for circuit in site.circuits}
        self._texts: dict[str, tuple[str, dict[bytes, bool]]] = {}
        self._text_echoes: dict[str, tuple[str, dict[bytes, bool]]] = {}
        self._know_plain_boards(site)

    @property
    def filters(self) -> tuple[str, ...]:
        """What has to be subscribed to."""
        root = self._topics.root
        branches = tuple(f"{root}/{branch}/+" for branch in ("probe", "power", "echo", "alive", "lease"))
        others = [topic for topic in self._probes if not topic.startswith(f"{root}/probe/")]
        return (*branches, *others, *self._texts, *self._text_echoes)

    def _know_plain_boards(self, site: Site) -> None:
        """Note for each channel of plain boards which text says that it rests, and which that it does not."""
        loads = {load.channel: load for load in loads_of(site)}
        for board in plain_boards(site):
            for channel in board.channels:
                name = f"{board.name}/{channel.id}"
                if channel.plain is None or name not in loads:
                    continue
                heats = loads[name].is_string
                said = said_by(channel, channel.plain, heats=heats)
                echoed = echoed_by(channel, channel.plain, heats=heats)
                self._texts[channel.plain.topic] = (name, {text: on == heats for on, text in said.items()})
                if channel.plain.echo_topic is not None:
                    rests = {text: on == heats for text, on in echoed.items()}
                    self._text_echoes[channel.plain.echo_topic] = (name, rests)

    def event(self, message: Message) -> Event | None:
        """Return the event a message stands for, or None; an old word that the broker kept is none."""
        if message.retained:
            return None
        topic = message.topic
        try:
            return self._event(topic, message.payload)
        except MessageError:
            return GarbledCame(probe=self._probes[topic].name) if topic in self._probes else None

    def _event(self, topic: str, payload: bytes) -> Event | None:
        text = payload.strip()
        if topic in self._texts:
            channel, rests = self._texts[topic]
            return TextCame(channel=channel, rests=rests[text]) if text in rests else None
        if topic in self._text_echoes:
            channel, rests = self._text_echoes[topic]
            return TextEchoCame(channel=channel, rests=rests[text]) if text in rests else None
        if probe := self._probes.get(topic):
            temp_c = read_probe(payload, probe.pointer).temp_c
            if temp_c is None or not math.isfinite(temp_c):
                return GarbledCame(probe=probe.name)
            return ReadingCame(probe=probe.name, temp_c=temp_c)
        if board := self._echoes.get(topic):
            echo = read(EchoPayload, payload)
            return EchoCame(
                board=board,
                boot=echo.boot,
                session=echo.session,
                seq=echo.seq,
                on=echo.on,
                uptime_s=echo.uptime_s,
                at=echo.at,
            )
        if board := self._alive.get(topic):
            return None if read(AlivePayload, payload).alive else WillCame(board=board)
        if circuit := self._circuits.get(topic):
            return PowerCame(circuit=circuit, power_w=read(PowerPayload, payload).power_w)
        if topic in self._leases and read(LeasePayload, payload).session != self._session:
            return Stopped(
                because="another controller gives leases: stop it (the daemon, or another test) first"
            )
        if topic == self._topics.alive(CONTROLLER) and read(AlivePayload, payload).alive:
            return Stopped(because="the controller has started: stop it first, then go on with the test")
        return None
