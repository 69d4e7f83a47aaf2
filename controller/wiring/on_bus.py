"""The test on the real bus, in the controller's place: the same session as in a rehearsal."""

import math
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from secrets import token_hex

from controller.bus.mqtt import MqttTransport
from controller.bus.transport import Message
from controller.clock import Clock, now_on
from controller.errors import AlreadyRunningError, BrokerError, WiringError
from controller.journal.store import lock_folder
from controller.plain_boards import PlainThread
from controller.weather.service import FILE_NAME
from controller.weather.store import LastGood
from controller.wiring.check import Record, Scope
from controller.wiring.procedure import MILD_K
from controller.wiring.session import Person, Session
from controller.wiring.state import State, Stopped

LOOK_S = 0.2
CONNECTS_WITHIN_S = 30.0
# The connection may be lost for so long before the test ends; boards rest by themselves a minute later [s].
LOST_FOR_S = 15.0
# A night that needs heat is this near [h].
AHEAD_H = 6.0
MOST_WAITING = 5000
PLAIN_STOPS_WITHIN_S = 5.0


class BusRun:
    """A test under way on a site's own broker.

    Parameters
    ----------
    scope, person, clock
        What is tested, who is asked, and the time.
    record, keep
        What an earlier run has seen; where the record goes at each check.
    """

    def __init__(
        self,
        scope: Scope,
        person: Person,
        clock: Clock,
        *,
        record: Record | None = None,
        keep: Callable[[Record], None] = lambda _record: None,
    ) -> None:
        self._clock = clock
        self._plain = PlainThread(scope.site, clock)
        self.session = Session(scope, f"wiring-{token_hex(4)}", person, self._plain, record=record, keep=keep)
        self.stopping = threading.Event()
        self._heard: deque[Message] = deque(maxlen=MOST_WAITING)
        self.transport = MqttTransport(
            scope.site.broker,
            f"{scope.site.name}-wiring",
            self.session.hearing.filters,
            self._heard.append,
            protocol=scope.site.broker.protocol,
        )
        self._lost_s = math.inf

    def run(self) -> State:
        """Make the test; return its state at the end, with everything at rest."""
        with ExitStack() as stack:
            self.transport.start()
            stack.callback(self.transport.close)
            self._connect()
            self._plain.start()
            stack.callback(self._plain.stop, PLAIN_STOPS_WITHIN_S)
            while not self.session.state.is_over:
                self._look()
                self._clock.wait(self.stopping, LOOK_S)
                if self.stopping.is_set():
                    self._end("stopped by a signal")
        return self.session.state

    def _connect(self) -> None:
        waited_s = 0.0
        while not self.transport.connected:
            if waited_s >= CONNECTS_WITHIN_S or self.stopping.is_set():
                raise BrokerError(
                    f"no connection to the broker within {CONNECTS_WITHIN_S:.0f} s: "
                    f"{self.transport.trouble}; nothing was switched"
                )
            self._clock.wait(self.stopping, LOOK_S)
            waited_s += LOOK_S

    def _look(self) -> None:
        now = now_on(self._clock)
        while self._heard:
            self.session.take_in(self._heard.popleft(), self.transport, now)
        if self.transport.connected:
            self._lost_s = math.inf
        else:
            self._lost_s = min(self._lost_s, now.mono_s)
            if now.mono_s - self._lost_s > LOST_FOR_S:
                self._end("the connection to the broker was lost; boards come to rest by themselves")
                return
        self.session.tick(self.transport, now)

    def _end(self, because: str) -> None:
        self.session.tell(Stopped(because=because), self.transport, now_on(self._clock))


@contextmanager
def in_the_controllers_place(folder: Path) -> Iterator[None]:
    """Hold the state folder, which a daemon on this machine would hold.

    Raises
    ------
    AlreadyRunningError
        A daemon guards with it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lock = lock_folder(folder)
    if lock is None:
        raise AlreadyRunningError(
            "the controller runs on this machine: stop it first (systemctl stop rimeward), "
            "test, and start it again"
        )
    try:
        yield
    finally:
        lock.close()


def refuse_a_night_that_needs_heat(scope: Scope, folder: Path, now: datetime) -> str:
    """Return what the last forecast says of the coming hours.

    Raises
    ------
    WiringError
        It says that strings may be needed while the test runs.
    """
    forecast = LastGood(folder / FILE_NAME).recall()
    limit_c = max(tree.hold_or_default_c for tree in scope.site.trees) + MILD_K
    if forecast is None:
        return "no forecast is kept here; the probes alone tell whether it is mild"
    begin_s, end_s = now.timestamp() - 3600.0, (now + timedelta(hours=AHEAD_H)).timestamp()
    coming = forecast.outside_temp_c[(forecast.at_s >= begin_s) & (forecast.at_s <= end_s)]
    coldest_c = float(coming.min()) if coming.size else math.nan
    if math.isnan(coldest_c):
        return "the forecast kept here is too old; the probes alone tell whether it is mild"
    if coldest_c < limit_c:
        raise WiringError(
            f"{coldest_c:.1f} °C are forecast within {AHEAD_H:g} h: strings may be needed, so "
            "nothing is switched "
            f"below {limit_c:.1f} °C. Choose a mild day"
        )
    return f"the coming {AHEAD_H:g} h stay above {coldest_c:.1f} °C by the last forecast"


def stop_on_signals(run: BusRun) -> None:
    """End the test in good order when it is told to end."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: run.stopping.set())
