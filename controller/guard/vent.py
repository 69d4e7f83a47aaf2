"""The ladder of rules for one vent: the first rule that applies decides.

1  heat on             a string of the house heats            -> shut: heat and vent never together
2  bad input           the house probe says nothing sound     -> its resting position
3  frost lock          house or outside below the lock        -> shut
4  hand order          on -> open or running;  off -> shut
5  house hot           above the ceiling -> open; once open, until 2 K below it.  The ceiling is lower while
                       blossom or fruitlets hang and before a hot day, higher before a frost night
6  fleece hot          30 °C under a fleece in morning sun    -> open, until 27 °C
7  bank heat           a frost night is near                  -> shut
8  cool night          a warm night: above 11 °C -> open, until 10 °C
9  drying              the air outside is drier and the house damp -> open
10 house cool          -> shut

Opening waits until the vent has stayed for a while; heat and frost shut it at once.  Each test asks for what
would justify opening, so that NaN leaves it shut.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.guard.decision import Decision, Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.now import Now
from controller.physics import saturation_vapour_pressure_kpa
from controller.plan.airing import DRIER_KPA, Airing, VentAsk

# Once open, stay open until the house is this far below the ceiling.
BAND_K = 2.0
# Before a frost night the ceiling is this much higher: the soil keeps the afternoon's warmth for the night.
BANK_K = 4.0
# Before a hot day it is this much lower, so that the house never has to be cooled from its ceiling.
EARLY_K = 4.0
# Vents with one and the same ceiling open one after the other, this much later each, at most this often.
STAGE_K, MOST_STAGES = 2.0, 3
# No setting, stage or banking keeps a vent shut above this: growth stops at 35, leaves scorch at about 40 °C.
HIGHEST_CEILING_C = 36.0
# While blossom or fruitlets hang: heat makes them drop, the more the nearer to 40 °C (from memory of Reuther
# and Syvertsen); citrus sets best at 25-30.
TENDER_CEILING_C = 30.0
# Under a fleece in morning sun; the strings' own cut is 5 K above.
FLEECE_HOT_C, FLEECE_COOL_C = 30.0, 27.0
# Summer nights: about 10-11 °C (common practice, no source).
NIGHT_OPEN_C, NIGHT_SHUT_C = 11.0, 10.0
# Moulds thrive below a vapour-pressure deficit of 0.43 kPa (Prenger & Ling, Ohio State AEX-804-01, from
# memory); dried until a little above it.
DAMP_VPD_KPA, DRY_VPD_KPA = 0.43, 0.55
# Where nobody measures humidity, air is changed for this long in each hour: two or three house volumes.
PURGE_S, PURGE_EVERY_S = 600.0, 3600.0
# Drying ends this far above the frost lock.
DRY_ABOVE_LOCK_K = 2.0
# A vent stays where it is for this long, twice as long where heat or frost shut it: fewer than twelve moves
# an hour whatever happens.
MINIMUM_STAY_S = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VentRules:
    """What the ladder needs to know of a vent."""

    name: str
    rests_open: bool
    open_above_c: float
    lock_below_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VentMemory:
    """What the ladder remembers; ``reason`` is that of the last move."""

    open: bool
    changed_s: float = -math.inf
    reason: Reason = Reason.HOUSE_COOL


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseSeen:
    """What is seen: air in the house and outside, the hottest under a fleece [°C], whether a string heats."""

    house: Evidence
    outside: Evidence | None = None
    fleece_c: float = math.nan
    heating: bool = False


def staged_k(open_above_c: Sequence[float]) -> list[float]:
    """Return how much later each vent opens than the site file says [K]: those with one ceiling in turn."""
    return [
        STAGE_K * min(sum(c == each_c for c in open_above_c[:i]), MOST_STAGES)
        for i, each_c in enumerate(open_above_c)
    ]


def decide_vent(
    rules: VentRules,
    memory: VentMemory,
    seen: HouseSeen,
    order: HandOrder | None,
    now: Now,
    ask: VentAsk | None = None,
) -> tuple[Decision, VentMemory]:
    """Return whether a vent shall be open, and the memory for the next time.

    ``ask`` is what the plan asks of vents; without one the house's temperature alone decides.
    """
    decision = _ladder(rules, memory, seen, order, now, ask)
    if decision.active != memory.open:
        memory = VentMemory(open=decision.active, changed_s=now.mono_s, reason=decision.reason)
    return decision, memory


def _ladder(
    rules: VentRules,
    memory: VentMemory,
    seen: HouseSeen,
    order: HandOrder | None,
    now: Now,
    ask: VentAsk | None,
) -> Decision:
    house = seen.house

    def record(
        reason: Reason,
        *,
        opened: bool,
        temp_c: float = house.temp_c,
        limit_c: float = math.nan,
        age_s: float = house.age_s,
    ) -> Decision:
        return Decision(
            kind="vent",
            name=rules.name,
            at=now.utc,
            active=opened,
            reason=reason,
            temp_c=temp_c,
            limit_c=limit_c,
            age_s=age_s,
            ahead_s=house.ahead_s,
            minimum_s=MINIMUM_STAY_S,
            probe=house.probe,
            who=order.who if order else "",
            until=f"{order.until:%H:%M} UTC" if order else "",
            rest=f"the vent rests {'open' if rules.rests_open else 'shut'}",
        )

    if seen.heating:
        return record(Reason.HEAT_ON, opened=False)
    if house.fault is not None:
        return record(house.fault, opened=rules.rests_open)
    coldest_c = house.temp_c
    if seen.outside is not None and seen.outside.fault is None:
        coldest_c = min(coldest_c, seen.outside.temp_c)
    if not coldest_c >= rules.lock_below_c:
        return record(Reason.FROST_LOCK, opened=False, temp_c=coldest_c, limit_c=rules.lock_below_c)
    if order is not None and order.order is not Order.AUTO:
        opened = order.order is Order.HAND_ON
        return record(Reason.HAND_OPEN if opened else Reason.HAND_SHUT, opened=opened)
    stay_s = now.mono_s - memory.changed_s
    forced = memory.reason in {Reason.HEAT_ON, Reason.FROST_LOCK}
    settled = stay_s >= MINIMUM_STAY_S * (2.0 if forced else 1.0)
    may_move = settled or memory.open
    airing = ask.airing if ask else Airing.PLAIN
    ceiling_c = _ceiling_c(rules, ask)
    close_below_c = ceiling_c - BAND_K
    if memory.open and memory.reason is Reason.HOUSE_HOT and house.temp_c > close_below_c:
        return record(Reason.NOT_YET_COOL, opened=True, limit_c=close_below_c)
    if house.temp_c > ceiling_c and may_move:
        return record(Reason.HOUSE_HOT, opened=True, limit_c=ceiling_c)
    fleece_limit_c = FLEECE_COOL_C if memory.open else FLEECE_HOT_C
    if seen.fleece_c > fleece_limit_c and may_move:
        return record(Reason.FLEECE_HOT, opened=True, temp_c=seen.fleece_c, limit_c=fleece_limit_c)
    if memory.open and not settled:
        return record(Reason.MINIMUM_STAY, opened=True, age_s=stay_s)
    if airing is Airing.KEEP and house.temp_c > rules.open_above_c:
        return record(Reason.BANK_HEAT, opened=False, limit_c=ceiling_c)
    night_limit_c = NIGHT_SHUT_C if memory.open else NIGHT_OPEN_C
    if airing is Airing.NIGHT and house.temp_c > night_limit_c and may_move:
        return record(Reason.COOL_NIGHT, opened=True, limit_c=night_limit_c)
    if airing is Airing.DRY and ask and may_move and _dries(rules, memory, house, ask, stay_s):
        return record(Reason.DRYING, opened=True)
    return record(Reason.HOUSE_COOL, opened=False, limit_c=rules.open_above_c)


def _ceiling_c(rules: VentRules, ask: VentAsk | None) -> float:
    """Return the house temperature above which the vent opens now [°C]."""
    ceiling_c = rules.open_above_c
    if ask is None:
        return min(ceiling_c, HIGHEST_CEILING_C)
    if ask.tender:
        ceiling_c = min(ceiling_c, TENDER_CEILING_C)
    if ask.airing is Airing.EARLY:
        ceiling_c -= EARLY_K
    if ask.airing is Airing.KEEP:
        ceiling_c += BANK_K
    return min(ceiling_c, HIGHEST_CEILING_C)


def _dries(rules: VentRules, memory: VentMemory, house: Evidence, ask: VentAsk, stay_s: float) -> bool:
    """Tell whether opening dries the house: by its hygrometer, else for ten minutes of each hour."""
    if not house.temp_c > rules.lock_below_c + DRY_ABOVE_LOCK_K:
        return False
    if math.isfinite(house.rh_pct):
        most_kpa = float(saturation_vapour_pressure_kpa(house.temp_c))
        held_kpa = most_kpa * house.rh_pct / 100.0
        limit_kpa = DRY_VPD_KPA if memory.open else DAMP_VPD_KPA
        return most_kpa - held_kpa < limit_kpa and held_kpa - ask.outside_kpa > DRIER_KPA
    return stay_s < PURGE_S if memory.open else stay_s >= PURGE_EVERY_S - PURGE_S
