"""Boards that do not keep the contract, or not what their makers say, for the wiring test to find."""

import math
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Any

from controller.bus.board import BoardContract, Refusal
from controller.bus.messages import LeasePayload
from controller.bus.transport import Connect, Listener, Message, Transport
from controller.site.model import Board, Probe, Site
from simulator.boards import SimBoard
from simulator.plain_board import LastTexts, SimPlainBoard
from simulator.probes import SimProbe
from simulator.wires import BoardManner

# A plain board that rests when it is cut off finds out after this long: one and a half of its keepalives [s].
FINDS_OUT_S = 45.0


class _Silence:
    """A connection that carries nothing."""

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: float | None = None
    ) -> None:
        """Send nothing."""


class _Contract(BoardContract):
    """The contract, broken as a manner says."""

    manner: BoardManner

    def _refusal(self, lease: LeasePayload, mono_s: float) -> Refusal | None:
        refusal = super()._refusal(lease, mono_s)
        forgiven = {Refusal.OTHER_BOOT: self.manner.any_boot, Refusal.OLD_SEQUENCE: self.manner.any_sequence}
        return None if refusal is not None and forgiven.get(refusal, False) else refusal

    def _obey(self, lease: LeasePayload, mono_s: float) -> None:
        super()._obey(lease, mono_s)
        self._expires_s = mono_s + lease.ttl_s * self.manner.ttl_factor

    def rest_from_start(self) -> None:
        """Begin with every heater off, as a board that restores its last state does."""
        self._expires_s = math.inf
        self._off_from_s = dict.fromkeys(self.heaters, -math.inf)


class WiredBoard(SimBoard):
    """A board with a manner of its own."""

    def __init__(
        self,
        board: Board,
        site: Site,
        probes: Sequence[tuple[Probe, SimProbe]],
        seed: int,
        connect: Connect,
        manner: BoardManner,
    ) -> None:
        self.manner = manner
        self._late: dict[str, float] = {}
        self._kept_boot = ""
        self._said_s = -math.inf
        self._started_at_s = 0.0
        super().__init__(board, site, probes, seed, self._through(connect))

    def tick(self, mono_s: float, at: datetime) -> None:
        """Move on; restart every so often if that is its manner."""
        self._mono_s = mono_s
        if self.powered and 0 < self.manner.restarts_every_s <= mono_s - self._started_at_s:
            self.reboot("brown-out")
        super().tick(mono_s, at + timedelta(seconds=self.manner.clock_s))
        self._hold_back()

    def _hold_back(self) -> None:
        """Keep heaters off for a while that should come on."""
        if not self.manner.on_delay_s or not self.powered:
            return
        truly = self._contract.outputs(self._mono_s)
        for name in self.heaters:
            if name not in truly:
                self._late.pop(name, None)
                self._was_off.add(name)
            elif name in self._was_off:
                self._late[name] = self._mono_s + self.manner.on_delay_s
                self._was_off.discard(name)
        on = tuple(name for name in truly if self._mono_s >= self._late.get(name, -math.inf))
        if on != self.on:
            self._echo()

    def _through(self, connect: Connect) -> Connect:
        manner = self.manner

        def connected(
            client: str,
            filters: Sequence[str],
            listener: Listener,
            will: Message | None,
            /,
            *,
            on_up: Callable[[], None],
        ) -> Transport:
            if manner.unheard:
                return _Silence()
            if manner.will_lost and will is not None:
                will = Message(f"{will.topic}-gone", will.payload)
            return connect(manner.client or client, filters, listener, will, on_up=on_up)

        return connected

    def _start(self, reason: str) -> None:
        self._was_off: set[str] = set()
        self._started_at_s = self._mono_s
        self._said_s = -math.inf
        super()._start(reason)
        if self.manner.boot_kept:
            self._boot = self._kept_boot = self._kept_boot or self._boot
        old = self._contract
        self._contract = contract = _Contract(
            old.board,
            old.heaters,
            old.vents,
            self._boot,
            started_s=self._mono_s,
            minimum_on_s=self.manner.minimum_on_s,
            interlocked=self._interlocked,
        )
        contract.manner = self.manner
        if self.manner.starts_off:
            contract.rest_from_start()
        self.on = contract.outputs(self._mono_s)

    def _hear(self, message: Message) -> None:
        if not self.manner.deaf:
            super()._hear(message)

    def _echo(self) -> None:
        if self._mono_s - self._said_s < self.manner.echo_every_s:
            self._echoed_s = self._mono_s
            self.on = self._contract.outputs(self._mono_s)
            return
        self._said_s = self._echoed_s = self._mono_s
        echo = self._contract.echo(self._mono_s, self._at, self._reason)
        self.on = tuple(name for name in echo.on if self._mono_s >= self._late.get(name, -math.inf))
        said = (*self.heaters,) if self.manner.echo_frozen else self.on
        self._transport.publish(self._topics.echo(self.name), echo.model_copy(update={"on": said}).to_json())


class WiredPlainBoard(SimPlainBoard):
    """A board that knows only texts, with a manner of its own."""

    def __init__(
        self,
        board: Board,
        site: Site,
        probes: Sequence[tuple[Probe, SimProbe]],
        seed: int,
        connect: Connect,
        manner: BoardManner,
    ) -> None:
        self.manner = manner
        self._kept: frozenset[str] = frozenset()
        self._cut_s = math.inf
        super().__init__(board, site, probes, seed, connect)

    def tick(self, mono_s: float, at: datetime) -> None:
        """Move on; cut off for long enough, let every coil go dead if that is its manner."""
        rests = self._described.cut_off == "rests" and not self.manner.keeps_last
        if rests and mono_s - self._cut_s >= FINDS_OUT_S:
            self._texts.energised.clear()
        self._kept = self.energised if self.powered else self._kept
        super().tick(mono_s, at)

    def network(self, on: bool) -> None:  # noqa: FBT001 (as one says it)
        """Give or take its network."""
        self._cut_s = math.inf if on else self._mono_s
        line: Any = self._transport
        (line.restore if on else line.cut)()

    def _start(self, reason: str) -> None:
        super()._start(reason)
        if self.manner.starts_off:
            self._texts.energised |= self._kept
            self.on = self._contract.outputs(self._mono_s)

    def _hear(self, message: Message) -> None:
        if not self.manner.deaf and not self.manner.unheard:
            super()._hear(message)

    def _send(self, topic: str, payload: bytes) -> None:
        """Say readings always, echoes as its manner is."""
        echoes = dict(self._texts.echoes(released=True))
        if self.manner.unheard or (self.manner.echo_lost and topic in echoes):
            return
        super()._send(topic, echoes.get(topic, payload) if self.manner.echo_frozen else payload)

    @property
    def _texts(self) -> LastTexts:
        return self._contract  # type: ignore[return-value]  # made in ``_start``
