"""Hand orders: what a person asked for, for how long, and whether it can be taken."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

from controller.guard.now import Now

# No order outlasts a night; keeping heat off needs a fresh look sooner.
LONGEST_ON_S = 12 * 3600.0
LONGEST_OFF_S = 4 * 3600.0


class Order(StrEnum):
    """The three positions of a hand-off-auto switch, and taking the latest order back."""

    HAND_ON = "hand-on"
    HAND_OFF = "hand-off"
    AUTO = "auto"
    TAKEN_BACK = "taken-back"


# An order as it stands, for a tree and for a vent.
_IN_WORDS = {
    Order.HAND_ON: ("{} is heated by hand", "{} is open by hand"),
    Order.HAND_OFF: ("heat is kept off {}", "{} is shut by hand"),
    Order.AUTO: ("{} is on automatic", "{} is on automatic"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOrder:
    """An order for a tree or vent; ``target`` "all" means every tree.

    ``consent`` holds the words by which a person lets a tree's fruit go, and keeps heat off even where it is
    lost; ``of`` is the id of the order that is taken back.
    """

    id: str
    who: str
    target_kind: Literal["tree", "vent", "all"]
    target: str
    order: Order
    until: datetime
    version: int = 0
    consent: str = ""
    of: str = ""

    @property
    def lets_go(self) -> bool:
        """Whether it keeps heat off even where fruit is lost."""
        return bool(self.consent) and self.order is Order.HAND_OFF


def words_to_let_go(tree: str) -> str:
    """Return the words that a person must type to keep heat off a tree whatever it costs."""
    return f"let the {tree} go"


Key = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingOrder:
    """An order that stands, ended by the monotonic clock so that no clock change prolongs it.

    Its ``until`` is the end that it was given, for people, whatever was asked.
    """

    order: HandOrder
    ends_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the guard says to an order."""

    id: str
    accepted: bool
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """The latest order for each target, and what stood before the latest of all, should it be taken back.

    Orders that have ended stay, so that they are told and their version counts.
    """

    standing: Mapping[Key, StandingOrder] = field(default_factory=dict)
    latest: str = ""
    before: Mapping[Key, StandingOrder] = field(default_factory=dict)


def take(orders: Orders, order: HandOrder, known: frozenset[str], now: Now) -> tuple[Orders, Answer]:
    """Return the orders after one more, and the answer to the person.

    ``known`` names the trees or vents it may be for; it is empty for "all".
    """
    if order.order is Order.TAKEN_BACK:
        return _take_back(orders, order, now)
    key = (order.target_kind, order.target)
    last = orders.standing.get(key)
    standing, answer = weigh(order, known, last.order.version if last else 0, now)
    if standing is None:
        return orders, answer
    after = {**orders.standing, key: standing}
    if order.target_kind == "all":  # an order for all replaces what stood for single trees
        after = {k: o for k, o in after.items() if k == key or k[0] == "vent"}
    again = order.id == orders.latest  # a message that came twice
    return Orders(standing=after, latest=order.id, before=orders.before if again else orders.standing), answer


def _take_back(orders: Orders, order: HandOrder, now: Now) -> tuple[Orders, Answer]:
    if not order.of or order.of != orders.latest:
        because = "only the latest order can be taken back, and another came since; look again"
        return orders, Answer(id=order.id, accepted=False, because=because)
    left = [in_words(each.order) for each in in_force(orders.before, now)]
    because = f"taken back; what stands: {', '.join(left) or 'everything on automatic'}"
    return Orders(standing=orders.before), Answer(id=order.id, accepted=True, because=because)


def in_force(standing: Mapping[Key, StandingOrder], now: Now) -> Iterator[StandingOrder]:
    """Yield the orders that act now."""
    for each in standing.values():
        if each.order.order is not Order.AUTO and now.mono_s < each.ends_s:
            yield each


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
    refusal = _refusal(order, known, standing_version, now)
    if refusal:
        return None, Answer(id=order.id, accepted=False, because=refusal)
    asked_s = (order.until - now.utc).total_seconds()
    longest_s = LONGEST_OFF_S if order.order is Order.HAND_OFF else LONGEST_ON_S
    # without a trusted clock the length asked for is unknown, and the longest allowed stands
    length_s = min(asked_s, longest_s) if now.clock_trusted else longest_s
    ends = now.utc + timedelta(seconds=length_s)
    if order.order is Order.AUTO:
        because = in_words(order)
    else:
        because = f"{in_words(order)} until {ends:%Y-%m-%d %H:%M} UTC"
        because += f", the longest allowed ({longest_s / 3600:g} h)" if length_s < asked_s else ""
        because += _about_fruit(order)
    standing = StandingOrder(order=replace(order, until=ends), ends_s=now.mono_s + length_s)
    return standing, Answer(id=order.id, accepted=True, because=because)


def in_words(order: HandOrder) -> str:
    """Return an order in words, without its end."""
    for_tree, for_vent = _IN_WORDS[order.order]
    what = "everything" if order.target_kind == "all" else order.target
    return (for_vent if order.target_kind == "vent" else for_tree).format(what)


def _refusal(order: HandOrder, known: frozenset[str], standing_version: int, now: Now) -> str:
    """Return why an order cannot be taken; empty if it can."""
    if order.target_kind != "all" and order.target not in known:
        return f"there is no {order.target_kind} '{order.target}'; known are: {', '.join(sorted(known))}"
    if order.version and order.version <= standing_version:
        return f"it has version {order.version}, but version {standing_version} already stands; look again"
    asked_s = (order.until - now.utc).total_seconds()
    if order.order is not Order.AUTO and now.clock_trusted and not asked_s > 0:
        return f"it ended at {order.until:%Y-%m-%d %H:%M} UTC, before it arrived"
    if order.consent:
        if order.order is not Order.HAND_OFF or order.target_kind != "tree":
            return "fruit is let go only with an order that keeps heat off one tree, named by itself"
        words = words_to_let_go(order.target)
        if " ".join(order.consent.lower().split()) != words:
            return f"it says '{order.consent}'; to lose this tree's fruit on purpose, say '{words}'"
    return ""


def _about_fruit(order: HandOrder) -> str:
    if order.order is not Order.HAND_OFF or order.target_kind == "vent":
        return ""
    if order.lets_go:
        return "; its fruit may freeze"
    how = f", unless the order says '{words_to_let_go(order.target)}'" if order.target_kind == "tree" else ""
    return f"; where fruit is lost it is heated all the same{how}"
