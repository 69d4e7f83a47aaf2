"""The conformance cases on a real board: a client of the site's broker, real time, and a person's hands."""

import math
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from controller.board.conform import Can, all_cases, run_case
from controller.bus.messages import AlivePayload, EchoPayload, LeasePayload, read
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.clock import SystemClock
from controller.errors import ConformityError, MessageError
from controller.plain_boards import PlainThread
from controller.site.model import Board, Site

# Leases of a living controller come every 60 s, echoes every 30 s; longer waits are for people's hands.
CONTROLLER_SHOWS_WITHIN_S = 65.0
HANDS_WITHIN_S = 600.0
SLACK_S = 3.0


class LiveBench:
    """A board of a site, on the site's own broker.

    Parameters
    ----------
    site, board
        Which board of which site.
    say
        Where lines for people go.
    ask
        Called with what a person shall do now; returns when it is done.  None if nobody is there.
    """

    slack_s = SLACK_S

    def __init__(
        self, site: Site, board: Board, say: Callable[[str], None], ask: Callable[[str], None] | None
    ) -> None:
        names = {f"{board.name}/{channel.id}": channel.id for channel in board.channels}
        self.heaters = tuple(names[s.channel] for t in site.trees for s in t.strings if s.channel in names)
        self.vents = tuple(names[vent.channel] for vent in site.vents if vent.channel in names)
        # under a board that knows only texts lies our own side of the contract, which no hands can reach
        self.can = frozenset() if ask is None or board.is_plain else frozenset({Can.RESTART, Can.CUT})
        self._say, self._ask = say, ask
        self._name, self._topics = board.name, Topics(site.name)
        self._echoes: list[EchoPayload] = []
        self._alives: list[AlivePayload] = []
        self._kept: list[str] = []
        self._foreign: list[str] = []
        self._ours: set[bytes] = set()
        self._client = MqttTransport(
            site.broker,
            f"{site.name}-conform",
            (self._topics.echo(board.name), self._topics.alive(board.name), self._topics.lease(board.name)),
            self._hear,
            protocol=site.broker.protocol,
        )

    def _hear(self, message: Message) -> None:
        if message.retained:
            self._kept.append(message.topic)
            return
        try:
            if message.topic == self._topics.lease(self._name):
                if message.payload not in self._ours:
                    self._foreign.append(read(LeasePayload, message.payload).session)
            elif message.topic == self._topics.alive(self._name):
                self._alives.append(read(AlivePayload, message.payload))
            else:
                self._echoes.append(read(EchoPayload, message.payload))
        except MessageError as error:
            self._say(f"  {message.topic}: {error}")

    @contextmanager
    def running(self) -> Iterator["LiveBench"]:
        """Be on the broker; refuse to go on while a controller gives leases."""
        self._client.start()
        try:
            self._say(
                f"Listening for a minute whether a controller is at work and board {self._name} speaks ..."
            )
            time.sleep(CONTROLLER_SHOWS_WITHIN_S)
            if self._foreign:
                raise ConformityError(
                    "a controller gives this board leases; stop it first (systemctl stop rimeward), and not "
                    "on a day before a frost"
                )
            if not self._echoes:
                raise ConformityError(
                    f"board {self._name} has sent no echo on {self._topics.echo(self._name)}"
                    + (f"; {self._client.trouble}" if self._client.trouble else "")
                )
            yield self
        finally:
            self._client.close()

    def pour(self, payload: bytes, *, retained: bool = False) -> None:
        """Publish on the board's lease topic and do not wait."""
        self._ours.add(payload)
        self._client.publish(self._topics.lease(self._name), payload, retain=retained)

    def send(self, payload: bytes, *, retained: bool = False, board: str | None = None) -> None:
        """Publish, and give the board a moment to hear it."""
        self._ours.add(payload)
        self._client.publish(self._topics.lease(board or self._name), payload, retain=retained)
        time.sleep(SLACK_S / 2)

    def echoes(self) -> Sequence[EchoPayload]:
        """Return the board's echoes so far."""
        return list(self._echoes)

    def alives(self) -> Sequence[AlivePayload]:
        """Return its births and wills so far."""
        return list(self._alives)

    def kept(self) -> Sequence[str]:
        """Return the board's topics that were delivered as retained when this client subscribed."""
        lease = self._topics.lease(self._name)
        return sorted({topic for topic in self._kept if topic != lease})

    def on(self) -> frozenset[str]:
        """Return what the board says that its outputs do."""
        return frozenset(self._echoes[-1].on)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(max(0.0, seconds))

    def restart(self) -> None:
        """Ask a person to pull the plug and put it back."""
        before = self._echoes[-1].boot
        self._hands(
            f"cut the power of board {self._name}, wait 20 s, and give it back",
            lambda: self._echoes[-1].boot != before,
        )

    def cut(self) -> None:
        """Ask a person to cut the board off the network."""
        wills = len(self._alives)
        self._hands(
            f"cut board {self._name} off the network, not off its power",
            lambda: any(not alive.alive for alive in self._alives[wills:]),
        )

    def mend(self) -> None:
        """Ask a person to connect it again."""
        echoes = len(self._echoes)
        self._hands(f"connect board {self._name} to the network again", lambda: len(self._echoes) > echoes)

    def set_clock(self, jump_s: float) -> None:
        """Never called: this bench does not claim that it can."""
        raise ConformityError(f"nobody here can set the board's clock by {jump_s:g} s")

    def _hands(self, what: str, done: Callable[[], bool]) -> None:
        if self._ask is None:
            raise ConformityError("nobody is here to lend a hand")
        self._ask(what)
        ends_s = time.monotonic() + HANDS_WITHIN_S
        while not done():
            if time.monotonic() > ends_s:
                raise ConformityError(f"asked to {what}, nothing was seen of it within ten minutes")
            time.sleep(0.2)
        time.sleep(SLACK_S)


@contextmanager
def _under_contract(site: Site, board: Board) -> Iterator[None]:
    """Bring a board that knows only texts under the contract, as the daemon does."""
    if not board.is_plain:
        yield
        return
    side = PlainThread(site, SystemClock())
    side.start()
    try:
        yield
    finally:
        side.stop(5.0)


def conform(
    site: Site,
    board: Board,
    say: Callable[[str], None],
    ask: Callable[[str], None] | None,
    only: Sequence[str] = (),
) -> int:
    """Play the cases on a real board; return how many it failed.  Its heaters switch."""
    failed, begun = 0, math.floor(time.time())
    with _under_contract(site, board), LiveBench(site, board, say, ask).running() as bench:
        for number, case in enumerate(all_cases()):
            if only and case.name not in only:
                continue
            if missing := case.needs - bench.can:
                say(f"not shown  {case.name}: needs to {' and to '.join(sorted(missing))}")
                continue
            try:
                run_case(case, bench, f"conform-{begun}-{number}")
            except ConformityError as error:
                failed += 1
                say(f"FAILED     {case.name}: {case.says}\n           {error}")
            else:
                say(f"ok         {case.name}: {case.says}")
        bench.send(b"", retained=True)  # nothing of the cases stays with the broker
    return failed
