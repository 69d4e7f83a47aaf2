"""What is remembered of one probe: its last words, and how it has been speaking.

A word that is warmer than the one before by more than air can warm is a leap: until the next word confirms
it, the one before stands, for two reporting periods at most.  A colder word counts at once, since it can only
bring heat.  Each word is compared with the two before it: their second difference is nothing for air, however
fast it warms or cools, and large for a loose wire.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from controller.guard.now import Now

# What air near a citrus house can be; what broken probes of common kinds say lies outside.
LOWEST_TEMP_C = -40.0
HIGHEST_TEMP_C = 60.0
# Air under fleece beside lamps warms by 0.6 K/min at most in the rehearsed nights; a leap is more than this.
LEAP_K = 2.0
LEAP_K_PER_S = LEAP_K / 60.0
# Air this hot must be believed at the second word, however fast it still warms.
HOT_C = 30.0
# A reading in °F is this near to the one before it in °C [K], and falls by more than this when that ends.
UNIT_K, FALLS_BACK_K = 0.6, 5.0
# Words nearer in time than this can be compared with one another; between others a string may have cycled.
NEAR_S = 90.0
# Each word counts a tenth in the mean square, and a leap no more than 2 K: one leap is not yet noise.
_SHARE, _LARGEST_SQUARE_K2 = 0.1, 4.0
# A word dated so much before the last one is late; one dated earlier comes from a clock set back [s].
LATE_S = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeMemory:
    """What is remembered of one probe.

    ``temp_c``, ``at``, ``heard_s`` belong to the last word that may count; ``said_c`` and ``before_c`` to the
    last words of all, ``raw_c`` without correction.  ``others_c`` are the temperatures of all probes when it
    began to say the same.  ``words`` counts those in a row that are numbers a probe here can see, since the
    probe or its board started; ``zeros_only`` tells that all of them were 0.0, ``other_unit`` that it has
    begun to speak °F; ``rough_k2`` is the variance of a word as its neighbours show it.
    """

    temp_c: float
    at: datetime | None
    heard_s: float
    same_since_s: float
    others_c: Mapping[str, float]
    rh_pct: float = math.nan
    said_c: float = math.nan
    before_c: float = math.nan
    raw_c: float = math.nan
    said_at: datetime | None = None
    said_s: float = -math.inf
    words: int = 0
    zeros_only: bool = False
    other_unit: bool = False
    rough_k2: float = 0.0


def remember(
    previous: ProbeMemory | None,
    temp_c: float,
    at: datetime | None,
    others_c: Mapping[str, float],
    now: Now,
    rh_pct: float = math.nan,
    raw_c: float = math.nan,
) -> ProbeMemory:
    """Return a probe's memory after a reading; one heard before, or dated before the last, changes nothing.

    Parameters
    ----------
    previous
        The memory before; None at the first word.
    temp_c, raw_c
        The reading [°C], corrected and as it came.
    at
        Its stamp, if it has one.
    others_c
        The last temperatures of all probes.
    now, rh_pct
        The present, and the humidity that came with it.
    """
    is_sound = LOWEST_TEMP_C <= temp_c <= HIGHEST_TEMP_C
    if previous is None:
        return ProbeMemory(
            temp_c=temp_c,
            at=at,
            heard_s=now.mono_s,
            same_since_s=now.mono_s,
            others_c=others_c,
            rh_pct=rh_pct,
            said_c=temp_c,
            raw_c=raw_c,
            said_at=at,
            said_s=now.mono_s,
            words=int(is_sound),
            zeros_only=raw_c == 0.0,
        )
    if at is not None and previous.said_at is not None and _is_old(at, previous.said_at):
        return previous
    same = temp_c == previous.temp_c
    if is_sound and temp_c > previous.temp_c + LEAP_K and _leaps(previous, temp_c, now):
        counts_c, counts_at, heard_s = previous.temp_c, previous.at, previous.heard_s
        same = True  # what counts has not changed
    else:
        counts_c, counts_at, heard_s = temp_c, at, now.mono_s
    return ProbeMemory(
        temp_c=counts_c,
        at=counts_at,
        heard_s=heard_s,
        same_since_s=previous.same_since_s if same else now.mono_s,
        others_c=previous.others_c if same else others_c,
        rh_pct=rh_pct,
        said_c=temp_c,
        before_c=previous.said_c,
        raw_c=raw_c,
        said_at=at,
        said_s=now.mono_s,
        words=previous.words + 1 if is_sound else 0,
        zeros_only=previous.zeros_only and raw_c == 0.0,
        other_unit=_other_unit(previous, temp_c),
        rough_k2=_rough_k2(previous, temp_c, now),
    )


def reborn(memory: ProbeMemory) -> ProbeMemory:
    """Return the memory of a probe whose board has started anew: its next words are its first."""
    return replace(memory, words=0, zeros_only=True)


def _is_old(at: datetime, last: datetime) -> bool:
    return -LATE_S < (at - last).total_seconds() <= 0.0


def _leaps(previous: ProbeMemory, temp_c: float, now: Now) -> bool:
    """Tell whether a word is warmer than air can have become, and not confirmed by the word before."""
    allowed_k = max(LEAP_K, LEAP_K_PER_S * (now.mono_s - previous.heard_s))
    confirmed = abs(temp_c - previous.said_c) <= LEAP_K or min(temp_c, previous.said_c) >= HOT_C
    return temp_c > previous.temp_c + allowed_k and not confirmed


def _other_unit(previous: ProbeMemory, temp_c: float) -> bool:
    """Tell whether a probe now says in °F what it last said in °C, until it falls back.

    Fire, the other thing that leaps so far, does not leap to just that number.
    """
    if previous.other_unit:
        return temp_c > previous.said_c - FALLS_BACK_K
    is_leap = temp_c > previous.temp_c + LEAP_K
    return is_leap and abs((temp_c - 32.0) / 1.8 - previous.temp_c) <= UNIT_K


def _rough_k2(previous: ProbeMemory, temp_c: float, now: Now) -> float:
    bend_k = temp_c - 2.0 * previous.said_c + previous.before_c
    if not (math.isfinite(bend_k) and now.mono_s - previous.said_s <= NEAR_S):
        return previous.rough_k2
    square_k2 = min(bend_k * bend_k, _LARGEST_SQUARE_K2)
    # of independent errors the second difference has six times the variance
    return previous.rough_k2 + _SHARE * (square_k2 / 6.0 - previous.rough_k2)
