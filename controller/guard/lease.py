"""Leases as they are given: the only way to rest a heater or to move a vent from its rest.

A lease is given only to a board that was heard lately and whose present run ("boot") is known; it lasts
300 s, is renewed every 60 s, and at once when its content changes.  Four renewals may be lost before the
board falls back to heat by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.guard.decision import Decision
from controller.guard.now import Now

LEASE_S = 300.0
RENEW_S = 60.0
# A board not heard for this many of its reporting periods gets no lease.
SILENT_PERIODS = 3.0
# A board that took a new boot name more than so often within ``UNSTEADY_S`` gets no lease for an hour: it is
# brown-out after brown-out, or two boards answer to one name.
MOST_STARTS = 3
UNSTEADY_S = 600.0
REST_FROM_LEASES_S = 3600.0
# An echo with the lease's number is expected within this time.
CONFIRM_S = 10.0
# A board whose uptime falls behind our clock by more counts leases by a timer that was set back or stands
# still: a lease there may last for hours, so it is told to heat for as long as that is so.  Echoes held up on
# the way look the same until the next one comes.
LAG_S = 60.0
# By so much a small board's timer may truly run slow [s/s]; common practice for RC oscillators, no source.
SLOW_SHARE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardRules:
    """What hangs on a board: tree or vent by channel, and how often the board reports [s]."""

    name: str
    trees: Mapping[str, str]
    vents: Mapping[str, str]
    rests_open: Mapping[str, bool]
    period_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardMemory:
    """What is remembered of a board: what it last said, the last lease given to it, and its latest starts.

    ``starts`` holds boot names in the order in which they were heard, each with the time [s].  ``ahead_s``
    is by how much its uptime was lately ahead of our clock at the most, ``lag_s`` how far it fell behind.
    """

    boot: str = ""
    heard_s: float = float("-inf")
    on: tuple[str, ...] = ()
    uptime_s: float = 0.0
    ahead_s: float = float("-inf")
    lag_s: float = 0.0
    echoed_seq: int = 0
    seq: int = 0
    sent_s: float = float("-inf")
    changed_s: float = float("-inf")
    off: tuple[str, ...] = ()
    vent: tuple[str, ...] = ()
    starts: tuple[tuple[str, float], ...] = ()
    unsteady_until_s: float = float("-inf")

    def may_rest(self, rules: BoardRules, now: Now) -> bool:
        """Tell whether it may be let rest: it is given leases, and counts their time."""
        return self.is_leased(rules, now) and not self.is_slow

    def is_leased(self, rules: BoardRules, now: Now) -> bool:
        """Tell whether it is given leases: it spoke lately and does not start again and again."""
        return self.is_heard(rules, now) and not now.mono_s < self.unsteady_until_s

    @property
    def is_slow(self) -> bool:
        """Whether its timer was set back or stands still, so that it may hold a lease for ever."""
        return self.lag_s > LAG_S

    def is_heard(self, rules: BoardRules, now: Now) -> bool:
        """Tell whether the board spoke lately."""
        return bool(self.boot) and now.mono_s - self.heard_s <= rules.period_s * SILENT_PERIODS

    def is_confirmed(self, now: Now) -> bool:
        """Tell whether the board obeys the last lease, or still has time to say so."""
        return self.echoed_seq >= self.seq or now.mono_s - self.sent_s <= CONFIRM_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """Permission for one board: heaters that may be off and vents that may leave their rest.

    ``echo_uptime_s`` quotes the board's latest echo, so that the board can refuse a lease long under way.
    """

    board: str
    boot: str
    seq: int
    ttl_s: float
    off: tuple[str, ...]
    vent: tuple[str, ...]
    echo_uptime_s: float


def grant(
    rules: BoardRules,
    memory: BoardMemory,
    heat: Mapping[str, Decision],
    vents: Mapping[str, Decision],
    now: Now,
) -> tuple[Lease | None, BoardMemory]:
    """Return the lease to send now, if any, and the memory after sending it.

    A board that cannot count time is sent leases that let nothing rest: silence would leave it with the last.

    Parameters
    ----------
    heat, vents
        The present decision for each tree and each vent.
    """
    if not memory.is_leased(rules, now):
        return None, memory
    off, moved = ((), ()) if memory.is_slow else _wanted(rules, heat, vents)
    unchanged = off == memory.off and moved == memory.vent
    if unchanged and now.mono_s - memory.sent_s < RENEW_S:
        return None, memory
    lease = Lease(
        board=rules.name,
        boot=memory.boot,
        seq=memory.seq + 1,
        ttl_s=LEASE_S,
        off=off,
        vent=moved,
        echo_uptime_s=memory.uptime_s,
    )
    changed_s = memory.changed_s if unchanged else now.mono_s
    return lease, replace(memory, seq=lease.seq, sent_s=now.mono_s, changed_s=changed_s, off=off, vent=moved)


def _wanted(
    rules: BoardRules, heat: Mapping[str, Decision], vents: Mapping[str, Decision]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the heaters that may rest and the vents that may leave their rest."""
    return (
        tuple([channel for channel, tree in rules.trees.items() if heat[tree].active is False]),
        tuple(
            channel
            for channel, vent in rules.vents.items()
            if vents[vent].active != rules.rests_open[channel]
        ),
    )


def heard(
    memory: BoardMemory, boot: str, on: tuple[str, ...], uptime_s: float, echoed_seq: int, now: Now
) -> BoardMemory:
    """Return a board's memory after its echo; a restarted board holds no lease, so one is due at once."""
    if boot != memory.boot:
        return _started(memory, boot, on, uptime_s, now)
    ahead_s = uptime_s - now.mono_s
    most_s = max(ahead_s, memory.ahead_s - SLOW_SHARE * (now.mono_s - memory.heard_s))
    return BoardMemory(
        boot=boot,
        heard_s=now.mono_s,
        on=on,
        uptime_s=uptime_s,
        ahead_s=most_s,
        lag_s=most_s - ahead_s,
        echoed_seq=echoed_seq,
        seq=memory.seq,
        sent_s=memory.sent_s,
        changed_s=memory.changed_s,
        off=memory.off,
        vent=memory.vent,
        starts=memory.starts,
        unsteady_until_s=memory.unsteady_until_s,
    )


def forgotten(memory: BoardMemory) -> BoardMemory:
    """Return the memory of a board whose connection is lost.

    The number of the last lease stays, so that no board ever hears one twice, and so do its starts.
    """
    return BoardMemory(seq=memory.seq, starts=memory.starts, unsteady_until_s=memory.unsteady_until_s)


def _started(memory: BoardMemory, boot: str, on: tuple[str, ...], uptime_s: float, now: Now) -> BoardMemory:
    starts, until_s = memory.starts, memory.unsteady_until_s
    if not starts:  # heard for the first time, it may have run for years
        starts = ((boot, float("-inf")),)
    elif starts[-1][0] != boot:
        lately = [start for start in starts if now.mono_s - start[1] <= UNSTEADY_S]
        starts = (*lately[-MOST_STARTS:], (boot, now.mono_s))
        if len(lately) >= MOST_STARTS:
            until_s = now.mono_s + REST_FROM_LEASES_S
    return BoardMemory(
        boot=boot,
        heard_s=now.mono_s,
        on=on,
        uptime_s=uptime_s,
        ahead_s=uptime_s - now.mono_s,
        seq=memory.seq,
        starts=starts,
        unsteady_until_s=until_s,
    )
