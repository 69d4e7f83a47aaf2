"""The courier: a thread that sends what is in the outbox, again and again, and keeps the dead-man quiet.

It may be late, hang or fail; nothing waits for it.  A message leaves the outbox when its way has taken it.
"""

import random
import threading
from collections.abc import Callable, Mapping

import structlog

from controller.alarm.dead_man import CYCLES_WITHIN_S, tell_alive
from controller.alarm.outbox import Outbox
from controller.alarm.ways import Send
from controller.clock import Clock
from controller.errors import DeliveryError
from controller.journal.parcel import Parcel
from controller.journal.writer import Journal
from controller.site.people import DeadMan

LOOK_S = 5.0
# A way that has refused so often in a row is a trouble worth telling by the others.
TROUBLE_AFTER = 3

log = structlog.stdlib.get_logger()


class Courier:
    """Sends messages.

    Parameters
    ----------
    ways
        How to send on each way.
    dead_man
        The address fetched while control works, if there is one.
    cycled_s
        Returns when control last decided, monotonic.
    journal, clock
        Where it is noted what was sent, and the time.
    """

    def __init__(
        self,
        ways: Mapping[str, Send],
        dead_man: DeadMan | None,
        cycled_s: Callable[[], float],
        journal: Journal,
        clock: Clock,
    ) -> None:
        self._ways, self._dead_man, self._cycled_s = ways, dead_man, cycled_s
        self._journal, self._clock = journal, clock
        self._lock = threading.Lock()
        self._outbox = Outbox()
        self._refusals: dict[str, tuple[int, str]] = {}
        self._alive_due_s = float("-inf")
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._chance = random.Random()  # noqa: S311 (spreads retries; no secret)
        self.thread = threading.Thread(target=self._run, name="courier", daemon=True)

    @property
    def trouble(self) -> str:
        """What is wrong with ways that keep refusing, in words; empty while messages go out."""
        told = (text for count, text in self._refusals.copy().values() if count >= TROUBLE_AFTER)
        return "; ".join(told)

    @property
    def waiting(self) -> int:
        """How many messages are still to be sent."""
        return len(self._outbox.parcels)

    def start(self, outbox: Outbox) -> None:
        """Begin, with what an earlier run left to be sent."""
        with self._lock:
            self._outbox = outbox
        self.thread.start()

    def stop(self) -> None:
        """End; what was not sent is kept in the journal."""
        self._stopping.set()
        self._wake.set()

    def put(self, parcel: Parcel) -> None:
        """Take a message to be sent."""
        self._journal.put_message(parcel)
        with self._lock:
            self._outbox, given_up = self._outbox.with_parcel(parcel)
        for each in given_up:
            self._journal.put_given_up(each.id, self._clock.utc(), "too many waited")
        self._wake.set()

    # ---- the thread -----------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.clear()
            try:
                self.round()
            except Exception:  # (the edge of a thread: a failing message is worth no restart of the guard)
                log.exception("courier_failed")
            self._clock.wait(self._wake, LOOK_S)

    def round(self) -> None:
        """Try once what is due."""
        self._give_up_old()
        for parcel in self._outbox.due(self._clock.mono_s()):
            if self._stopping.is_set():
                return
            self._keep_alive()
            self._try(parcel)
        self._keep_alive()

    def _try(self, parcel: Parcel) -> None:
        try:
            self._ways[parcel.way](parcel.subject, parcel.text)
        except KeyError:
            self._drop(parcel, f"there is no way {parcel.way} any more")
        except DeliveryError as error:
            count, _ = self._refusals.get(parcel.way, (0, ""))
            self._refusals[parcel.way] = (count + 1, str(error))
            self._journal.put_attempt(parcel.id, str(error))
            with self._lock:
                self._outbox = self._outbox.failed(parcel, self._clock.mono_s(), self._chance.random())
            log.warning("message_not_taken", way=parcel.way, attempts=parcel.attempts + 1, trouble=str(error))
        else:
            self._refusals.pop(parcel.way, None)
            self._journal.put_delivered(parcel.id, self._clock.utc())
            with self._lock:
                self._outbox = self._outbox.without(parcel)
            log.info("message_sent", way=parcel.way, subject=parcel.subject)

    def _give_up_old(self) -> None:
        for parcel in self._outbox.too_old(self._clock.utc()):
            self._drop(parcel, "too old to be worth sending")

    def _drop(self, parcel: Parcel, why: str) -> None:
        self._journal.put_given_up(parcel.id, self._clock.utc(), why)
        with self._lock:
            self._outbox = self._outbox.without(parcel)
        log.warning("message_given_up", way=parcel.way, subject=parcel.subject, because=why)

    def _keep_alive(self) -> None:
        """Fetch the dead-man's address if it is due and control really cycles."""
        now_s = self._clock.mono_s()
        if self._dead_man is None or now_s < self._alive_due_s:
            return
        if not now_s - self._cycled_s() <= CYCLES_WITHIN_S:
            return
        self._alive_due_s = now_s + self._dead_man.every_min * 60.0
        try:
            tell_alive(self._dead_man)
            self._refusals.pop("dead-man", None)
        except DeliveryError as error:
            count, _ = self._refusals.get("dead-man", (0, ""))
            self._refusals["dead-man"] = (count + 1, str(error))
            # tried again soon: whoever listens grows impatient
            self._alive_due_s = now_s + min(60.0, self._dead_man.every_min * 60.0)
            log.warning("dead_man_not_reached", trouble=str(error))
