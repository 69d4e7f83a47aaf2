"""Answers to people wait until their order is kept, a little while: what was taken shall survive a power cut.

The order itself acts at once; only the word "accepted" waits.  Where the journal is slow or broken the answer
says that a restart forgets the order.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from controller.bus.messages import AnswerPayload

# A person waits a few seconds for an answer; a stalled disk must not make it look refused [s].
KEPT_WITHIN_S = 2.0
MOST_WAITING = 100
NOT_KEPT = "; NOT SAVED: a restart forgets it"


@dataclass(frozen=True, slots=True)
class _Waiting:
    payload: AnswerPayload
    due_s: float


class Answers:
    """Answers on their way.

    Parameters
    ----------
    publish
        Sends one.
    within_s
        How long one waits at most [s].
    """

    def __init__(self, publish: Callable[[AnswerPayload], None], within_s: float = KEPT_WITHIN_S) -> None:
        self._publish, self._within_s = publish, within_s
        self._lock = threading.Lock()
        self._waiting: dict[int, _Waiting] = {}
        self._number = 0

    def expect(self, payload: AnswerPayload, now_s: float) -> Callable[[bool], None]:
        """Let an answer wait; return what is to be called with whether its order is kept."""
        with self._lock:
            self._number += 1
            number = self._number
            self._waiting[number] = _Waiting(payload, now_s + self._within_s)
            crowded = len(self._waiting) > MOST_WAITING
        if crowded:
            self._send(number, kept=False)
        return lambda kept: self._send(number, kept=kept)

    def wait_s(self, now_s: float) -> float:
        """Return how long until the next answer has waited long enough; infinite while none waits."""
        with self._lock:
            return min((each.due_s - now_s for each in self._waiting.values()), default=float("inf"))

    def send_overdue(self, now_s: float) -> None:
        """Send what has waited long enough."""
        with self._lock:
            overdue = [number for number, each in self._waiting.items() if each.due_s <= now_s]
        for number in overdue:
            self._send(number, kept=False)

    def _send(self, number: int, *, kept: bool) -> None:
        with self._lock:
            waiting = self._waiting.pop(number, None)
        if waiting is None:
            return  # it was sent already
        payload = waiting.payload
        if not kept:
            payload = payload.model_copy(update={"because": payload.because + NOT_KEPT})
        self._publish(payload)
