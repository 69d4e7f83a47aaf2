"""What the page hears on the bus: the controller's latest picture, and answers to orders.

Called on the bus's own thread; everything is replaced whole, so a reader never sees half of it.
"""

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass

from controller.bus.messages import AnswerPayload, StatusPayload, read
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.clock import Clock
from controller.errors import MessageError

MOST_ANSWERS = 100


@dataclass(frozen=True, slots=True)
class Heard:
    """The controller's word, and when it was true on this process's own clock [s]."""

    status: StatusPayload | None = None
    true_at_s: float = -math.inf
    number: int = 0

    def age_s(self, clock: Clock) -> float:
        """Return how old the word is [s]."""
        return clock.mono_s() - self.true_at_s


class Watch:
    """Listens for the page; ``hear`` is the bus's listener."""

    def __init__(self, topics: Topics, clock: Clock) -> None:
        self._topics, self._clock = topics, clock
        self._lock = threading.Lock()
        self._answers: OrderedDict[str, AnswerPayload] = OrderedDict()
        self.heard = Heard()
        self.refused = 0

    @property
    def filters(self) -> tuple[str, ...]:
        """The topics to subscribe to."""
        return self._topics.status, self._topics.answer("+")

    def hear(self, message: Message) -> None:
        """Take in a message; what is not sound is counted and forgotten."""
        try:
            if message.topic == self._topics.status:
                self._hear_status(read(StatusPayload, message.payload), retained=message.retained)
            elif not message.retained and message.topic.startswith(self._topics.answer("")):
                self._hear_answer(read(AnswerPayload, message.payload))
        except MessageError:
            self.refused += 1

    def _hear_status(self, status: StatusPayload, *, retained: bool) -> None:
        # a status kept by the broker may be hours old; a fresh one is as old as its way here
        old_s = max(0.0, (self._clock.utc() - status.at).total_seconds()) if retained else 0.0
        self.heard = Heard(status, self._clock.mono_s() - old_s, self.heard.number + 1)

    def _hear_answer(self, answer: AnswerPayload) -> None:
        with self._lock:
            self._answers[answer.order] = answer
            while len(self._answers) > MOST_ANSWERS:
                self._answers.popitem(last=False)

    def forget(self, order: str) -> None:
        """Forget an answer, so that only a new one counts."""
        with self._lock:
            self._answers.pop(order, None)

    def answer(self, order: str) -> AnswerPayload | None:
        """Return what the guard said to an order; None as long as it has said nothing."""
        with self._lock:
            return self._answers.get(order)
