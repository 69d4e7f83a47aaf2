"""How a tree takes its heat: strings that are on must warm it, and while they are on the tree must not cool.

A string that was dead before it went on shows in half an hour, as the tree is no warmer.  One that dies while
it heats, a breaker that trips and fleece that blows off show within minutes, as the tree cools although it is
heated: long before fruit is in danger, and also where half of the strings still heat.

What else cools a heated tree does not count.  A cold front cools the house as well; a cloud does it by day
only; in mild air a string's frost-stat rests it, whatever its board says; and where boards let only some of a
tree's strings off, or one of them is not heard, nobody knows what warms it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.guard.decision import BAD_INPUT, Decision, Reason
from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.now import Now

# A string that was off and is on must warm its tree by this much within this time: a sound one gives its air
# several kelvin (common practice, no source; the rehearsed nights show no false one).
EFFECT_S = 1800.0
EFFECT_K = 0.3
# A heated tree that falls by so much within this time has lost heat: sound ones fall by 0.25 K at most in the
# rehearsed nights and winters (computed); with every string dead they fall by a kelvin in seven minutes.
FALL_S = 600.0
FALL_K = 0.45
# It was as warm as it was at so many looks: a single word that is too warm spans two or three.
WARM_LOOKS = 4
# Looks further apart than this do not follow a fall [s].
APART_S = 120.0
# A frost-stat that passes the wiring test is closed in air no warmer than this [°C].
CLOSED_C = 2.0

# From such a probe neither rise nor fall can be seen; one that is stuck or doubted may hide a dead string, so
# that is told.
_UNSEEN = BAD_INPUT - {Reason.PROBE_FROZEN}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """From which reading a heated tree fell, to which, within what time, and what it was above the house."""

    from_c: float
    to_c: float
    within_s: float
    above_house_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Warming:
    """How a tree took the heat of its strings.

    Attributes
    ----------
    is_lit : bool
        Whether its strings are on, or may be.
    since_s, began_c, highest_c : float
        Since when it has to become warmer, from which reading, and how warm it became since; the time is
        infinite unless its strings were seen to go on.
    probe : str
        Whose readings ``lately`` holds.
    lately : tuple of (s, °C, K)
        When it was last looked at while a fall would have meant something, what it read, and how much warmer
        than the house that was.
    fell : Fall or None
        How it fell in spite of the heat; None if it did not, or has come back.
    """

    is_lit: bool = False
    since_s: float = math.inf
    began_c: float = math.nan
    highest_c: float = -math.inf
    probe: str = ""
    lately: tuple[tuple[float, float, float], ...] = ()
    fell: Fall | None = None

    @property
    def is_proof(self) -> bool:
        """Whether it proves that the heat arrives: a string on, and its tree warmer."""
        return self.rise_k >= EFFECT_K

    @property
    def rise_k(self) -> float:
        """How far it has warmed [K]; NaN without a reading."""
        return self.highest_c - self.began_c


_UNLIT = Warming()


def follow(
    before: Warming | None, decision: Decision, house_c: float, now: Now, *, lit: bool | None, dark: bool
) -> Warming:
    """Return how a tree takes its heat, after a look at its reading and its strings.

    Parameters
    ----------
    before : Warming or None
        What was known of it; None at the first look.
    decision : Decision
        The last for this tree, with the reading it went by.
    house_c : float
        What the house reads [°C]; NaN where that tells nothing.
    now : Now
        The present.
    lit : bool or None
        Whether boards say that all of its strings are on; None if one of them is not heard.
    dark : bool
        Whether no sun shines, for sure, and nobody says that the fleece is off.
    """
    if lit is None:  # on when it is heard again need not be newly on
        return Warming(is_lit=True)
    if not lit:
        return _UNLIT
    temp_c = math.nan if decision.reason in _UNSEEN else decision.temp_c
    if math.isnan(temp_c):
        return Warming(is_lit=True) if before is None else before
    after = _rise(before, temp_c, now)
    if not (dark and temp_c <= CLOSED_C):
        return replace(after, lately=(), fell=None)
    above_house_k = temp_c - house_c
    if math.isnan(above_house_k):
        return after
    seen = after.lately
    if after.probe != decision.probe or not seen or now.mono_s - seen[-1][0] > APART_S:
        seen = ()
    lately = (*(each for each in seen if now.mono_s - each[0] <= FALL_S), (now.mono_s, temp_c, above_house_k))
    return replace(after, probe=decision.probe, lately=lately, fell=_fell(after.fell, lately))


def _rise(before: Warming | None, temp_c: float, now: Now) -> Warming:
    """Return from where a tree that is heated has to rise, and how far it came."""
    if before is None:  # on before anybody looked: nobody knows from where it rose
        return Warming(is_lit=True)
    may_rest = temp_c > CLOSED_C and before.since_s < math.inf  # by its frost-stat: the time does not run
    if not before.is_lit or (may_rest and not before.is_proof and temp_c < before.began_c):
        return replace(before, is_lit=True, since_s=now.mono_s, began_c=temp_c, highest_c=temp_c)
    since_s = now.mono_s if may_rest else before.since_s
    return replace(before, since_s=since_s, highest_c=max(before.highest_c, temp_c))


def _fell(before: Fall | None, lately: tuple[tuple[float, float, float], ...]) -> Fall | None:
    """Return how a tree has fallen, by itself and beside the house; None if it has not, or has come back."""
    now_s, temp_c, above_house_k = lately[-1]
    if before is not None:
        has_come_back = above_house_k > before.above_house_k - 0.5 * FALL_K
        return None if has_come_back else before
    if len(lately) < WARM_LOOKS:
        return None
    then_s, from_c, was_above_k = sorted(lately, key=lambda each: -each[1])[WARM_LOOKS - 1]
    if not (from_c - temp_c >= FALL_K and was_above_k - above_house_k >= FALL_K):
        return None
    return Fall(from_c=from_c, to_c=temp_c, within_s=now_s - then_s, above_house_k=was_above_k)


def of_warming(
    before: Mapping[str, Warming],
    heat: Mapping[str, Decision],
    house_c: float,
    now: Now,
    *,
    lit: Mapping[str, bool | None],
    dark: frozenset[str],
) -> tuple[list[Finding], dict[str, Warming]]:
    """Return which trees are heated without effect, and what is now known of each.

    Parameters
    ----------
    before, heat
        What was known of each tree's warming, and what was decided for it.
    house_c
        What the house reads [°C]; NaN where that tells nothing.
    now
        The present.
    lit
        Of each tree whether boards say that all of its strings are on; None if one of them is not heard.
    dark
        The trees that no sun and no taking off of fleece changes.
    """
    found, after = [], {}
    for name, decision in heat.items():
        taken = after[name] = follow(
            before.get(name), decision, house_c, now, lit=lit[name], dark=name in dark
        )
        if decision.reason in _UNSEEN or not decision.temp_c <= CLOSED_C:
            continue
        if because := _because(name, taken, decision.temp_c, now):
            found.append(finding(FindingCode.HEAT_WITHOUT_EFFECT, name, because))
    return found, after


def _because(name: str, taken: Warming, temp_c: float, now: Now) -> str:
    """Return how it shows that a tree's heat has no effect; empty if it does not."""
    if (fell := taken.fell) is not None:
        return (
            f"{name} fell from {fell.from_c:.1f} °C to {fell.to_c:.1f} °C within "
            f"{fell.within_s / 60:.0f} min while it was heated, and the house did not"
        )
    lit_s = now.mono_s - taken.since_s
    if lit_s >= EFFECT_S and not taken.is_proof:
        return (
            f"{name} has been heated for {lit_s / 60:.0f} min and is at {temp_c:.1f} °C, from "
            f"{taken.began_c:.1f} °C"
        )
    return ""
