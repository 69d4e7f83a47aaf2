"""Boards that know only plain texts on topics of their own, brought under the lease contract.

Such a board keeps its last state for ever, knows no lease and cannot tell an old text from a new one.  So
this side is the board: it hears leases, obeys them by its own timer and echoes, exactly as a board of the
contract does, and says its outputs as texts.  What makes that fail towards heat:

- each channel has a small connection of its own whose will is the text of its rest: for a heater, heat.  When
  this process is killed the broker says it at once; when the machine freezes or its network is cut, after one
  and a half keepalives;
- the texts are said again every 30 s and whenever another text is heard on the topic, so that a board that
  restarted, or heard a stranger, is put right;
- nothing is ever retained, and nothing said during an outage is sent afterwards; what somebody else has
  left retained on the topic is cleared;
- where the board echoes, and its echo is missing or old, this side says no echo either: the guard then
  takes it for silent, gives no lease, and the texts become those of rest.

What nobody can guarantee here: a board that is itself cut off from the broker, or whose broker has died,
keeps its last text.  ``rimeward check`` says so.
"""

import math
from collections import deque
from collections.abc import Callable, Collection, Sequence
from datetime import datetime

from controller.bus.board import BoardContract
from controller.bus.messages import AlivePayload
from controller.bus.stagger import Stagger
from controller.bus.topics import Topics
from controller.bus.transport import Connect, Message, Transport
from controller.site.model import Board, Channel, PlainTexts, Site

SAY_EVERY_S = 30.0
ECHO_EVERY_S = 30.0
# A stranger's text is answered, but not oftener than this, so that two of them cannot fight without end [s].
ANSWER_AFTER_S = 1.0
# An echo older than this many of the board's periods is none.
SILENT_PERIODS = 3.0
# When the board's echo says otherwise for this long, the text is said again [s].
DISAGREES_AFTER_S = 5.0
# A text of ours may come back to us so late [s]; later it is a stranger's.
OWN_ECHO_S = 10.0
# Between one heater's coming on and the next one's [s].
STAGGER_S = 1.0
RESET_REASON = "plain texts"
MOST_WAITING = 100


def said_by(channel: Channel, texts: PlainTexts, *, heats: bool) -> dict[bool, bytes]:
    """Return the text that switches a channel on, and the one that switches it off.

    On is a heater that heats, or a vent away from its rest.
    """
    on_released = heats and channel.contact == "resting"
    return {on_released: texts.release.encode(), not on_released: texts.energise.encode()}


def echoed_by(channel: Channel, texts: PlainTexts, *, heats: bool) -> dict[bytes, bool]:
    """Return what each of a channel's echoes says: whether it is on."""
    on_released = heats and channel.contact == "resting"
    return {
        (texts.echo_released or texts.release).encode(): on_released,
        (texts.echo_energised or texts.energise).encode(): not on_released,
    }


