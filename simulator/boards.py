"""Relay boards that obey the lease contract by their own timers, and send what their probes say."""

import json
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Protocol

from controller.bus.board import BoardContract
from controller.bus.messages import AlivePayload
from controller.bus.topics import Topics
from controller.bus.transport import Listener, Message, Transport
from controller.site.model import Board, Probe, Site
from simulator.probes import SimProbe, generator

# How often the simulated boards read their probes [s], and send their echo at the latest [s].
READING_EVERY_S = 20.0
ECHO_EVERY_S = 30.0


class Connect(Protocol):
    """How a board gets onto the bus, whichever bus it is."""

    def __call__(
        self,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None,
        /,
        *,
        on_up: Callable[[], None],
    ) -> Transport:
        """Return a connection that hears what matches the filters, and calls ``on_up`` whenever it stands."""
        ...


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
            is_due = mono_s - self._echoed_s >= ECHO_EVERY_S
            if is_due or self._contract.outputs(mono_s) != self.on:
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

    # ---- inside -------------------------------------------------------------------------------------

    def _start(self, reason: str) -> None:
        self._boot = self._rng.bytes(6).hex()
        self._contract = BoardContract(
            self.name,
            self.heaters,
            self.vents,
            self._boot,
            started_s=self._mono_s,
            interlocked=self._interlocked,
        )
        self._reason = reason
        self._born = False
        self.on = self._contract.outputs(self._mono_s)
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
            if not self.powered:
                return
            refusal = self._contract.hear(message, self._mono_s)
            if refusal is None:
                self._echo()
            else:
                self.refusals[str(refusal)] = self.refusals.get(str(refusal), 0) + 1

    def _echo(self) -> None:
        self._echoed_s = self._mono_s
        echo = self._contract.echo(self._mono_s, self._at, self._reason)
        self.on = echo.on
        self._transport.publish(self._topics.echo(self.name), echo.to_json())

    def _read(self) -> None:
        self._read_s = self._mono_s
        at = "" if self._at is None else self._at.isoformat()
        for probe, write, topic in self._probes:
            self._transport.publish(topic, write(probe.reading_c(), at))


def _topic(topics: Topics, probe: Probe) -> str:
    return probe.topic or topics.probe(probe.name)


def _payload_writer(probe: Probe) -> Callable[[float, str], bytes]:
    """Return what turns a reading and its time into the payload the site file says the probe sends."""
    tokens = [] if probe.pointer is None else probe.pointer.split("/")[1:]
    if tokens:
        names = [token.replace("~1", "/").replace("~0", "~") for token in tokens]
        begin = "".join(f"{{{json.dumps(name)}:" for name in names)
        end = "}" * len(names)
        return lambda temp_c, _at: f"{begin}{temp_c:.4f}{end}".encode()
    # by hand, because it is written half a million times a winter; the tests read it back by the contract
    return lambda temp_c, at: f'{{"temp_c":{temp_c:.4f},"at":"{at}"}}'.encode()
