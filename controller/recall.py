"""What people ordered and said before the daemon last ended, and for how long nothing was controlled.

The journal is read in a thread of its own: no disk delays a decision for long.  It is read again and again
where it cannot be read yet, because the clock is not set, the card stalls, or another release's journal is
just being brought up to date.  What comes late gives way to what has been ordered since.
"""

import sqlite3
import threading
from collections.abc import Iterable
from collections.abc import Set as AbstractSet
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog

from controller.clock import Clock, now_on
from controller.errors import JournalError
from controller.guard.confirm import Confirmation
from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.hand import HandOrder, Key
from controller.journal.reader import confirmations, heated_last, last_kept, standing_orders
from controller.journal.store import open_for_reading
from controller.site.model import Place, Site

log = structlog.stdlib.get_logger()
# The first decision waits so long for the disk [s].
WITHIN_S = 5.0
# It is tried again so often [s], and given up when no order of before can stand any more.
AGAIN_S = 5.0
GIVEN_UP_S = 12 * 3600.0
# A new release or another site file takes a minute or two; who was away for longer says so.
AWAY = timedelta(minutes=10)
# That is told once, and shown for an hour [s]; the source the finding names itself by.
TOLD_S = 3600.0
SOURCE = "recall"
HEATED_SEVERITY = 3


@dataclass(frozen=True, slots=True)
class Away:
    """When nothing was controlled before this start, and which trees were to be heated when that began."""

    since: datetime
    until: datetime
    heated: tuple[str, ...]

    def finding(self, place: Place) -> Finding:
        """Return what people are told of it; worse where trees lived by their heat."""
        zone = ZoneInfo(place.time_zone)
        since, until = (at.astimezone(zone) for at in (self.since, self.until))
        form = "%H:%M" if until - since < timedelta(hours=20) else "%Y-%m-%d %H:%M"
        heated = f"; heat was on then for {', '.join(self.heated)}" if self.heated else ""
        because = f"nothing was controlled from {since:{form}} to {until:{form}}{heated}"
        severity = HEATED_SEVERITY if self.heated else None
        return finding(FindingCode.CONTROL_WAS_AWAY, "controller", because, severity=severity)


@dataclass(frozen=True, slots=True)
class Recalled:
    """Orders and words that still stood when the journal was read, and when nothing had been controlled."""

    orders: tuple[HandOrder, ...] = field(default=())
    words: tuple[Confirmation, ...] = field(default=())
    away: Away | None = None


class Recall:
    """Reads a journal until it has been read once.

    Parameters
    ----------
    site
        Whose journal it is.
    journal
        The journal's file.
    clock
        Says what has ended; it is waited for while it is not set.
    """

    def __init__(self, site: Site, journal: Path, clock: Clock) -> None:
        self.trouble = ""
        self._site, self._journal, self._clock = site, journal, clock
        self._is_first = not journal.exists()  # asked before the journal is begun, which takes a moment
        self._began_s = clock.mono_s()
        self._found: Recalled | None = None
        self._tried, self._over = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._read_until_read, name="recall", daemon=True)

    def start(self) -> None:
        """Begin to read; return when that has been tried once, or after ``WITHIN_S``."""
        self._thread.start()
        if not self._tried.wait(WITHIN_S):
            self.trouble = f"no answer of the disk within {WITHIN_S:.0f} s"
        if self.trouble:
            log.warning("orders_not_recalled_yet", because=self.trouble)

    def take(self) -> Recalled | None:
        """Return what was found, once."""
        found, self._found = self._found, None
        return found

    def stop(self) -> None:
        """Try no more."""
        self._over.set()

    def _read_until_read(self) -> None:
        for _ in range(int(GIVEN_UP_S / AGAIN_S)):
            self._found = self._read()
            self._tried.set()
            if self._found is not None or self._over.wait(AGAIN_S):
                return

    def _read(self) -> Recalled | None:
        now = now_on(self._clock)
        if not now.clock_trusted:
            self.trouble = "the clock is not sound: nobody knows which have ended"
            return None
        if self._is_first:
            self.trouble = ""
            return Recalled()
        try:
            with closing(open_for_reading(self._journal)) as connection:
                found = Recalled(
                    tuple(standing_orders(connection, now.utc)),
                    tuple(confirmations(connection, now.utc)),
                    self._away(connection, now.utc - timedelta(seconds=now.mono_s - self._began_s)),
                )
        except (JournalError, sqlite3.Error, ValueError) as error:  # of another release, damaged or locked
            self.trouble = str(error)
            return None
        self.trouble = ""
        return found

    def _away(self, connection: sqlite3.Connection, began: datetime) -> Away | None:
        """Return how long nothing was controlled before the daemon began; None for a short while."""
        last = last_kept(connection, self._site.probes, began)
        if last is None or began - last < AWAY:
            return None
        return Away(since=last, until=began, heated=heated_last(connection, last))


def still_wanted(orders: Iterable[HandOrder], given: AbstractSet[Key]) -> list[HandOrder]:
    """Return the orders of before that nothing ordered since replaces; ``given`` are those targets."""
    kinds = {kind for kind, _ in given}
    return [
        order
        for order in orders
        if (order.target_kind, order.target) not in given
        and not (order.target_kind == "tree" and "all" in kinds)
        and not (order.target_kind == "all" and "tree" in kinds)
    ]
