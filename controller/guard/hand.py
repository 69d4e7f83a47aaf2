"""Hand orders: what a person asked for, for how long, and whether it can be taken."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

from controller.guard.now import Now

# No order outlasts a night; keeping heat off needs a fresh look sooner.
LONGEST_ON_S = 12 * 3600.0
LONGEST_OFF_S = 4 * 3600.0


class Order(StrEnum):
    """The three positions of a hand-off-auto switch."""

    HAND_ON = "hand-on"
    HAND_OFF = "hand-off"
    AUTO = "auto"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOrder:
    """An order for a tree or vent; ``target`` "all" means every tree."""

    id: str
    who: str
    target_kind: Literal["tree", "vent", "all"]
    target: str
    order: Order
    until: datetime
    version: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingOrder:
    """An order that stands, ended by the monotonic clock so that no clock change prolongs it."""

    order: HandOrder
    ends_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the guard says to an order."""

    id: str
    accepted: bool
    because: str


def weigh(
    order: HandOrder, known: frozenset[str], standing_version: int, now: Now
) -> tuple[StandingOrder | None, Answer]:
    """Return the order as it will stand (None if refused) and the answer to the person.

    Parameters
    ----------
    order
        What was asked.
    known
        Names of the trees or vents it may be for; empty for "all".
    standing_version
        Version of the last order for the same target.
    """
    asked_s = (order.until - now.utc).total_seconds()
    longest_s = LONGEST_OFF_S if order.order is Order.HAND_OFF else LONGEST_ON_S
    refusal = ""
    if order.target_kind != "all" and order.target not in known:
        refusal = f"there is no {order.target_kind} '{order.target}'; known are: {', '.join(sorted(known))}"
    elif order.version and order.version <= standing_version:
        refusal = f"it has version {order.version}, but version {standing_version} already stands; look again"
    elif order.order is not Order.AUTO and now.clock_trusted and not asked_s > 0:
        refusal = f"it ended at {order.until:%Y-%m-%d %H:%M} UTC, before it arrived"
    if refusal:
        return None, Answer(id=order.id, accepted=False, because=refusal)
    # without a trusted clock the length asked for is unknown, and the longest allowed stands
    length_s = min(asked_s, longest_s) if now.clock_trusted else longest_s
    ends = now.utc + timedelta(seconds=length_s)
    if order.order is Order.AUTO:
        because = f"{order.target} is on automatic"
    else:
        because = f"{order.order} for {order.target} until {ends:%Y-%m-%d %H:%M} UTC"
        because += f", the longest allowed ({longest_s / 3600:g} h)" if length_s < asked_s else ""
    standing = StandingOrder(order=order, ends_s=now.mono_s + length_s)
    return standing, Answer(id=order.id, accepted=True, because=because)
