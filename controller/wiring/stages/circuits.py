"""Each circuit with all its strings on, then everything together: what the fail-safe draws."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.site.model import Circuit
from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.stages.channels import GOES_OFF_S, ask_lit, lit
from controller.wiring.step import YES, Ask, Notes, Stand, Step, Task, Until, may_switch

ALL_ID = "circuits/everything"
# Long enough for a breaker that is far too small, short enough for strings under fleece in mild air.
LOADED_S = 60.0
STAGGER_S = 5.0


def circuit_tags(scope: Scope, circuit: str) -> list[str]:
    """Return the tags of the strings that a circuit should feed."""
    return [load.tag for load in scope.strings if load.circuit == circuit]


@dataclass(frozen=True, slots=True)
class CircuitCheck:
    """All strings of one circuit on, the others off; its breaker off: all dark."""

    circuit: Circuit
    stage: Stage = Stage.CIRCUITS

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"circuits/{self.circuit.name}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Load it, look, clamp, switch its breaker off and on."""
        name, tags = self.circuit.name, circuit_tags(scope, self.circuit.name)
        on = frozenset(load.channel for load in scope.strings if load.circuit == name)
        load_w = scope.site.circuit_load_w(name)
        return (
            may_switch(
                f"Next all strings of circuit {name} come on together, the others go off: {load_w:g} W = "
                f"{load_w / self.circuit.voltage_v:.1f} A on a breaker of {self.circuit.breaker_a:g} A."
            ),
            Stand(
                key="all",
                says=f"circuit {name} with all its strings on",
                on=on,
                least_s=LOADED_S,
                most_s=180.0,
                until=Until.ECHO,
            ),
            *ask_lit(scope, "lit", f"Is exactly this lit: {', '.join(tags)}?", notes, tags),
            Ask(
                key="clamp",
                view=f"clamp:{name}",
                text=(
                    f"A clamp meter round line and neutral of circuit {name} together: does it "
                    "read (nearly) nothing? "
                    "(More means that current comes back by another circuit's neutral; by an electrician.)"
                ),
            ),
            Ask(
                key="off",
                task=Task.BREAKER_OFF,
                target=name,
                text=f"Switch the breaker of circuit {name} off. Done?",
            ),
            *ask_lit(scope, "left", "Is everything dark now?", notes, ()),
            Stand(
                key="dark",
                says="all strings off before the breaker is switched on",
                on=frozenset(),
                most_s=GOES_OFF_S,
                until=Until.ECHO,
            ),
            Ask(
                key="on",
                task=Task.BREAKER_ON,
                target=name,
                text=f"Switch the breaker of circuit {name} on again. Does it stay on?",
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if it carries its strings, no others, within its limit."""
        name, tags = self.circuit.name, circuit_tags(scope, self.circuit.name)
        title = f"Circuit {name} carries its strings"
        if "all" not in notes:
            return judged(self, title, None, "not begun")
        on, left = lit(notes, "lit", tags), lit(notes, "left", ())
        words: list[str] = []
        good: bool | None = True
        if name in notes["all"].power_w:
            drawn_w = notes["all"].power_w[name]
            load_w = scope.site.circuit_load_w(name)
            words.append(
                f"{drawn_w:.0f} W of {load_w:g} W declared, {self.circuit.continuous_limit_w:g} "
                "W allowed for hours"
            )
            good = drawn_w <= self.circuit.continuous_limit_w and 0.75 * load_w <= drawn_w <= 1.25 * load_w
        if on is not None:
            words.append(f"seen on: {', '.join(sorted(on)) or 'nothing'}")
            good = good and on == frozenset(tags)
        if left is not None:
            words.append(f"with its breaker off seen on: {', '.join(sorted(left)) or 'nothing'}")
            good = good and not left
        if "clamp" in notes:
            words.append(
                f"line and neutral together {'nothing' if notes.said('clamp', YES) else 'not balanced'}"
            )
            good = good and notes.said("clamp", YES)
        if good and on is None and name not in notes["all"].power_w:
            good = None
        return judged(self, title, good, "; ".join(words) or "nobody looked and no meter tells")


@dataclass(frozen=True, slots=True)
class EverythingCheck:
    """Everything on together, one after the other: what a dead controller draws from the supply."""

    id: str = ALL_ID
    stage: Stage = Stage.CIRCUITS

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Add string by string, then hold and look."""
        strings = scope.strings
        total_w = sum(load.power_w for load in strings)
        tags = [load.tag for load in strings]
        channels = [load.channel for load in strings]
        stands = [
            Stand(
                key=f"add-{k}",
                says=f"{tags[k]} comes on too",
                on=frozenset(channels[: k + 1]),
                least_s=STAGGER_S,
                most_s=STAGGER_S,
            )
            for k in range(len(strings))
        ]
        return (
            may_switch(
                "Next every string comes on, one after the other, and all stay on for a minute: "
                f"{total_w:g} W in all."
            ),
            *stands,
            Stand(
                key="all", says="everything on, as after a failure", on=frozenset(channels), most_s=LOADED_S
            ),
            *ask_lit(
                scope,
                "lit",
                "Is every string lit, and did every breaker and residual-current device stay on?",
                notes,
                tags,
            ),
            Stand(key="dark", says="all strings off", on=frozenset(), most_s=GOES_OFF_S, until=Until.ECHO),
            Ask(
                key="set",
                task=Task.BREAKER_ON,
                target="",
                text="Is every breaker on (switch on again what tripped)?",
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if all are lit and each circuit is within its limit."""
        title = "Everything on together"
        if "all" not in notes:
            return judged(self, title, None, "not begun")
        tags = [load.tag for load in scope.strings]
        on, power_w = lit(notes, "lit", tags), notes["all"].power_w
        over = [c.name for c in scope.site.circuits if power_w.get(c.name, 0.0) > c.continuous_limit_w]
        words = [f"{c} {w:.0f} W" for c, w in power_w.items()]
        words += [f"seen on: {len(on)} of {len(tags)}"] if on is not None else []
        words += [f"beyond its limit: {', '.join(over)}"] if over else []
        good = not over and (on is None or on == frozenset(tags))
        looked = on is not None or power_w
        return judged(
            self,
            title,
            None if good and not looked else good,
            "; ".join(words) or "nobody looked and no meter tells",
        )


def checks(scope: Scope) -> list[Check]:
    """Return a check for each circuit, then everything."""
    return [*[CircuitCheck(c) for c in scope.site.circuits if circuit_tags(scope, c.name)], EverythingCheck()]
