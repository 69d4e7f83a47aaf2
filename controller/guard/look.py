"""What the guard finds wrong by itself: silent probes, boards that do not obey, fruit in danger.

Nothing here switches anything.  The ladders have already decided, towards heat; this is for people.
"""

from collections.abc import Iterable, Mapping

from controller.guard.decision import BAD_INPUT, Decision, Reason
from controller.guard.evidence import Evidence
from controller.guard.finding import WORST, Finding, FindingCode, finding
from controller.guard.hand import Key, Order, StandingOrder
from controller.guard.lease import MOST_STARTS, BoardMemory, BoardRules
from controller.guard.now import Now
from controller.guard.tree import DOUBT_S, TreeMemory, TreeRules

# So long may an output differ from what was meant before that is a fault [s]: a broker slow by five seconds
# each way, and the periods of both sides' loops.
LATE_S = 45.0
# A renewal is answered within this time [s], a little less than the guard's looks lie apart.
ANSWERED_S = 25.0
# A tree not known to be this much warmer than its hold temperature is near frost.
NEAR_FROST_K = 2.0
# An order that ended is told for so long [s].
ENDED_TOLD_S = 3600.0

_SUSPECT = frozenset({FindingCode.PROBE_BY_LAMP, FindingCode.PROBE_DRIFTED, FindingCode.PROBES_SWAPPED})
_TREE_FINDINGS = {
    Reason.TOO_HOT: FindingCode.TOO_HOT,
    Reason.HAND_OFF_OVERRULED: FindingCode.OFF_OVERRULED,
}


def near_frost(tree: TreeRules, heat: Mapping[str, Decision]) -> bool:
    """Tell whether a tree is not known to be clear of frost: bad input counts as cold."""
    return not heat[tree.name].temp_c > tree.hold_c + NEAR_FROST_K


def suspects_in(findings: Mapping[str, tuple[Finding, ...]]) -> frozenset[str]:
    """Return the probes whose readings the findings of all sources speak against."""
    return frozenset(each.target for found in findings.values() for each in found if each.code in _SUSPECT)


def of_probes(evidence: Iterable[Evidence]) -> list[Finding]:
    """Return what is wrong with probes, given what each one's last word is worth."""
    found = []
    for each in evidence:
        if each.fault is not None and each.fault is not Reason.PROBE_NEW:  # that passes by itself
            because = _sentence(each)
            found.append(finding(FindingCode(str(each.fault)), each.probe, because))
    return found


def _sentence(evidence: Evidence) -> str:
    match evidence.fault:
        case Reason.PROBE_MISSING:
            return f"{evidence.probe} has not been heard since the controller started"
        case Reason.PROBE_STALE:
            return f"{evidence.probe} was last heard {evidence.age_s / 60:.0f} min ago"
        case Reason.PROBE_FUTURE:
            return f"{evidence.probe} is dated {evidence.ahead_s:.0f} s in the future"
        case Reason.PROBE_FROZEN:
            return f"{evidence.probe} has said {evidence.temp_c:.2f} °C for {evidence.age_s / 60:.0f} min"
        case Reason.PROBE_NOT_A_NUMBER:
            return f"{evidence.probe} sent no number"
        case Reason.PROBE_LEAPS:
            return f"{evidence.probe} leaps from {evidence.temp_c:.1f} °C and back"
        case Reason.PROBE_NOISY:
            return f"{evidence.probe} jumps about from reading to reading, now {evidence.temp_c:.1f} °C"
        case _:
            return f"{evidence.probe} reads {evidence.temp_c:.1f} °C"


