"""Every board found: heard on the bus as often as it should be, one by its name, its clock right."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.step import BoardSeen, Notes, Seen, Stand, Step

ID = "boards/listen"
LISTEN_S = 150.0
# A board whose clock is further off confuses people who read its stamps; nothing is decided by them.
MOST_SKEW_S = 60.0


@dataclass(frozen=True, slots=True)
class ListenCheck:
    """Listen to everything for a while, switching nothing."""

    id: str = ID
    stage: Stage = Stage.BOARDS

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Listen for some reporting periods."""
        periods_s = [b.reports_at_least_every_s for b in scope.site.boards]
        periods_s += [p.reports_at_least_every_s for p in scope.site.probes]
        long_s = max(LISTEN_S, 2.5 * max(periods_s, default=0.0))
        return (
            Stand(
                key="heard",
                says="listening to boards, probes and meters; nothing is switched",
                on=None,
                most_s=long_s,
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if every board is heard as it should be."""
        seen = notes.get("heard", Seen())
        troubles = [
            f"{b.name}: {text}"
            for b in scope.site.boards
            if (text := trouble(seen, b.name, b.reports_at_least_every_s))
        ]
        found = [
            f"{b.name} (every {_every_s(seen.boards[b.name], seen.lasted_s):.0f} s)"
            for b in scope.site.boards
            if b.name in seen.boards
        ]
        meters = (
            f"; meters on circuits {', '.join(sorted(seen.power_w))}" if seen.power_w else "; no power meter"
        )
        good = not troubles
        return judged(
            self, "Boards found", good, f"heard {', '.join(found)}{meters}" if good else "; ".join(troubles)
        )


def trouble(seen: Seen, board: str, period_s: float) -> str:
    """Return what is wrong with how a board is heard; empty if nothing."""
    heard = seen.boards.get(board)
    if heard is None or not heard.echoes:
        return "not heard"
    if len(heard.boots) > 1:
        return f"heard under {len(heard.boots)} boot names"
    if max(heard.longest_gap_s, seen.lasted_s - heard.last_s) > 2.0 * period_s:
        return (
            f"silent for {max(heard.longest_gap_s, seen.lasted_s - heard.last_s):.0f} s; it "
            f"should echo every {period_s:g} s"
        )
    if heard.skew_s is not None and abs(heard.skew_s) > MOST_SKEW_S:
        return f"its clock is {heard.skew_s:+.0f} s off"
    return ""


def _every_s(heard: BoardSeen, lasted_s: float) -> float:
    return lasted_s / max(heard.echoes, 1)


def checks(scope: Scope) -> list[Check]:
    """Return the one check."""
    return [ListenCheck()]
