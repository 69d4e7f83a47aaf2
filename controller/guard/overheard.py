"""What is said on the topics of leases, where only this run of the controller should speak.

Boards weigh every lease themselves and refuse what they must; that somebody else tries is told to people.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.now import Now

# A strange lease is told of for so long after it was last heard [s]: long enough for an alarm to be raised.
TOLD_S = 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Overheard:
    """What was heard of one board's leases: our own latest number, and the last that was not ours."""

    seq: int = 0
    strange_s: float = -math.inf
    what: str = ""


UNHEARD = Overheard()


def weigh(
    before: Overheard, ours: str, session: str | None, seq: int, now: Now, *, retained: bool
) -> Overheard:
    """Return what was heard and one message more.

    Parameters
    ----------
    ours
        The name of this run of the controller.
    session, seq
        Those of the lease heard; None and 0 for what is no lease.
    retained
        Whether the broker had kept it: no lease is ever to be kept.
    """
    if retained:
        what = "the broker had kept one for it, as none should be; that is cleared"
    elif session is None:
        what = "what was sent to it is no lease"
    elif session != ours:
        what = f"somebody else gives it leases, as '{session}'"
    elif seq <= before.seq:
        what = f"our lease {seq} was sent to it again"
    else:
        return replace(before, seq=seq)
    return replace(before, strange_s=now.mono_s, what=what)


def of_strangers(overheard: Mapping[str, Overheard], now: Now) -> list[Finding]:
    """Return the boards that somebody else lately spoke to."""
    return [
        finding(FindingCode.STRANGE_LEASE, board, f"board {board}: {heard.what}")
        for board, heard in overheard.items()
        if now.mono_s - heard.strange_s < TOLD_S
    ]