def of_boards(
    boards: Iterable[BoardRules],
    memories: Mapping[str, BoardMemory],
    cold: frozenset[str],
    heat: Mapping[str, Decision],
    now: Now,
) -> list[Finding]:
    """Return what is wrong with boards.

    Parameters
    ----------
    boards, memories
        What hangs on each board, and what it last said.
    cold
        The trees that are near frost: a board of theirs that is silent may cost them.
    heat
        What was decided for each tree.
    now
        The present.
    """
    found = []
    for board in boards:
        memory = memories[board.name]
        if not memory.is_heard(board, now):
            trees = ", ".join(dict.fromkeys(board.trees.values()))
            last = (
                f"was last heard {(now.mono_s - memory.heard_s) / 60:.0f} min ago"
                if memory.boot
                else "has not answered"
            )
            severity = WORST if not cold.isdisjoint(board.trees.values()) else None
            because = f"board {board.name} {last}" + (f"; it heats {trees}" if trees else "")
            found.append(finding(FindingCode.BOARD_SILENT, board.name, because, severity=severity))
        elif now.mono_s < memory.unsteady_until_s:
            because = f"board {board.name} started more than {MOST_STARTS} times within ten minutes"
            found.append(finding(FindingCode.BOARD_UNSTEADY, board.name, because))
        elif memory.is_slow:
            because = f"board {board.name}'s uptime has fallen {memory.lag_s:.0f} s behind our clock"
            found.append(finding(FindingCode.BOARD_TIMER, board.name, because))
        else:
            found += _of_outputs(board, memory, heat, now)
    return found


def _of_outputs(
    board: BoardRules, memory: BoardMemory, heat: Mapping[str, Decision], now: Now
) -> list[Finding]:
    """Return which outputs of a board, a while after its lease, are not as they were meant to be.

    A lease that is only renewed must not hide heat that is not on: that is timed from the last change.
    """
    found = []
    had_time = now.mono_s - memory.changed_s > LATE_S
    could_echo = had_time and now.mono_s - memory.sent_s > ANSWERED_S
    for channel, tree in board.trees.items():
        is_on, output = channel in memory.on, f"{board.name}/{channel}"
        if heat[tree].active and not is_on and had_time:
            because = f"{tree} shall be heated, but {output} says it is off"
            found.append(finding(FindingCode.HEAT_NOT_ON, tree, because))
        elif could_echo and is_on and channel in memory.off and not memory.echoed_seq >= memory.seq:
            because = f"{output} was let off {tree} and still says it is on"
            found.append(finding(FindingCode.BOARD_DISOBEYS, output, because))
    return found


def of_orders(standing: Mapping[Key, StandingOrder], now: Now) -> list[Finding]:
    """Return the orders that ended by themselves lately: whoever gave one may have forgotten it.

    Heat that stays on costs money, and is only shown; heat that was kept off is told.
    """
    found = []
    for each in standing.values():
        order, ended_s = each.order, now.mono_s - each.ends_s
        if order.order is Order.AUTO or not 0.0 <= ended_s < ENDED_TOLD_S:
            continue
        kept_off = order.order is Order.HAND_OFF and order.target_kind != "vent"
        because = f"{order.who}'s order {order.order} for {order.target} ended {ended_s / 60:.0f} min ago"
        severity = None if kept_off else 1
        found.append(finding(FindingCode.ORDER_ENDED, order.target, because, severity=severity))
    return found


def loses_fruit(tree: TreeRules, decision: Decision, above_k: float = 0.0) -> bool:
    """Tell whether a tree is known to be where fruit is lost, or no more than so much above it."""
    return decision.temp_c <= tree.hand_off_floor_c + above_k and decision.reason not in BAD_INPUT


def of_trees(trees: Iterable[TreeRules], heat: Mapping[str, Decision]) -> list[Finding]:
    """Return what is wrong with trees, given what was decided for each."""
    found = []
    for tree in trees:
        decision = heat[tree.name]
        if (code := _TREE_FINDINGS.get(decision.reason)) is not None:
            found.append(finding(code, tree.name, decision.because))
        if loses_fruit(tree, decision):
            because = (
                f"{decision.temp_c:.1f} °C at {tree.name}; fruit is lost from "
                f"{tree.hand_off_floor_c:.1f} °C down"
            )
            found.append(finding(FindingCode.FRUIT_IN_DANGER, tree.name, because))
    return found


def of_doubts(trees: Mapping[str, TreeMemory], now: Now) -> list[Finding]:
    """Return whose probe has been in doubt for a while, with pauses while its tree was heated for it."""
    return [
        finding(
            FindingCode.WITNESS_COLDER,
            name,
            f"the probe of {name} has for {(now.mono_s - memory.doubted_s) / 60:.0f} min read warmer, again "
            "and again, than house, outside and heat explain",
        )
        for name, memory in trees.items()
        if now.mono_s - memory.doubted_s >= DOUBT_S
    ]
