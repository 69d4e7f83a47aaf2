"""A relay board that knows only texts: it does what it last heard, retained or not, and keeps it for ever."""

from controller.bus.board import Refusal
from controller.bus.transport import Message
from controller.site.model import Channel
from simulator.boards import SimBoard


class SimPlainBoard(SimBoard):
    """One such board; coils dead at its start, then as each channel's last text says."""

    def _start(self, reason: str) -> None:
        self._boot, self._reason, self._born = self._rng.bytes(6).hex(), reason, False
        channels = [c for c in self._described.channels if c.id in {*self.heaters, *self.vents}]
        self._contract = LastTexts(channels, frozenset(self.heaters))  # type: ignore[assignment]  # as one
        self.on = self._contract.outputs(self._mono_s)
        self._echoed_s = self._read_s = float("-inf")
        topics = tuple(c.plain.topic for c in channels if c.plain is not None)
        self._transport = self._connect(self.name, topics, self._hear, None, on_up=self._rise)

    @property
    def energised(self) -> frozenset[str]:
        """The channels whose coils are energised."""
        texts: LastTexts = self._contract  # type: ignore[assignment]  # made in ``_start``
        return frozenset(texts.energised) if self.powered else frozenset()

    def _rise(self) -> None:
        """Say nothing: it knows neither birth nor will."""

    def _echo(self) -> None:
        self._echoed_s = self._mono_s
        self.on = self._contract.outputs(self._mono_s)
        for topic, text in self._contract.echoes():  # type: ignore[attr-defined]
            self._send(topic, text)


class LastTexts:
    """The state of its coils."""

    boot = ""

    def __init__(self, channels: list[Channel], heaters: frozenset[str]) -> None:
        self._plain = [(c, c.plain) for c in channels if c.plain is not None]
        self._heaters = heaters
        self.energised: set[str] = set()

    def hear(self, message: Message, _mono_s: float) -> Refusal | None:
        """Obey a text; a retained one looks to it like any other."""
        for channel, texts in self._plain:
            if texts.topic != message.topic:
                continue
            if message.payload == texts.energise.encode():
                self.energised.add(channel.id)
                return None
            if message.payload == texts.release.encode():
                self.energised.discard(channel.id)
                return None
        return Refusal.GARBLED

    def outputs(self, _mono_s: float) -> tuple[str, ...]:
        """Return what is on: heaters that heat, vents away from their rest."""
        return tuple(channel.id for channel, _ in self._plain if self._is_on(channel))

    def _is_on(self, channel: Channel) -> bool:
        released_is_on = channel.id in self._heaters and channel.contact == "resting"
        return (channel.id in self.energised) != released_is_on

    def echoes(self, *, released: bool = False) -> list[tuple[str, bytes]]:
        """Return what it says of its coils, where it says anything; or what it says of dead ones."""
        said = []
        for channel, texts in self._plain:
            if texts.echo_topic is not None:
                energised = channel.id in self.energised and not released
                text = texts.echo_energised or texts.energise
                text = text if energised else texts.echo_released or texts.release
                said.append((texts.echo_topic, text.encode()))
        return said
