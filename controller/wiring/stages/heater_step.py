"""The heater step of one mild evening: what makes the house's model identifiable.

Readings of an unheated house are blind to one scale: losses, capacities and gains may all be doubled.
Watts that are known, for six hours, and six hours without them fix it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.loads import Load
from controller.wiring.stages.channels import GOES_OFF_S
from controller.wiring.step import NO, Ask, Notes, Stand, Step, Task, Until

ID = "step/evening"
HEATS_S = AFTER_S = 6 * 3600.0
SAMPLE_S = 300.0
# It may be begun at any time until the evening, while everything is at rest.
WAITS_S = 14 * 3600.0


def step_strings(scope: Scope) -> tuple[Load, ...]:
    """Return the strings that heat: of each tree the first, so that no tree grows hot in mild air."""
    return tuple(load for load in scope.strings if load.tag.endswith("-1"))


@dataclass(frozen=True, slots=True)
class StepCheck:
    """Six hours of heat, six hours after it."""

    id: str = ID
    stage: Stage = Stage.STEP

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Wait for the evening, heat, turn the frost-stats back, watch on."""
        if not scope.attended:
            return ()
        strings = step_strings(scope)
        on = frozenset(load.channel for load in strings)
        ready = Ask(
            key="ready",
            view="evening",
            waits_s=WAITS_S,
            confirms_switching=True,
            text=f"Last, on one mild evening from about 18 h: {', '.join(load.tag for load in strings)} heat "
            f"for six hours ({sum(load.power_w for load in strings):g} W), so that the house can be learnt. "
            "Fleece on, vents and doors shut, somebody near. Yes when the evening is there; no leaves "
            "it out.",
        )
        return (
            Stand(key="rest", says="everything at rest until the evening", on=None, most_s=5.0),
            ready,
            Stand(key="off", says="all strings off", on=frozenset(), most_s=GOES_OFF_S, until=Until.ECHO),
            Ask(key="up", task=Task.STATS_UP, text="Turn every frost-stat to its highest setting. Done?"),
            Stand(key="heat", says="six hours of heat", on=on, most_s=HEATS_S, sample_s=SAMPLE_S),
            Ask(
                key="back",
                task=Task.STATS_BACK,
                view="on=",
                text="Turn every frost-stat back to its mark. Is every string dark now?",
            ),
            Stand(
                key="after",
                says="six hours without heat; nobody is needed, leave this running until the morning",
                on=None,
                most_s=AFTER_S,
                sample_s=SAMPLE_S,
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if every tree warmed while it heated, and cooled after."""
        title = "Six hours of heat and six without"
        if "after" not in notes:
            return judged(self, title, None, "left for another evening; the house is learnt more slowly")
        probes = [tree.probes[0] for tree in scope.site.trees if tree.strings]
        rises = {name: notes["heat"].rise_k(name) for name in probes}
        good = all(rise_k >= 1.0 for rise_k in rises.values()) and not notes.said("back", NO)
        return judged(
            self, title, good, ", ".join(f"{name} {rise_k:+.1f} K" for name, rise_k in rises.items())
        )


def checks(scope: Scope) -> list[Check]:
    """Return the one check."""
    return [StepCheck()]
