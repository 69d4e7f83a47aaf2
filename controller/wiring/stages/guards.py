"""The two guards that need no computer, seen to act on every string: cut-out and frost-stat.

They come last, so that each frost-stat is back at its mark when the test ends.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.guard.warming import CLOSED_C
from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.leave import LeaveCheck, is_refused
from controller.wiring.lights import on_for
from controller.wiring.loads import Load
from controller.wiring.stages.channels import GOES_OFF_S
from controller.wiring.step import NO, YES, Ask, Notes, Stand, Step, Task, Until

READY_ID, BACK_ID = "guards/ready", "guards/back"
BELOW, RIGHT, ABOVE = f"below {CLOSED_C:g} °C", f"{CLOSED_C:g} to 5 °C", "above 5 °C"


@dataclass(frozen=True, slots=True)
class GuardCheck:
    """Of one string: the cut-out opens when warmed, the frost-stat when turned back in mild air."""

    load: Load
    stage: Stage = Stage.GUARDS

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"guards/{self.load.tag}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Light it, warm its cut-out, turn its frost-stat back."""
        tag = self.load.tag
        if not scope.attended:
            return ()
        back = (
            Ask(
                key="dial",
                view=f"dial:{tag}",
                choices=(BELOW, RIGHT, ABOVE),
                text=f"At what does the mark of {tag}'s frost-stat stand?",
            ),
            Ask(
                key="back",
                task=Task.STAT_BACK,
                target=tag,
                view=f"dark:{tag}",
                text=(
                    f"Turn the frost-stat of {tag} back to its mark; the air there is warmer. "
                    f"Is {tag} dark now?"
                ),
            ),
        )
        on = None if is_refused(record, READY_ID) else on_for(tag, record, scope)
        if on is None:  # it could not be lit, so only its mark is set back
            return back
        lit = Ask(key="lit", view=f"lit:{tag}", text=f"Is {tag} lit now?")
        if notes.said("lit", NO):
            return (*back,)
        return (
            Stand(key="on", says=f"{tag} alone on", on=on, least_s=10.0, most_s=GOES_OFF_S, until=Until.ECHO),
            lit,
            Ask(
                key="hot",
                task=Task.HEAT_CUT_OUT,
                target=tag,
                view=f"dark:{tag}",
                text=(
                    f"Warm the cut-out of {tag} (a warm-air gun at its sensor, or its test "
                    f"button). Did {tag} go dark?"
                ),
            ),
            Ask(
                key="cool",
                task=Task.COOL_CUT_OUT,
                target=tag,
                view=f"lit:{tag}",
                text=f"Let it cool, or reset it. Is {tag} lit again?",
            ),
            *back,
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if both opened, and the mark is right."""
        title = f"Cut-out and frost-stat of {self.load.tag} act"
        if "back" not in notes or "hot" not in notes:
            return judged(self, title, None, "it could not be seen lit, so neither was seen to act")
        words = [
            f"cut-out warmed: {'dark' if notes.said('hot', YES) else 'stayed lit'}",
            f"cooled: {'lit again' if notes.said('cool', YES) else 'stayed dark'}",
            f"frost-stat turned back: {'dark' if notes.said('back', YES) else 'stayed lit'}",
            f"its mark {', '.join(notes['dial'].answer)}",
        ]
        good = all(notes.said(key, YES) for key in ("hot", "cool", "back")) and notes.said("dial", RIGHT)
        return judged(self, title, good, "; ".join(words))


@dataclass(frozen=True, slots=True)
class BackCheck:
    """Every frost-stat back at its mark before anybody leaves."""

    id: str = BACK_ID
    stage: Stage = Stage.GUARDS

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Put everything to rest, so that only frost-stats keep strings dark; ask."""
        if not scope.attended:
            return ()
        return (
            Ask(
                key="back",
                task=Task.STATS_BACK,
                view="on=",
                text="Is every frost-stat back at its mark, and is everything dark and at rest?",
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if the last look found everything dark."""
        title = "Every frost-stat is back at its mark"
        if "back" not in notes:
            return judged(self, title, None, "nobody looked")
        is_dark = notes.said("back", YES)
        return judged(self, title, is_dark, "all dark" if is_dark else "something stays lit or runs")


def checks(scope: Scope) -> list[Check]:
    """Return leave to begin, a check for each string, and the last look."""
    leave = LeaveCheck(
        id=READY_ID,
        stage=Stage.GUARDS,
        title="Guards may be tried",
        text=f"Last each string comes on alone for some minutes ({len(scope.strings)} strings), while you "
        "warm its cut-out and turn its frost-stat back. May it begin?",
    )
    return [leave, *[GuardCheck(load) for load in scope.strings], BackCheck()]