class _Output:
    """One channel: its own connection with its will, what was last said on it and what the board echoed."""

    def __init__(
        self, board: Board, channel: Channel, texts: PlainTexts, *, heats: bool, connect: Connect
    ) -> None:
        self.id, self._texts = channel.id, texts
        self._text_of = said_by(channel, texts, heats=heats)
        self._echo_of = echoed_by(channel, texts, heats=heats)
        self.echoed_on: bool | None = None
        self.echoed_s = -math.inf
        self.strangers = 0
        self._said_s = -math.inf
        self._said: bytes | None = None
        self._said_at_s: dict[bytes, float] = {}
        self._due = True
        # apart, so that a flood of echoes cannot push out the text that caused it
        self._commands: deque[Message] = deque(maxlen=MOST_WAITING)
        self._echoes: deque[Message] = deque(maxlen=1)
        filters = (texts.topic, *([texts.echo_topic] if texts.echo_topic else []))
        self._line = connect(
            f"plain {board.name} {channel.id}",
            filters,
            self._hear,
            Message(texts.topic, self._text_of[heats]),
            on_up=self._say_soon,
        )

    @property
    def is_echoed(self) -> bool:
        """Whether the board echoes this channel at all."""
        return self._texts.echo_topic is not None

    def _say_soon(self) -> None:
        self._due = True

    def _hear(self, message: Message) -> None:
        (self._commands if message.topic == self._texts.topic else self._echoes).append(message)

    def step(self, on: bool, mono_s: float) -> None:  # noqa: FBT001 (as one says it)
        """Take in what was heard and say what is due."""
        while self._commands:
            self._weigh(self._commands.popleft(), self._text_of[on], mono_s)
        while self._echoes:
            self._believe(self._echoes.popleft(), mono_s)
        since_s = mono_s - self._said_s
        answer = self._due and not since_s < ANSWER_AFTER_S
        disagrees = self.is_echoed and self.echoed_on not in {None, on} and not since_s < DISAGREES_AFTER_S
        if self._text_of[on] != self._said or answer or disagrees or not since_s < SAY_EVERY_S:
            self.say(on, mono_s)

    def say(self, on: bool, mono_s: float) -> None:  # noqa: FBT001
        """Say what the channel shall do."""
        self._due, self._said, self._said_s = False, self._text_of[on], mono_s
        self._said_at_s[self._said] = mono_s
        self._line.publish(self._texts.topic, self._said, expiry_s=SAY_EVERY_S)

    def _believe(self, message: Message, mono_s: float) -> None:
        """Take in an echo; one that the broker kept, or with a text that means nothing here, is none."""
        on = None if message.retained else self._echo_of.get(message.payload.strip())
        if on is not None:
            self.echoed_on, self.echoed_s = on, mono_s

    def _weigh(self, message: Message, text: bytes, mono_s: float) -> None:
        """Answer a text that is not ours, and clear what somebody left retained."""
        if message.retained and message.payload:
            self._line.publish(self._texts.topic, b"", retain=True)
        is_ours = mono_s - self._said_at_s.get(message.payload, -math.inf) <= OWN_ECHO_S
        if message.payload and (message.retained or (message.payload != text and not is_ours)):
            self.strangers += 1
            self._due = True

    def close(self) -> None:
        """Leave in good order."""
        _end(self._line, "close")

    def kill(self) -> None:
        """Break off without a goodbye."""
        _end(self._line, "kill")


