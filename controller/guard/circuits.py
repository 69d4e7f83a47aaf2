"""Declared watts against measured ones: strings dead or half dark, relays that stick, breakers that tripped.

Only circuits with a meter are judged.  What a string must draw is known from its board's echo and its tree:
on, and near frost, it draws, since its series frost-stat is closed; on, and not near frost, it may; off, it
must not; under a silent board it may.  When one string alone goes on, the step of the meter is its measured
power: the ledger.  Everything else is judged by the sum, and only when it has stood for a minute.  A sum that
turns right and wrong by itself is a contact that arcs or a loose terminal, and then no string is accused.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from controller.guard.finding import Finding, FindingCode, finding
from controller.guard.now import Now

# After a change the meter is believed when this has passed [s]: lamps are hot in a tenth of a second, meters
# send every 10 s or so and average (common practice, no source).
SETTLE_S = 20.0
# A deviation must stand for this long [s].
PERSIST_S = 60.0
# A meter that sends nothing for this long is silent [s].
METER_SILENT_S = 300.0
# Turns of the sum, right or wrong while nothing was switched, that within so long are no chance.
UNSTEADY_TURNS, UNSTEADY_S = 4, 3600.0
# Mains may be 10 % off (EN 50160), which moves the power of lamps, about V to the 1.6 (from memory), by 16 %;
# declared watts are off by some more.  Watts measured here move far less from hour to hour.
DECLARED_TOLERANCE = 0.25
MEASURED_TOLERANCE = 0.12
LEAST_W = 15.0
# Shares of a string's declared watts: below the first it is dead, below the second partly dark.
DEAD_SHARE, WEAK_SHARE = 0.25, 0.70
# A circuit drawing less than this share of what must be drawn has lost its supply.
TRIPPED_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitRules:
    """What hangs on a circuit: declared watts and tree, by 'board/channel'."""

    name: str
    declared_w: Mapping[str, float]
    trees: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Which strings of a circuit must draw now, and which may; all others must not."""

    must: frozenset[str] = frozenset()
    may: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitMemory:
    """What is remembered of a circuit.

    ``settled`` and ``settled_w`` are the last state in which the meter was believed, ``was_right`` whether
    its sum was then as it should be, ``turned_s`` when that changed while nothing was switched;
    ``measured_w`` is the ledger; ``found`` stands until it is judged again.
    """

    power_w: float = math.nan
    heard_s: float = -math.inf
    drawing: Drawing = field(default_factory=Drawing)
    since_s: float = -math.inf
    settled: Drawing | None = None
    settled_w: float = math.nan
    was_right: bool = False
    measured_w: Mapping[str, float] = field(default_factory=dict)
    wrong_since_s: float = math.inf
    turned_s: tuple[float, ...] = ()
    found: tuple[Finding, ...] = ()


def hear(memory: CircuitMemory, power_w: float, now: Now) -> CircuitMemory:
    """Return the memory after a word of the meter."""
    return replace(memory, power_w=power_w, heard_s=now.mono_s)


def look_at(
    rules: CircuitRules, memory: CircuitMemory, drawing: Drawing, now: Now
) -> tuple[tuple[Finding, ...], CircuitMemory]:
    """Return what is wrong with a circuit, and the memory after looking."""
    if drawing != memory.drawing:
        memory = replace(memory, drawing=drawing, since_s=now.mono_s, wrong_since_s=math.inf)
    if not now.mono_s - memory.heard_s <= METER_SILENT_S:
        silent = finding(FindingCode.METER_SILENT, rules.name, _silence(rules, memory, now))
        return (silent,), replace(memory, settled=None, found=())
    if not memory.heard_s - memory.since_s >= SETTLE_S:
        return memory.found, memory
    is_unsteady = sum(now.mono_s - s < UNSTEADY_S for s in memory.turned_s) >= UNSTEADY_TURNS
    memory = _cleared(rules, memory) if is_unsteady else _learn(rules, memory)
    wrong = _of_sum(rules, memory)
    memory = replace(
        memory,
        settled=drawing,
        settled_w=memory.power_w,
        was_right=wrong is None,
        turned_s=_turned_s(memory, is_right=wrong is None, now=now),
    )
    since_s = math.inf if wrong is None else min(memory.wrong_since_s, now.mono_s)
    stands = wrong is not None and now.mono_s - since_s >= PERSIST_S
    own = _unsteady(rules, memory) if is_unsteady else _of_ledger(rules, memory)
    each = [*own, *((wrong,) if stands and wrong is not None else ())]
    found = tuple({one.key: one for one in each}.values())
    memory = replace(memory, wrong_since_s=since_s, found=found)
    return found, memory


def _silence(rules: CircuitRules, memory: CircuitMemory, now: Now) -> str:
    if memory.heard_s == -math.inf:
        return f"the meter of circuit {rules.name} has not been heard"
    return (
        f"the meter of circuit {rules.name} was last heard {(now.mono_s - memory.heard_s) / 60:.0f} min ago"
    )


