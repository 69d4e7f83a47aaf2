"""The ladder of rules for one vent: the first rule that applies decides.

1  heat on             a string of the house heats            -> shut: heat and vent never together
2  bad input           the house probe says nothing sound     -> its resting position
3  frost lock          house or outside below the lock        -> shut
4  hand order          on -> open or running;  off -> shut
5  house hot           above the ceiling -> open; once open, until 2 K below it
6  bank heat           a frost night is near: the ceiling is 4 K higher        -> shut
7  house cool          -> shut
"""

from dataclasses import dataclass

from controller.guard.decision import Decision, Reason
from controller.guard.evidence import Evidence
from controller.guard.hand import HandOrder, Order
from controller.guard.now import Now

# Once open, stay open until the house is this far below the ceiling.
BAND_K = 2.0
# Before a frost night the ceiling is this much higher: the soil keeps the afternoon's warmth for the night.
BANK_K = 4.0
# A vent that moved for the house's warmth stays for this long; frost and heat shut it at once.
MINIMUM_STAY_S = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VentRules:
    """What the ladder needs to know of a vent."""

    name: str
    rests_open: bool
    open_above_c: float
    lock_below_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VentMemory:
    """What the ladder remembers."""

    open: bool
    changed_s: float = float("-inf")


def decide_vent(
    rules: VentRules,
    memory: VentMemory,
    house: Evidence,
    outside: Evidence | None,
    order: HandOrder | None,
    now: Now,
    *,
    heating: bool,
    bank_heat: bool = False,
) -> tuple[Decision, VentMemory]:
    """Return whether a vent shall be open, and the memory for the next time.

    ``bank_heat`` is the plan's word that the coming night needs heat.
    """
    decision = _ladder(rules, memory, house, outside, order, now, heating=heating, bank_heat=bank_heat)
    if decision.active != memory.open:
        memory = VentMemory(open=decision.active, changed_s=now.mono_s)
    return decision, memory


def _ladder(
    rules: VentRules,
    memory: VentMemory,
    house: Evidence,
    outside: Evidence | None,
    order: HandOrder | None,
    now: Now,
    *,
    heating: bool,
    bank_heat: bool,
) -> Decision:
    def record(
        reason: Reason, *, opened: bool, temp_c: float = house.temp_c, limit_c: float = float("nan")
    ) -> Decision:
        return Decision(
            kind="vent",
            name=rules.name,
            at=now.utc,
            active=opened,
            reason=reason,
            temp_c=temp_c,
            limit_c=limit_c,
            age_s=house.age_s,
            ahead_s=house.ahead_s,
            probe=house.probe,
            who=order.who if order else "",
            until=f"{order.until:%H:%M} UTC" if order else "",
            rest=f"the vent rests {'open' if rules.rests_open else 'shut'}",
        )

    if heating:
        return record(Reason.HEAT_ON, opened=False)
    if house.fault is not None:
        return record(house.fault, opened=rules.rests_open)
    coldest_c = house.temp_c
    if outside is not None and outside.fault is None:
        coldest_c = min(coldest_c, outside.temp_c)
    if not coldest_c >= rules.lock_below_c:
        return record(Reason.FROST_LOCK, opened=False, temp_c=coldest_c, limit_c=rules.lock_below_c)
    if order is not None and order.order is not Order.AUTO:
        opened = order.order is Order.HAND_ON
        return record(Reason.HAND_OPEN if opened else Reason.HAND_SHUT, opened=opened)
    settled = now.mono_s - memory.changed_s >= MINIMUM_STAY_S
    ceiling_c = rules.open_above_c + (BANK_K if bank_heat else 0.0)
    close_below_c = ceiling_c - BAND_K
    if memory.open and (house.temp_c > close_below_c or not settled):
        return record(Reason.NOT_YET_COOL, opened=True, limit_c=close_below_c)
    if house.temp_c > ceiling_c and settled:
        return record(Reason.HOUSE_HOT, opened=True, limit_c=ceiling_c)
    if bank_heat and house.temp_c > rules.open_above_c:
        return record(Reason.BANK_HEAT, opened=False, limit_c=ceiling_c)
    return record(Reason.HOUSE_COOL, opened=False, limit_c=rules.open_above_c)
