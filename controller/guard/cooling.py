"""How fast a tree's reading falls when its string goes off: faster than air can, it hangs by a lamp.

A probe beside a lamp reads too warm while the string heats, so that heat rests too soon.  When it rests, the
reading falls within two minutes by what the lamp had added; the air under a fleece takes ten.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.guard.decision import Decision
from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.now import Now

# When the fall is measured [s], and what tells a lamp from air [K]: on the rehearsed nights air falls by
# 1.0 K in three minutes at most (computed).
AFTER_S, UNTIL_S, LAMP_K = 90.0, 150.0, 1.5
# Looks further apart than this do not see when the string went off [s].
APART_S = 60.0
# So often in a row, more or less: each slow fall takes one back.
TIMES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """What is remembered of a tree: its reading while its string was last on, and how it fell afterwards."""

    at_s: float = -math.inf
    lit_c: float = math.nan
    off_s: float = math.inf
    measured: bool = True
    fall_k: float = math.nan
    steep: int = 0


def follow(before: Cooling, temp_c: float, now: Now, *, lit: bool) -> Cooling:
    """Return what is remembered after a look at a tree's reading and its string."""
    if lit:
        return Cooling(
            at_s=now.mono_s, lit_c=temp_c, measured=False, fall_k=before.fall_k, steep=before.steep
        )
    if before.measured and before.off_s < math.inf:  # nothing to see until it is lit again
        return before
    off_s = min(before.off_s, now.mono_s)
    measured, fall_k, steep = before.measured, before.fall_k, before.steep
    measured = measured or not now.mono_s - before.at_s <= APART_S
    if not measured and now.mono_s - off_s >= AFTER_S:
        measured = True
        if now.mono_s - off_s <= UNTIL_S and math.isfinite(before.lit_c - temp_c):
            fall_k = before.lit_c - temp_c
            steep = min(steep + 1, TIMES + 1) if fall_k > LAMP_K else max(steep - 1, 0)
    return Cooling(
        at_s=now.mono_s, lit_c=before.lit_c, off_s=off_s, measured=measured, fall_k=fall_k, steep=steep
    )


def of_cooling(
    cooling: Mapping[str, Cooling], heat: Mapping[str, Decision], lit: frozenset[str], now: Now
) -> tuple[list[Finding], dict[str, Cooling]]:
    """Return whose probe hangs by a lamp, and what is now remembered of each tree."""
    after = {
        name: follow(cooling.get(name, Cooling()), decision.temp_c, now, lit=name in lit)
        for name, decision in heat.items()
    }
    found = [
        finding(
            FindingCode.PROBE_BY_LAMP,
            heat[name].probe,
            f"{heat[name].probe} fell by {each.fall_k:.1f} K within two minutes of its string going off, as "
            "it did before; air takes ten",
        )
        for name, each in after.items()
        if each.steep >= TIMES
    ]
    return found, after