def _learn(rules: CircuitRules, memory: CircuitMemory) -> CircuitMemory:
    """Note what a string draws that alone has come on since the sum was last as it should be.

    One that shows nothing proves itself dead only beside others that draw: else the circuit may be dead.  One
    that draws rather less than it did, for want of voltage or of one lamp, is not taken for sound: its sum
    is then short for as long as that lasts.
    """
    before, drawing = memory.settled, memory.drawing
    if before is None or not memory.was_right or drawing.may or before.may:
        return memory
    came, rise_w = drawing.must - before.must, memory.power_w - memory.settled_w
    if len(came) != 1 or before.must - drawing.must or not max(memory.settled_w, rise_w) > LEAST_W:
        return memory
    channel = min(came)
    declared_w, known_w = rules.declared_w[channel], memory.measured_w.get(channel, math.nan)
    is_less = rise_w < known_w - max(LEAST_W, MEASURED_TOLERANCE * declared_w)
    if is_less and rise_w >= WEAK_SHARE * declared_w:
        return memory
    return replace(memory, measured_w={**memory.measured_w, channel: rise_w})


def _turned_s(memory: CircuitMemory, *, is_right: bool, now: Now) -> tuple[float, ...]:
    """Return when the sum lately turned right or wrong although nothing was switched, now among it."""
    lately_s = tuple(s for s in memory.turned_s if now.mono_s - s < UNSTEADY_S)
    # what may draw by itself, as a frost-stat closes, may come and go
    if memory.settled == memory.drawing and not memory.drawing.may and memory.was_right != is_right:
        return (*lately_s, now.mono_s)
    return lately_s


def _cleared(rules: CircuitRules, memory: CircuitMemory) -> CircuitMemory:
    """Return the memory without strings that seemed to draw too little: the contact may have been open."""
    measured_w = {c: w for c, w in memory.measured_w.items() if w >= WEAK_SHARE * rules.declared_w[c]}
    return replace(memory, measured_w=measured_w)


def _unsteady(rules: CircuitRules, memory: CircuitMemory) -> list[Finding]:
    because = (
        f"the watts of circuit {rules.name} came or went {len(memory.turned_s)} times in the last hour while "
        "nothing was switched"
    )
    return [finding(FindingCode.WATTS_UNSTEADY, rules.name, because)]


def _expected_w(rules: CircuitRules, memory: CircuitMemory, channels: frozenset[str]) -> tuple[float, float]:
    """Return what channels should draw by the ledger, and by how much that may be off [W]."""
    total_w = tolerance_w = 0.0
    for channel in channels:
        known = memory.measured_w.get(channel, math.nan)
        declared_w = rules.declared_w[channel]
        is_known = known >= WEAK_SHARE * declared_w
        total_w += known if is_known else declared_w
        tolerance_w += (MEASURED_TOLERANCE if is_known else DECLARED_TOLERANCE) * declared_w
    return total_w, tolerance_w


def _of_sum(rules: CircuitRules, memory: CircuitMemory) -> Finding | None:
    """Return what the sum on the meter says is wrong."""
    drawing, power_w = memory.drawing, memory.power_w
    must_w, must_off_w = _expected_w(rules, memory, drawing.must)
    may_w, may_off_w = _expected_w(rules, memory, drawing.may)
    if drawing.must and not power_w >= TRIPPED_SHARE * must_w:
        because = (
            f"circuit {rules.name} draws {power_w:.0f} W where {must_w:.0f} W must be heating "
            f"{_trees(rules, drawing.must)}"
        )
        if len(drawing.must) == 1:
            return finding(FindingCode.STRING_DEAD, min(drawing.must), f"{because}, or its breaker tripped")
        return finding(FindingCode.CIRCUIT_DEAD, rules.name, because)
    if not power_w >= must_w - max(LEAST_W, must_off_w):
        short_w = must_w - power_w
        because = (
            f"circuit {rules.name} draws {power_w:.0f} W of {must_w:.0f} W; the missing {short_w:.0f} W are "
            f"as much as {_likely(rules, drawing.must, short_w)}"
        )
        return finding(FindingCode.WATTS_MISSING, rules.name, because)
    if power_w > must_w + may_w + max(LEAST_W, must_off_w + may_off_w):
        over_w = power_w - must_w - may_w
        off = frozenset(rules.declared_w) - drawing.must - drawing.may
        because = (
            f"circuit {rules.name} draws {power_w:.0f} W, {over_w:.0f} W more than its boards say is on; "
            f"that is as much as {_likely(rules, off, over_w)}"
        )
        return finding(FindingCode.HEATER_STUCK_ON, rules.name, because)
    return None


def _of_ledger(rules: CircuitRules, memory: CircuitMemory) -> list[Finding]:
    """Return the strings that drew too little when they came on alone."""
    found = []
    for channel, measured_w in memory.measured_w.items():
        declared_w, tree = rules.declared_w[channel], rules.trees[channel]
        if not measured_w >= WEAK_SHARE * declared_w:
            dead = not measured_w >= DEAD_SHARE * declared_w
            code = FindingCode.STRING_DEAD if dead else FindingCode.STRING_HALF_DEAD
            because = (
                f"{channel} at {tree} came on and circuit {rules.name} rose by {measured_w:.0f} W, "
                f"not by {declared_w:g} W"
            )
            found.append(finding(code, channel, because))
    return found


def _trees(rules: CircuitRules, channels: frozenset[str]) -> str:
    return ", ".join(dict.fromkeys(rules.trees[channel] for channel in sorted(channels)))


def _likely(rules: CircuitRules, channels: frozenset[str], power_w: float) -> str:
    """Name the strings whose watts come near to some power; else the circuit's trees."""
    near = frozenset(c for c in channels if abs(rules.declared_w[c] - power_w) <= 0.3 * rules.declared_w[c])
    if near:
        return "that of one of " + ", ".join(f"{c} ({rules.trees[c]})" for c in sorted(near))
    return "no single string: look at all of " + (_trees(rules, channels) or "its sockets")
