"""First of all: what can hurt, and what has to be so before anything is switched."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.site.explain import CAUTIONS
from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.step import YES, Ask, Notes, Step, Task

ID = "cautions/read"
BEFORE = (
    "Work on mains is for a licensed electrician, by the local code. Test the residual-current "
    "device with its "
    "button first. Have the trees covered, vents shut by hand where they can be, and nobody "
    "inside who does not "
    "know that strings come on by themselves: at rest every string is ON."
)


READ = "read; residual-current devices tripped by their button; lamps clear"


@dataclass(frozen=True, slots=True)
class CautionCheck:
    """The cautions are read, the residual-current device tried, the trees covered."""

    id: str = ID
    stage: Stage = Stage.CAUTIONS

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Ask for each."""
        return (
            Ask(
                key="read",
                text="\n".join((*CAUTIONS, "", BEFORE, "", "Have you read this, and do you go on?")),
            ),
            Ask(
                key="rcd",
                view="rcd",
                text="Did every residual-current device trip by its button, and is it set again?",
            ),
            Ask(
                key="clear",
                view="lamps",
                text="Is every lamp 5 to 10 cm from fleece, leaf and plastic, and every "
                "socket and board dry and closed?",
            ),
            Ask(
                key="cover",
                text="Are all trees covered with their fleece, as on a frost night?",
                task=Task.COVER,
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if each was answered yes."""
        asked = ("read", "rcd", "clear", "cover")
        if not scope.attended:
            return judged(self, "Cautions", None, "nobody was there to read them")
        missing = [key for key in asked if not notes.said(key, YES)]
        evidence = f"not answered yes: {', '.join(missing)}" if missing else READ
        return judged(self, "Cautions", not missing, evidence)


def checks(scope: Scope) -> list[Check]:
    """Return the one check."""
    return [CautionCheck()]
