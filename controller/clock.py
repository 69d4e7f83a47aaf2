"""Clocks for the shell: the real one, and one that runs faster for rehearsals.

The core owns no clock; it is handed ``Now``.
"""

import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol

from controller.errors import RimewardError
from controller.guard.now import Now
from controller.site.model import Site

# Older than this release, the wall clock of a board without a battery has not been set yet.
RELEASED = datetime(2026, 11, 1, tzinfo=UTC)


# The wall clock has jumped when it parts from the monotonic one by more than this, and is in doubt then [s].
JUMP_S = 30.0
SETTLED_S = 3600.0
# Linux's own that counts a suspension too: what was heard before it must not seem fresh after it.
_RUNS_ON = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clock(Protocol):
    """Wall time, monotonic time, and waiting, all at the same pace."""

    @property
    def pace(self) -> float:
        """How much faster than life."""
        ...

    @property
    def is_sound(self) -> bool:
        """Whether the wall time may be believed, as far as the clock itself can tell."""
        ...

    def utc(self) -> datetime:
        """Return the wall time."""
        ...

    def mono_s(self) -> float:
        """Return a time that never jumps [s]."""
        ...

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for an event, at most some seconds of this clock; tell whether it came."""
        ...


def now_on(clock: Clock) -> Now:
    """Return the present for the core."""
    utc = clock.utc()
    trusted = clock.pace != 1.0 or (clock.is_sound and utc >= RELEASED)
    return Now(mono_s=clock.mono_s(), utc=utc, clock_trusted=trusted)


class JumpWatch:
    """Tells a wall clock that was right and then jumped: which of both times is wrong nobody can know.

    For an hour stamps are not compared with it; then it is taken as it is.  The first setting of a clock that
    stood before this release, as on a board without a battery, is no such jump.
    """

    def __init__(self) -> None:
        self._offset_s: float | None = None
        self._until_s = float("-inf")
        self.jumped_s = 0.0

    def is_settled(self, mono_s: float, utc: datetime) -> bool:
        """Take in both clocks, and tell whether the wall clock has run evenly for the last hour."""
        offset_s, before = utc.timestamp() - mono_s, self._offset_s
        self._offset_s = offset_s
        was_set = before is not None and before + mono_s >= RELEASED.timestamp()
        if before is not None and was_set and abs(offset_s - before) > JUMP_S:
            self._until_s, self.jumped_s = mono_s + SETTLED_S, offset_s - before
        return not mono_s < self._until_s


class SystemClock:
    """The machine's own clock."""

    pace = 1.0

    def __init__(self) -> None:
        self._watch = JumpWatch()

    @property
    def is_sound(self) -> bool:
        """Whether the wall clock has not jumped lately."""
        return self._watch.is_settled(self.mono_s(), self.utc())

    @property
    def jumped_s(self) -> float:
        """By how much it last jumped [s]."""
        return self._watch.jumped_s

    def utc(self) -> datetime:
        """Return the wall time."""
        return datetime.now(UTC)

    def mono_s(self) -> float:
        """Return a time that never jumps and goes on while the machine is suspended [s]."""
        return time.clock_gettime(_RUNS_ON)

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for an event, at most some seconds; tell whether it came."""
        return event.wait(max(0.0, seconds))


@dataclass(frozen=True, slots=True)
class PacedClock:
    """A clock that runs ``pace`` times as fast as life, for rehearsals.

    ``start`` is what it showed when the machine's wall clock stood at ``origin_s``; processes given the same
    three numbers agree on the time.
    """

    pace: float
    start: datetime
    origin_s: float

    def utc(self) -> datetime:
        """Return the rehearsal's wall time."""
        return self.start + timedelta(seconds=self.mono_s())

    def mono_s(self) -> float:
        """Return the rehearsal's seconds since its start."""
        return (time.time() - self.origin_s) * self.pace

    @property
    def is_sound(self) -> bool:
        """Always: a rehearsal's clock is what it says."""
        return True

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for an event, at most some seconds of the rehearsal; tell whether it came."""
        return event.wait(max(0.0, seconds) / self.pace)

    def __str__(self) -> str:
        return f"{self.start.isoformat()},{self.origin_s!r}"


def clock_for(site: Site, pace: float, since: str | None) -> Clock:
    """Return the clock a command shall go by: the machine's own, or a paced one in a rehearsal.

    ``since`` is another paced clock's text form, so that both show the same time.

    Raises
    ------
    RimewardError
        A real site is to be paced.
    """
    if pace == 1.0 and since is None:
        return SystemClock()
    if not site.rehearsal:
        raise RimewardError(
            f"--pace {pace:g} makes the clock run faster than life, and this site file is a real site's. "
            "Only a site file with rehearsal = true may be paced"
        )
    return paced_clock(pace, since)


def paced_clock(pace: float, since: str | None) -> PacedClock:
    """Return a paced clock; ``since`` is another one's text form, so that both show the same time."""
    if since is None:
        return PacedClock(pace, datetime.now(UTC), time.time())
    start, _, origin = since.partition(",")
    return PacedClock(pace, datetime.fromisoformat(start), float(origin))
