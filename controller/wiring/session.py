"""One run of the test: the procedure between a bus, a person and what is kept.

The real bus and a rehearsal differ only in who brings messages, time and answers.
"""

from collections.abc import Callable
from typing import Protocol

from controller.bus.outbound import send
from controller.bus.topics import Topics
from controller.bus.transport import Message, Transport
from controller.guard.events import GiveLease
from controller.guard.now import Now
from controller.wiring.check import Check, Record, Scope
from controller.wiring.hear import Hearing
from controller.wiring.procedure import begin, handle
from controller.wiring.state import (
    Answered,
    Begin,
    CutOff,
    Event,
    Finish,
    Question,
    Rejoin,
    Say,
    State,
    Stopped,
    Ticked,
)
from controller.wiring.step import Ask


class Person(Protocol):
    """Whoever stands at the site, real or not."""

    def say(self, text: str) -> None:
        """Tell them something."""
        ...

    def begin(self, check: Check, number: int, of: int) -> None:
        """Tell them that a check begins."""
        ...

    def ask(self, ask: Ask) -> None:
        """Put a question; the answer comes by ``answer``."""
        ...

    def answer(self, ask: Ask) -> tuple[str, ...] | None:
        """Return the answer to the question that stands; None while there is none."""
        ...

    def wants_to_stop(self) -> bool:
        """Tell whether the stop key was pressed."""
        ...


class PlainLines(Protocol):
    """Our own connections to boards that know only texts."""

    def cut_off(self, board: str) -> None:
        """Break those to a board off without a goodbye."""
        ...

    def rejoin(self, board: str) -> None:
        """Make them anew."""
        ...


class Session:
    """The procedure under way.

    Parameters
    ----------
    scope, name
        What is tested; the name of this run, which its leases carry.
    person
        Who is asked.
    plain
        The connections to plain boards, which the test cuts to prove their wills.
    record
        What an earlier run has seen.
    keep
        Called with the record whenever a check begins.
    """

    def __init__(
        self,
        scope: Scope,
        name: str,
        person: Person,
        plain: PlainLines,
        *,
        record: Record | None = None,
        keep: Callable[[Record], None] = lambda _record: None,
    ) -> None:
        self.hearing = Hearing(scope.site, name)
        self.state: State = begin(scope, name, record)
        self.finished: Finish | None = None
        self._person, self._plain, self._keep = person, plain, keep
        self._topics = Topics(scope.site.name)
        self._question: Ask | None = None

    def take_in(self, message: Message, transport: Transport, now: Now) -> None:
        """Hear a message."""
        event = self.hearing.event(message)
        if event is not None:
            self.tell(event, transport, now)

    def tick(self, transport: Transport, now: Now) -> None:
        """Look at the clock and at the person."""
        if self._person.wants_to_stop():
            self.tell(Stopped(because="stopped by a person"), transport, now)
        if self._question is not None:
            answer = self._person.answer(self._question)
            if answer is not None:
                self._question = None
                self.tell(Answered(answer=answer), transport, now)
        self.tell(Ticked(), transport, now)

    def tell(self, event: Event, transport: Transport, now: Now) -> None:
        """Hand an event to the procedure and carry out what it asks for."""
        self.state, actions = handle(self.state, event, now)
        for action in actions:
            match action:
                case GiveLease():
                    send(action, self._topics, transport)
                case Say(text=text):
                    self._person.say(text)
                case Begin(check=check, number=number, of=of):
                    self._keep(self.state.record)
                    self._person.begin(check, number, of)
                case CutOff(board=board):
                    self._plain.cut_off(board)
                case Rejoin(board=board):
                    self._plain.rejoin(board)
                case Question(ask=ask):
                    self._question = ask
                    self._person.ask(ask)
                case Finish():
                    self.finished, self._question = action, None
                    self._keep(self.state.record)