class PlainBoard:
    """One plain board under the lease contract; the caller brings connections and time.

    Parameters
    ----------
    board, site
        Which board of which site.
    boot
        A name that is new at each start.
    connect
        How to get onto the bus.
    started_s
        Monotonic time of the start [s].
    """

    def __init__(
        self, board: Board, site: Site, boot: str, connect: Connect, *, started_s: float = 0.0
    ) -> None:
        self.name = board.name
        names = {f"{board.name}/{channel.id}": channel.id for channel in board.channels}
        heaters = tuple(names[s.channel] for t in site.trees for s in t.strings if s.channel in names)
        shut = tuple(names[v.channel] for v in site.vents if v.channel in names and v.rest == "shut")
        vents = tuple(names[v.channel] for v in site.vents if v.channel in names)
        self._contract = BoardContract(
            board.name, heaters, vents, boot, started_s=started_s, interlocked=shut
        )
        self._heaters = frozenset(heaters)
        self._stagger = Stagger(STAGGER_S, heaters)
        self._fresh_s = board.reports_at_least_every_s * SILENT_PERIODS
        self._topics = Topics(site.name)
        self._waiting: deque[Message] = deque(maxlen=MOST_WAITING)
        self._echoed_s = -math.inf
        self._echoed_on: tuple[str, ...] | None = None
        self.outputs = tuple(
            _Output(board, c, c.plain, heats=c.id in self._heaters, connect=connect)
            for c in board.channels
            if c.plain is not None and c.id in {*heaters, *vents}
        )
        alive = self._topics.alive(board.name)
        self._birth = Message(alive, AlivePayload(session=boot, alive=True).to_json())
        self._risen = False
        self._line = connect(
            f"plain {board.name}",
            (self._topics.lease(board.name),),
            self._waiting.append,
            Message(alive, AlivePayload(session=boot, alive=False).to_json()),
            on_up=self._rise,
        )

    def tick(self, mono_s: float, at: datetime | None) -> None:
        """Move on to a time: obey what was heard, say what is due."""
        if self._risen:
            self._risen = False
            self._line.publish(self._birth.topic, self._birth.payload)
            self._echoed_s = -math.inf
        obeyed = False
        while self._waiting:
            obeyed |= self._contract.hear(self._waiting.popleft(), mono_s) is None
        wanted = self._contract.outputs(mono_s)
        heating = self._stagger.step([name for name in wanted if name in self._heaters], mono_s)
        on = {*heating, *(name for name in wanted if name not in self._heaters)}
        for output in self.outputs:
            output.step(output.id in on, mono_s)
        self._echo(on, mono_s, at, obeyed=obeyed)

    def _echo(self, on: set[str], mono_s: float, at: datetime | None, *, obeyed: bool) -> None:
        """Echo what the board echoes, or what was said where it does not; nothing while it is silent."""
        if any(output.is_echoed and mono_s - output.echoed_s > self._fresh_s for output in self.outputs):
            return
        seen = tuple(o.id for o in self.outputs if (o.echoed_on if o.is_echoed else o.id in on))
        if obeyed or seen != self._echoed_on or not mono_s - self._echoed_s < ECHO_EVERY_S:
            self._echoed_s, self._echoed_on = mono_s, seen
            echo = self._contract.echo(mono_s, at, RESET_REASON, on=seen)
            self._line.publish(self._topics.echo(self.name), echo.to_json())

    def _rise(self) -> None:
        self._risen = True

    def close(self, mono_s: float) -> None:
        """Say every channel's rest and leave in good order."""
        for output in self.outputs:
            output.say(output.id in self._heaters, mono_s)
            output.close()
        _end(self._line, "close")

    def kill(self) -> None:
        """Break every connection off without a goodbye, so that the broker says the wills."""
        for output in self.outputs:
            output.kill()
        _end(self._line, "kill")


class PlainBoards:
    """Every plain board of a site; one may be cut off, to see that the broker then says its rest.

    Parameters
    ----------
    site, connect
        Whose boards, and how to get onto the bus.
    boot
        Returns a name that is new at each start of a board.
    """

    def __init__(self, site: Site, connect: Connect, boot: Callable[[], str]) -> None:
        self._site, self._connect, self._boot = site, connect, boot
        self._joined: dict[str, PlainBoard] = {}

    @property
    def joined(self) -> Sequence[PlainBoard]:
        """Those that are not cut off."""
        return tuple(self._joined.values())

    def tick(self, mono_s: float, at: datetime | None, cut: Collection[str] = ()) -> None:
        """Move on to a time; those named are broken off, and begin anew once they are named no more."""
        for described in plain_boards(self._site):
            name = described.name
            if name in cut:
                if name in self._joined:
                    self._joined[name].kill()
                    del self._joined[name]
            elif name not in self._joined:
                self._joined[name] = PlainBoard(
                    described, self._site, self._boot(), self._connect, started_s=mono_s
                )
        for board in self.joined:
            board.tick(mono_s, at)

    def close(self, mono_s: float) -> None:
        """Say every channel's rest and leave in good order."""
        for board in self.joined:
            board.close(mono_s)

    def kill(self) -> None:
        """End as a killed process does."""
        for board in self.joined:
            board.kill()


def _end(line: Transport, way: str) -> None:
    """End a connection in one of its ways, if it knows it."""
    ending = getattr(line, way, None)
    if ending is not None:
        ending()


def plain_boards(site: Site) -> Sequence[Board]:
    """Return the boards of a site that know only texts."""
    return [board for board in site.boards if board.is_plain]
