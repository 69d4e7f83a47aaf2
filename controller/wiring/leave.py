"""Leave to switch, asked once for a whole stage: what comes on, in which order, for how long."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.step import NO, YES, Ask, Notes, Stand, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveCheck(Check):
    """A person's leave; then, if it was given, everything off for a while."""

    id: str
    stage: Stage
    title: str
    text: str
    first_off_s: float = 0.0

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:  # noqa: ARG002 (the form of a check)
        """Ask; let everything cool."""
        ask = Ask(key="begin", confirms_switching=True, text=self.text)
        if notes.said("begin", NO) or not self.first_off_s:
            return (ask,)
        cool = Stand(
            key="cool", says="all strings off", on=frozenset(), most_s=self.first_off_s, sample_s=60.0
        )
        return (ask, cool)

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:  # noqa: ARG002 (the form of a check)
        """Say whether leave was given."""
        given = notes.said("begin", YES) or not scope.attended
        return judged(self, self.title, given or None, "said and confirmed" if given else "not confirmed")


def is_refused(record: Record, leave: str) -> bool:
    """Tell whether leave was asked for and not given."""
    return leave in record and record[leave].said("begin", NO)
