"""The monthly proof that heat comes on by itself: one lease cut short, by day and in mild air.

A board that would hold heaters off with a dead controller shows it here, months before a frost would.  One
renewal lives 20 s in place of 300; the next comes a minute later as always.  In between every heater that
rested has to be echoed on.  In mild air its frost-stat then keeps it from drawing anything.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from controller.guard.decision import Decision, Reason
from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.lease import Lease

# A proof that passed holds for a month; one that failed is repeated the next day, to see that it was mended.
HOLDS_S = 30 * 86400.0
REPEATS_S = 86400.0
SHORT_S = 20.0
# The echo of heat that came on is at once; this much later it is missing, still before the next renewal [s].
ECHOED_WITHIN_S = 15.0
# By day, when somebody may be near, and with this much to spare above every limit [K].
FROM_HOUR, UNTIL_HOUR = 10, 15
MILD_K = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Proving:
    """A proof under way: what rested, and when its short lease was given."""

    board: str
    off: tuple[str, ...]
    given_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What came of one."""

    board: str
    passed: bool
    because: str


def is_due(passed: bool | None, ago_s: float) -> bool:  # noqa: FBT001 (three values)
    """Tell whether a board's last proof, so long ago, has to be made again; None for never."""
    return passed is None or ago_s >= (HOLDS_S if passed else REPEATS_S)


def may_prove(heat: Iterable[Decision], outside_c: float, hour: int) -> bool:
    """Tell whether nothing can be lost by a minute of heat: by day, every tree warm, outside mild as well."""
    decisions = tuple(heat)
    return (
        FROM_HOUR <= hour < UNTIL_HOUR
        and bool(decisions)
        # written so that not a number is no evidence of mild air
        and all(
            decision.reason is Reason.WARM_ENOUGH
            and decision.temp_c - decision.limit_c >= MILD_K
            and outside_c - decision.limit_c >= MILD_K
            for decision in decisions
        )
    )


def cut_short(lease: Lease, mono_s: float) -> tuple[Lease, Proving]:
    """Return a lease that soon ends by itself, and the proof that begins with it."""
    return replace(lease, ttl_s=SHORT_S), Proving(board=lease.board, off=lease.off, given_s=mono_s)


def judge(proving: Proving, on: Iterable[str], heard_s: float, mono_s: float) -> Proof | None:
    """Return what came of a proof, by the board's last echo; None while it cannot be told."""
    cold = [channel for channel in proving.off if channel not in set(on)]
    if not cold and heard_s > proving.given_s + 1.0:
        came_s = heard_s - proving.given_s
        because = f"heat was echoed on {came_s:.0f} s after a lease of {SHORT_S:g} s"
        return Proof(board=proving.board, passed=True, because=because)
    # silence is judged elsewhere: only an echo that is later than the lease's end speaks against a board
    if mono_s - proving.given_s > SHORT_S + ECHOED_WITHIN_S and heard_s - proving.given_s > SHORT_S:
        after = f"{mono_s - proving.given_s:.0f} s after a lease of {SHORT_S:g} s"
        because = f"channels {', '.join(cold)} were still off {after}"
        return Proof(board=proving.board, passed=False, because=because)
    return None


def finding_of(proof: Proof) -> Finding:
    """Return what a failed proof means for people."""
    return finding(FindingCode.REST_NOT_PROVED, proof.board, proof.because)
