"""An auditor who watches from outside the controller whether any string rests without a reason to."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic_core import from_json

from controller.bus.memory import MemoryBus
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.crop.limits import limits_of
from controller.site.model import Site

# A reading older than this is no reason to keep a string off [s]: two reporting periods and a control period.
SPOKEN_LATELY_S = 130.0
# So long may pass between a word and the relay that follows it [s]: two control periods.
OBEYED_WITHIN_S = 20.0
# An order to keep heat off ends after this long whatever it says, and a lease after this [s].
LONGEST_ORDER_S = 4 * 3600.0
LONGEST_LEASE_S = 300.0
# No probe near a tree can see anything else [°C].
LOWEST_C, HIGHEST_C = -40.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tree:
    name: str
    probes: tuple[str, ...]
    hold_c: float
    hand_off_floor_c: float


class Auditor:
    """Counts the control periods in which a string rested unjustly.

    It hears readings, hand orders and leases as they go over the bus, and looks at what the boards do.  Heat
    is due to a tree when the last word of one of its probes was not above its hold temperature (or, under an
    accepted order to keep it off, not above the floor of such orders), was no temperature, or was spoken too
    long ago.  A string rests unjustly when, a moment after heat fell due, it is off by a lease given since,
    or when it is off longer than any lease given before can last.

    Parameters
    ----------
    site, bus
        What stands there, and where it is spoken of.
    start_utc : datetime
        The true time at which the bus's clock stood at 0 s.

    Attributes
    ----------
    unjustified_off : int
        Control periods so far, counted for each tree.

    """

    def __init__(self, site: Site, bus: MemoryBus, start_utc: datetime) -> None:
        topics = Topics(site.name)
        self.unjustified_off = 0
        self._start_utc = start_utc
        self._bus = bus
        self._hand, self._answer = topics.hand(""), topics.answer("")
        self._leases = {topics.lease(board.name): board.name for board in site.boards}
        self._tree_of = {string.channel: tree.name for tree in site.trees for string in tree.strings}
        near_trees = {name for tree in site.trees for name in tree.probes}
        self._probes = {
            p.topic or topics.probe(p.name): (p.name, p.pointer) for p in site.probes if p.name in near_trees
        }
        self._said: dict[str, tuple[float, float]] = {}
        self._asked: dict[str, Any] = {}
        self._off_until_s: dict[str, float] = {}
        self._let_rest_s: dict[str, float] = {}
        self._cold_since_s: dict[str, float] = {}
        self._trees = [
            _Tree(
                name=tree.name,
                probes=tree.probes,
                hold_c=tree.hold_or_default_c,
                hand_off_floor_c=limits_of(tree).hand_off_floor_c,
            )
            for tree in site.trees
        ]
        heard = (*self._probes, *self._leases, f"{self._hand}#", f"{self._answer}#")
        bus.connect("auditor", heard, self._hear)

    def look(self, now_s: float, resting: Sequence[bool]) -> None:
        """Look at the boards at a time of the rehearsal; ``resting`` tells whose strings are held off."""
        for tree, rests in zip(self._trees, resting, strict=True):
            if not rests or self._may_rest(tree, now_s):
                self._cold_since_s.pop(tree.name, None)
                continue
            due_s = self._cold_since_s.setdefault(tree.name, now_s) + OBEYED_WITHIN_S
            given_since = self._let_rest_s.get(tree.name, -math.inf) > due_s
            if (now_s > due_s and given_since) or now_s > due_s + LONGEST_LEASE_S:
                self.unjustified_off += 1

    def _may_rest(self, tree: _Tree, now_s: float) -> bool:
        ordered_off = now_s < self._off_until_s.get(tree.name, -math.inf)
        limit_c = tree.hand_off_floor_c if ordered_off else tree.hold_c
        words = [self._said.get(probe, (-math.inf, math.nan)) for probe in tree.probes]
        return all(temp_c > limit_c and now_s - at_s <= SPOKEN_LATELY_S for at_s, temp_c in words)

    def _hear(self, message: Message) -> None:
        if message.retained:
            return  # an old word
        try:
            said = from_json(message.payload)
        except ValueError:
            return  # not a word at all
        if message.topic in self._probes:
            self._note_reading(*self._probes[message.topic], said)
        elif message.topic in self._leases:
            for channel in said["off"]:
                tree = self._tree_of.get(f"{self._leases[message.topic]}/{channel}", "")
                self._let_rest_s[tree] = self._bus.now_s
        elif message.topic.startswith(self._hand):
            self._asked[message.topic.removeprefix(self._hand)] = said
        elif said["accepted"] and (order := self._asked.get(said["order"])) is not None:
            self._note_order(order)

    def _note_reading(self, probe: str, pointer: str | None, said: Any) -> None:
        for key in (pointer or "/temp_c").split("/")[1:]:
            said, at = (said.get(key, ""), said.get("at")) if isinstance(said, dict) else ("", None)
        if said is None:
            self._said[probe] = (self._bus.now_s, math.nan)
        elif isinstance(said, int | float) and not isinstance(said, bool) and math.isfinite(said):
            spoken_s = self._bus.now_s if at is None else min(self._bus.now_s, self._seconds(at))
            if spoken_s >= self._said.get(probe, (-math.inf,))[0]:  # a word overtaken on its way is none
                self._said[probe] = (spoken_s, said if LOWEST_C <= said <= HIGHEST_C else math.nan)

    def _note_order(self, said: Any) -> None:
        for tree in self._trees:
            if said.get("tree") == tree.name or said.get("all"):
                is_off = said["order"] == "hand-off"
                ends_s = min(self._seconds(said["until"]), self._bus.now_s + LONGEST_ORDER_S)
                self._off_until_s[tree.name] = ends_s if is_off else -math.inf

    def _seconds(self, at: str) -> float:
        return (datetime.fromisoformat(at) - self._start_utc).total_seconds()
