"""Relay boards that obey the lease contract by their own timers, and send what their probes say."""

import heapq
import json
import math
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Any

from controller.bus.board import BoardContract
from controller.bus.messages import AlivePayload
from controller.bus.topics import Topics
from controller.bus.transport import Connect, Message
from controller.site.model import Board, Probe, Site
from simulator.probes import SimProbe, generator

# How often the simulated boards read their probes [s], and send their echo at the latest [s].
READING_EVERY_S = 20.0
ECHO_EVERY_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A message on its way out of a board; ``after_s`` later than it should."""

    topic: str
    payload: bytes
    after_s: float = 0.0


class SimBoard:
    """One board with its relays and probes.

    It may be spoken to from another thread than the one that moves the world on, as a real broker's client
    does.  Everything it knows of time is what ``tick`` was last told.

    Parameters
    ----------
    board, site : Board, Site
        Which board of which site.
    probes : sequence of (Probe, SimProbe)
        The probes wired to it.
    seed : int
        Decides its boot names.
    connect : Connect
        Called at each start.

    Attributes
    ----------
    on : tuple of str
        The channels that it believes on.
    closed : tuple of str
        Those that truly carry current: the same, unless a relay is broken.
    relays, outgoing, incoming : lists of callables
        What faults make of the channels that are on, of each message it sends, and of each it hears.
    timer : callable
        What its own timer shows at a monotonic time [s].
    """

    def __init__(
        self,
        board: Board,
        site: Site,
        probes: Sequence[tuple[Probe, SimProbe]],
        seed: int,
        connect: Connect,
    ) -> None:
        self.name = board.name
        self._described = board
        channels = {f"{board.name}/{channel.id}": channel.id for channel in board.channels}
        self.heaters = tuple(
            channels[s.channel] for tree in site.trees for s in tree.strings if s.channel in channels
        )
        self.vents = tuple(channels[vent.channel] for vent in site.vents if vent.channel in channels)
        self._interlocked = [
            channels[v.channel] for v in site.vents if v.channel in channels and v.rest == "shut"
        ]
        self.powered = True
        self.refusals: dict[str, int] = {}
        self._topics = Topics(site.name)
        self._probes = [(sim, _payload_writer(probe), _topic(self._topics, probe)) for probe, sim in probes]
        self._connect = connect
        self._rng = generator(seed, f"board {board.name}")
        self.relays: list[Callable[[tuple[str, ...]], tuple[str, ...]]] = []
        self.outgoing: list[Callable[[Sent], Iterable[Sent]]] = []
        self.incoming: list[Callable[[Message], Iterable[Message]]] = []
        self.timer: Callable[[float], float] = _sound_timer
        self._held_up: list[tuple[float, int, Sent]] = []
        self._number = 0
        self._lock = threading.RLock()
        self._mono_s = 0.0
        self._at: datetime | None = None
        with self._lock:  # a connection may stand before it is known here
            self._start("power-on")

    # ---- the board's own life -----------------------------------------------------------------------

    def tick(self, mono_s: float, at: datetime) -> None:
        """Move on to a time: send what is due, and switch what a lease that ran out no longer holds."""
        with self._lock:
            self._mono_s = mono_s
            self._at = at
            if not self.powered:
                return
            while self._held_up and self._held_up[0][0] <= mono_s:
                sent = heapq.heappop(self._held_up)[2]
                self._transport.publish(sent.topic, sent.payload)
            is_due = mono_s - self._echoed_s >= ECHO_EVERY_S
            if is_due or self._contract.outputs(self.timer(mono_s)) != self.on:
                self._echo()
            if self._probes and mono_s - self._read_s >= READING_EVERY_S:
                self._read()

    def power(self, on: bool) -> None:  # noqa: FBT001 (as one says it)
        """Give or take the board's supply; without it heaters rest on (closed) and vents at rest."""
        with self._lock:
            if on and not self.powered:
                self.powered = True
                self._start("power-on")
            elif not on and self.powered:
                self.powered = False
                self.on = self.heaters
                self._hang_up()

    def reboot(self, reason: str = "watchdog") -> None:
        """Start anew: a new boot name, no lease, every heater on."""
        with self._lock:
            if self.powered:
                self._hang_up()
                self._start(reason)

    @property
    def closed(self) -> tuple[str, ...]:
        """The channels whose contacts let current through now."""
        closed = self.on
        for relay in self.relays:
            closed = relay(closed)
        return closed

    @property
    def probe_names(self) -> tuple[str, ...]:
        """The probes wired to it."""
        return tuple(probe.name for probe, _, _ in self._probes)

    @property
    def contract(self) -> BoardContract:
        """The lease contract as it runs on the board."""
        return self._contract

    def hear(self, message: Message) -> None:
        """Take in a message as if the bus had brought it."""
        with self._lock:
            self._obey(message)

    def __getstate__(self) -> dict[str, Any]:
        """Return what makes a copy: everything but the lock."""
        return {name: value for name, value in self.__dict__.items() if name != "_lock"}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._lock = threading.RLock()

    # ---- inside -------------------------------------------------------------------------------------

    def _start(self, reason: str) -> None:
        self._boot = self._rng.bytes(6).hex()
        self._contract = BoardContract(
            self.name,
            self.heaters,
            self.vents,
            self._boot,
            started_s=self.timer(self._mono_s),
            interlocked=self._interlocked,
        )
        self._reason = reason
        self._born = False
        self.on = self._contract.outputs(self.timer(self._mono_s))
        self._echoed_s = self._read_s = float("-inf")
        topic = self._topics.alive(self.name)
        self._transport = self._connect(
            self.name,
            (self._topics.lease(self.name),),
            self._hear,
            Message(topic, AlivePayload(session=self._boot, alive=False).to_json()),
            on_up=self._rise,
        )

    def _rise(self) -> None:
        """Be born on the bus; after a lost connection say at once how things stand."""
        with self._lock:
            if self.powered:
                alive = AlivePayload(session=self._boot, alive=True)
                self._transport.publish(self._topics.alive(self.name), alive.to_json())
                if self._born:
                    self._echo()
                self._born = True

    def _hang_up(self) -> None:
        """Leave the bus as a board does whose supply fails: without a word, so that its will is published."""
        ending: Callable[[], None] | None = getattr(self._transport, "kill", None)
        if ending is not None:
            ending()

    def _hear(self, message: Message) -> None:
        with self._lock:
            heard: Iterable[Message] = (message,)
            for spoiler in self.incoming:
                heard = chain.from_iterable(map(spoiler, heard))
            for each in heard:
                self._obey(each)

    def _obey(self, message: Message) -> None:
        if not self.powered:
            return
        refusal = self._contract.hear(message, self.timer(self._mono_s))
        if refusal is None:
            self._echo()
        else:
            self.refusals[str(refusal)] = self.refusals.get(str(refusal), 0) + 1

    def _echo(self) -> None:
        self._echoed_s = self._mono_s
        echo = self._contract.echo(self.timer(self._mono_s), self._at, self._reason)
        self.on = echo.on
        self._send(self._topics.echo(self.name), echo.to_json())

    def _send(self, topic: str, payload: bytes) -> None:
        if not self.outgoing:
            self._transport.publish(topic, payload)
            return
        sent: Iterable[Sent] = (Sent(topic=topic, payload=payload),)
        for spoiler in self.outgoing:
            sent = chain.from_iterable(map(spoiler, sent))
        for each in sent:
            if each.after_s > 0.0:
                self._number += 1
                heapq.heappush(self._held_up, (self._mono_s + each.after_s, self._number, each))
            else:
                self._transport.publish(each.topic, each.payload)

    def _read(self) -> None:
        self._read_s = self._mono_s
        at = "" if self._at is None else self._at.isoformat()
        for probe, write, topic in self._probes:
            self._send(topic, write(probe.reading_c(), at))


def _sound_timer(mono_s: float) -> float:
    return mono_s


def _number(temp_c: float) -> str:
    """Return a reading as JSON; what is no number is null."""
    return f"{temp_c:.4f}" if math.isfinite(temp_c) else "null"


def _topic(topics: Topics, probe: Probe) -> str:
    return probe.topic or topics.probe(probe.name)


def _payload_writer(probe: Probe) -> Callable[[float, str], bytes]:
    """Return what turns a reading and its time into the payload the site file says the probe sends."""
    tokens = [] if probe.pointer is None else probe.pointer.split("/")[1:]
    if tokens:
        names = [token.replace("~1", "/").replace("~0", "~") for token in tokens]
        begin = "".join(f"{{{json.dumps(name)}:" for name in names)
        end = "}" * len(names)
        return lambda temp_c, _at: f"{begin}{_number(temp_c)}{end}".encode()
    # by hand, because it is written half a million times a winter; the tests read it back by the contract
    return lambda temp_c, at: f'{{"temp_c":{_number(temp_c)},"at":"{at}"}}'.encode()
