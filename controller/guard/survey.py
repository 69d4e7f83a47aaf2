"""What the probes say beside the weather and beside one another: another unit, another place, how often.

Each probe is looked at every half minute of the night, when nothing but heat under fleece is much warmer than
the outside air.  A probe that has never been within reach of it since it or its board started speaks another
unit or hangs elsewhere, and does not count; one that was within reach and leaves it is hot, and that is for
the ladder.  By day the sun may warm anything, and everything stands as it was.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from controller.guard.evidence import FIRST_WORDS, STALE_PERIODS, Evidence
from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.now import Now
from controller.guard.reading import ProbeMemory

SURVEY_S = 30.0
# How much warmer than the outside air a probe may be by night [K].  Heat under fleece gives a tree 10 K at
# most and the house 5 K (the rehearsed nights: 8 and 2); a tree at 0 °C read in °F is 32.
REACH_K = {"tree": 20.0, "house": 12.0}
# The outside probe and the forecast differ by less than this, or one of them is wrong [K]: the forecast, if
# the house is at night what it is beside such an outside, from ``NIGHT_K`` colder to so much warmer.
OUTSIDE_K, OUTSIDE_FOR_S, HOUSE_WARMER_K = 8.0, 3600.0, 6.0
# A probe counts as heard at a look if it spoke within so many periods; each look counts one part in sixty.
HEARD_PERIODS, _SHARE = 1.25, 1.0 / 60.0
# With half of its words lost a probe is found heard at 56 % of all looks.
LEAST_HEARD = 0.65
# A house is warmer than the outside in the sun, and never much colder by night; so long the other way round,
# their probes are swapped.  A warm front over cold soil makes a simulated house 2.5 K colder for an hour.
BRIGHT_W_M2, SUNNY_K, NIGHT_K, SWAPPED_FOR_S = 200.0, 3.0, 4.0, 7200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """The outside temperature expected now [°C] and the sunshine [W/m²]; NaN where nobody knows."""

    outside_c: float
    sun_w_m2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What the looks have come to.

    ``within_reach`` are the probes that have been so since they started, ``far_off`` those that do not count.
    """

    at_s: float = -math.inf
    within_reach: frozenset[str] = frozenset()
    far_off: frozenset[str] = frozenset()
    astray_since_s: Mapping[str, float] = field(default_factory=dict)
    heard: Mapping[str, float] = field(default_factory=dict)
    swapped_since_s: float = math.inf


UNSEEN = Survey()


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Which probes measure what, and how often each reports [s]."""

    tree: frozenset[str]
    house: tuple[str, ...]
    outside: tuple[str, ...]
    periods_s: Mapping[str, float]


def survey(
    before: Survey,
    measured: Measured,
    memories: Mapping[str, ProbeMemory],
    house_c: float,
    outside_c: float,
    sky: Sky,
    now: Now,
) -> Survey:
    """Return what the looks have come to with one more.

    Parameters
    ----------
    before
        What they had come to.
    measured, memories
        The probes, and what is remembered of each.
    house_c, outside_c
        What house and outside probes read; NaN where they may not be believed.
    sky
        What is known of the outside.
    now
        The present.
    """
    fresh = {
        name: memory
        for name, memory in memories.items()
        if now.mono_s - memory.said_s <= STALE_PERIODS * measured.periods_s[name]
    }
    within, far, astray = set(before.within_reach), set(before.far_off), dict(before.astray_since_s)
    within -= {name for name, memory in memories.items() if memory.words <= FIRST_WORDS}
    if sky.sun_w_m2 <= 0.0:
        _look_outside(measured, fresh, house_c, sky, astray, far, now)
        beside_c = sky.outside_c if math.isfinite(sky.outside_c) else outside_c
        if math.isfinite(beside_c):
            _look_inside(measured, fresh, beside_c, within, far)
    return Survey(
        at_s=now.mono_s,
        within_reach=frozenset(within),
        far_off=frozenset(far),
        astray_since_s=astray,
        heard={
            name: (1.0 - _SHARE) * before.heard.get(name, 1.0)
            + _SHARE * (now.mono_s - memory.said_s <= HEARD_PERIODS * measured.periods_s[name])
            for name, memory in memories.items()
        },
        swapped_since_s=_swapped_since_s(before, house_c, outside_c, sky, now),
    )


def _look_outside(
    measured: Measured,
    fresh: Mapping[str, ProbeMemory],
    house_c: float,
    sky: Sky,
    astray: dict[str, float],
    far: set[str],
    now: Now,
) -> None:
    for name in measured.outside:
        if name not in fresh or math.isnan(sky.outside_c):
            continue
        temp_c = fresh[name].temp_c
        if abs(temp_c - sky.outside_c) <= OUTSIDE_K or -NIGHT_K <= house_c - temp_c <= HOUSE_WARMER_K:
            astray.pop(name, None)
            far.discard(name)
        elif now.mono_s - astray.setdefault(name, now.mono_s) >= OUTSIDE_FOR_S:
            far.add(name)


def _look_inside(
    measured: Measured, fresh: Mapping[str, ProbeMemory], beside_c: float, within: set[str], far: set[str]
) -> None:
    for names, reach_k in ((measured.tree, REACH_K["tree"]), (measured.house, REACH_K["house"])):
        for name in fresh.keys() & names:
            if fresh[name].temp_c <= beside_c + reach_k:
                within.add(name)
                far.discard(name)
            elif name not in within:
                far.add(name)


def _swapped_since_s(before: Survey, house_c: float, outside_c: float, sky: Sky, now: Now) -> float:
    if sky.sun_w_m2 > BRIGHT_W_M2:
        looks_swapped = house_c < outside_c - SUNNY_K
    elif sky.sun_w_m2 <= 0.0:
        looks_swapped = house_c < outside_c - NIGHT_K
    else:  # dawn, dusk and grey days say nothing
        return before.swapped_since_s
    return min(before.swapped_since_s, now.mono_s) if looks_swapped else math.inf


def of_survey(seen: Survey, measured: Measured, evidence: Iterable[Evidence], now: Now) -> list[Finding]:
    """Return what the looks find wrong that no single word shows."""
    found = []
    for each in evidence:
        share = seen.heard.get(each.probe, 1.0)
        if share < LEAST_HEARD and each.fault is None:
            because = f"{each.probe} was heard in time at {share:.0%} of the last hour's looks"
            found.append(finding(FindingCode.PROBE_INTERMITTENT, each.probe, because))
    if now.mono_s - seen.swapped_since_s >= SWAPPED_FOR_S:
        hours = (now.mono_s - seen.swapped_since_s) / 3600.0
        because = f"for {hours:.0f} h the house has read colder than the outside, which no sound house is"
        found.append(finding(FindingCode.HOUSE_OUTSIDE_SWAPPED, measured.house[0], because))
    return found
