"""Each string on in turn: its own tree's probe must rise, and first."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.leave import LeaveCheck, is_refused
from controller.wiring.lights import follows, on_for
from controller.wiring.loads import Load
from controller.wiring.stages.channels import GOES_OFF_S
from controller.wiring.step import NO, RISE_K, Ask, Notes, Seen, Stand, Step, Until

READY_ID = "strings/ready"
# The site's measure of a string that heats its tree: 1 K in 20 min.
RISES_WITHIN_S = 1200.0
# It ends sooner once it is clear which tree grows warm.
CLEAR_K = 1.5
COOLS_S = 60.0
# What all strings together left under the fleece is gone after this long: two of a tree's time constants.
TREES_COOL_S = 1800.0


@dataclass(frozen=True, slots=True)
class HeatCheck:
    """One string heats alone; all probes are watched."""

    load: Load
    stage: Stage = Stage.STRINGS

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"strings/{self.load.tag}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Heat, watch, look at the string."""
        if is_refused(record, READY_ID):
            return ()
        tag = self.load.tag
        on, way = on_for(tag, record, scope), follows(tag, record, scope)
        if on is None or way.still:  # it cannot be lit alone; that is named where its channel was tried
            return ()
        again: list[Step] = []
        if "heat" in notes and not warmest(notes["heat"], scope):
            # what it lies under may still be warm from the string before: let all cool, and try once more
            again = [self._off("cool", TREES_COOL_S), self._heat("heat-2", on)]
        return (
            self._off("before", COOLS_S),
            self._heat("heat", on),
            *again,
            Ask(
                key="whole", view=f"whole:{tag}", text=f"Is {tag} lit (a cable: warm) along its whole length?"
            ),
            Ask(
                key="label",
                view=f"label:{tag}",
                text=f"Does the label of {tag} say about {self.load.power_w:g} W?",
            ),
        )

    def _off(self, key: str, least_s: float) -> Stand:
        longest_s = max(least_s, GOES_OFF_S)
        return Stand(
            key=key,
            says="all strings off",
            on=frozenset(),
            least_s=least_s,
            most_s=longest_s,
            until=Until.ECHO,
        )

    def _heat(self, key: str, on: frozenset[str]) -> Stand:
        return Stand(
            key=key,
            says=f"{self.load.tag} heats alone; watching all probes",
            on=on,
            least_s=180.0,
            most_s=RISES_WITHIN_S,
            until=Until.WARMER,
            rise_k=CLEAR_K,
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if its own tree rose by a kelvin, and first."""
        title = f"String {self.load.tag} warms {self.load.tree}"
        seen = heated(notes)
        if seen is None:
            return judged(self, title, None, "not heated")
        own = next(tree.probes for tree in scope.site.trees if tree.name == self.load.tree)
        first = warmest(seen, scope)
        rises = ", ".join(
            f"{p} {seen.rise_k(p):+.1f} K" for p in dict.fromkeys((*own, *([first] if first else [])))
        )
        words = [f"{rises} in {seen.lasted_s / 60:.0f} min; first: {first or 'none'}"]
        words += ["not along its whole length"] if notes.said("whole", NO) else []
        words += ["its label says otherwise"] if notes.said("label", NO) else []
        good = first in own and len(words) == 1
        return judged(self, title, good, "; ".join(words))


def heated(notes: Notes) -> Seen | None:
    """Return what was watched while a string heated: the second time where the first told nothing."""
    return notes.get("heat-2", notes.get("heat"))


def warmest(seen: Seen, scope: Scope) -> str:
    """Return the probe, of all that are not outside, that rose first by a kelvin; empty if none did."""
    names = [probe.name for probe in scope.site.probes]
    rose = [
        (seen.warmed_s(name, RISE_K), -seen.rise_k(name), name)
        for name in names
        if seen.rise_k(name) >= RISE_K
    ]
    return min(rose)[2] if rose else ""


def checks(scope: Scope) -> list[Check]:
    """Return leave to begin, then each string, one tree after the other, so that trees cool between."""
    by_turn = sorted(scope.strings, key=lambda load: int(load.tag.rpartition("-")[2]))
    leave = LeaveCheck(
        id=READY_ID,
        stage=Stage.STRINGS,
        title="Strings may heat in turn",
        text=f"Next each string heats alone, up to {RISES_WITHIN_S / 60:.0f} min each "
        f"({len(scope.strings)} strings), until its tree's probe has risen. Fleece on, probes back in place, "
        "doors shut. First all strings stay off for half an hour. May it begin?",
        first_off_s=TREES_COOL_S,
    )
    return [leave, *[HeatCheck(load) for load in by_turn]]
