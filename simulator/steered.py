"""The controller of a rehearsal: the keeper with its bus, as the daemon runs it, but driven from outside."""

import math
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from controller.bus.inbound import Inbound
from controller.bus.memory import MemoryBus, MemoryClient
from controller.bus.outbound import send
from controller.bus.plain import PlainBoard, plain_boards
from controller.bus.topics import Topics
from controller.bus.transport import Listener, Message, Transport
from controller.clock import RELEASED
from controller.guard.decision import Decision
from controller.guard.events import Action, BusUp, Decide, Event, Tick
from controller.guard.now import Now
from controller.guard.state import State, begin
from controller.keeper import handle
from controller.site.model import Site


class Controller:
    """The keeper as a process that runs, stands still or is gone.

    Parameters
    ----------
    site, bus
        What it guards, and where it speaks.
    session : str
        Names its first run; those after a restart have a number behind it.
    released : datetime
        When the program was released: an older wall clock has not been set.

    Attributes
    ----------
    state : State
        Everything the keeper knows.
    running : bool
        False while the process is gone.
    standing_still : bool
        True while the process is stopped but not gone.
    starts_at_s : float
        When it will be started again [s].
    clock_ahead_s : float
        How far its wall clock is ahead of the truth [s].

    """

    def __init__(self, site: Site, bus: MemoryBus, session: str, *, released: datetime = RELEASED) -> None:
        self.site = site
        self._released = released
        self.topics = Topics(site.name)
        self.standing_still = False
        self.clock_ahead_s = 0.0
        self.starts_at_s = math.inf
        self.runs = 0
        self._bus = bus
        self._session = session
        self.start()

    def start(self) -> None:
        """Start the process: it knows nothing of any earlier run."""
        self.runs += 1
        session = self._session if self.runs == 1 else f"{self._session}-{self.runs}"
        self.running = True
        self.inbound = Inbound(self.site)
        self.state: State = begin(self.site, session)
        self._heard: list[Message] = []
        self._bus_is_up = False
        filters = (*self.topics.heard_by_controller, *(p.topic for p in self.site.probes if p.topic))
        self.transport: Transport = self._bus.connect("controller", filters, self._hear, on_up=self._rise)
        self._lines: list[MemoryClient] = []
        self._plain = [
            PlainBoard(
                board, self.site, f"{session}-{board.name}"[:48], self._connect, started_s=self._bus.now_s
            )
            for board in plain_boards(self.site)
        ]

    def _connect(
        self,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None,
        /,
        *,
        on_up: Callable[[], None],
    ) -> Transport:
        """Give a plain board's channel its connection, which ends with the process."""
        self._lines.append(self._bus.connect(client, filters, listener, will, on_up=on_up))
        return self._lines[-1]

    def end(self) -> None:
        """End the process at once, in the midst of whatever it does."""
        self.running = False
        self.transport.kill()  # type: ignore[attr-defined]  # a client of the bus in memory
        for line in self._lines:
            line.kill()

    def start_after(self, wait_s: float, now_s: float) -> None:
        """Start the process again when a while has passed."""
        self.starts_at_s = now_s + wait_s

    def look(self, now_s: float) -> None:
        """Start the process if its time has come."""
        if not self.running and now_s >= self.starts_at_s:
            self.starts_at_s = math.inf
            self.start()

    def now(self, mono_s: float, utc: datetime) -> Now:
        """Return the present as its clocks show it; a wall clock older than the release is not trusted."""
        if self.clock_ahead_s:
            utc += timedelta(seconds=self.clock_ahead_s)
        return Now(mono_s=mono_s, utc=utc, clock_trusted=utc >= self._released)

    def tick(self, now: Now) -> list[Decision]:
        """Take in what was heard, decide, send; return the decisions that are news."""
        for board in self._plain:
            board.tick(now.mono_s, now.utc if now.clock_trusted else None)
        if self._bus_is_up:
            self._bus_is_up = False
            self.tell(BusUp(), now)
        heard, self._heard = self._heard, []
        for message in heard:
            event = self.inbound.event(message)
            if event is not None:
                self.tell(event, now)
        return [
            action.decision
            for action in self.tell(Tick(), now)
            if isinstance(action, Decide) and action.changed
        ]

    def tell(self, event: Event, now: Now) -> tuple[Action, ...]:
        """Hand an event to the keeper and carry out what it wants."""
        self.state, actions = handle(self.state, event, now)
        for action in actions:
            send(action, self.topics, self.transport)
        return actions

    def _hear(self, message: Message) -> None:
        self._heard.append(message)

    def _rise(self) -> None:
        self._bus_is_up = True


class NoController(Controller):
    """No process at all: boards hear no lease, and strings do what their contacts at rest do."""

    def start(self) -> None:
        """Start nothing."""
        self.running = False
        self.runs = 1
        self.inbound = Inbound(self.site)
        self.state = begin(self.site, "nobody")

    def end(self) -> None:
        """End nothing."""
