"""An installer who does what is asked and says what is to be seen, in a simulated installation."""

from controller.wiring.stages.channels import NOTHING
from controller.wiring.stages.guards import ABOVE, BELOW, RIGHT
from controller.wiring.step import NO, YES, Ask, Task
from simulator.installation import Installation

# A label or a dial is read rightly within this.
LABEL_FRAC = 0.2


class Installer:
    """Hands and eyes at an installation."""

    def __init__(self, world: Installation) -> None:
        self.world = world

    def do(self, task: Task, target: str) -> None:
        """Do what a question asks to be done."""
        world = self.world
        match task:
            case Task.STATS_UP:
                world.turned_up = set(world.wiring.strings)
            case Task.STATS_BACK:
                world.turned_up = set()
            case Task.STAT_BACK:
                world.turned_up.discard(target)
            case Task.HEAT_CUT_OUT:
                world.warmed.add(target)
            case Task.COOL_CUT_OUT:
                world.warmed.discard(target)
            case Task.PULL_SUPPLY:
                world.boards[target].power(False)  # noqa: FBT003 (as one says it)
            case Task.GIVE_SUPPLY:
                world.boards[target].power(True)  # noqa: FBT003 (as one says it)
            case Task.BREAKER_OFF:
                world.breakers_off.add(target)
            case Task.BREAKER_ON:
                world.breakers_off = world.breakers_off - {target} if target else set()
            case Task.CUT_NETWORK | Task.GIVE_NETWORK:
                world.network(target, task is Task.GIVE_NETWORK)
            case _:
                self._do_with_probes(task, target)

    def _do_with_probes(self, task: Task, target: str) -> None:
        world = self.world
        match task:
            case Task.HOLD_PROBE:
                world.held = target
            case Task.RELEASE_PROBE:
                world.held = ""
            case Task.ICE_BATH | Task.HANG_BACK:
                world.in_ice = task is Task.ICE_BATH
            case Task.UNPLUG_PROBES | Task.PLUG_PROBES:
                world.unplugged = task is Task.UNPLUG_PROBES

    def answer(self, ask: Ask) -> tuple[str, ...]:
        """Do what is asked and return what is to be seen, truly."""
        self.do(ask.task, ask.target)
        what, _, rest = ask.view.partition(":")
        if ask.view == "on":
            return self.on() or (NOTHING,)
        if ask.view == "evening":
            return (YES,)
        if what.startswith("on="):
            return _yes(set(filter(None, ask.view[3:].split(","))) == set(self.on()))
        if what == "dial":
            mark_c = self.world.wiring.strings[rest].mark_c
            return (BELOW if mark_c < 2.0 else RIGHT if mark_c <= 5.0 else ABOVE,)
        return _yes(self._sees(what, rest, ask.target)) if what else (YES,)

    def on(self) -> tuple[str, ...]:
        """Return the tags of everything that is lit or runs."""
        world = self.world
        strings = [tag for tag in world.wiring.strings if world.string_w(tag) > 0.0]
        return (*strings, *[vent for vent in world.wiring.vents if world.runs(vent)])

    def _sees(self, what: str, of: str, target: str) -> bool:
        world = self.world
        wiring = world.wiring
        match what:
            case "lamps":
                return not any(wire.near_fabric for wire in wiring.strings.values())
            case "rcd":
                return not any(circuit.rcd_dead for circuit in wiring.circuits.values())
            case "click":
                board = target.partition("/")[0]
                return not (
                    wiring.relays[target].coil_dead
                    or wiring.boards[board].coils_unfed
                    or wiring.boards[board].deaf
                )
            case "volts":
                points = ("mains", "relay", "stat", "cut-out")
                return world.feeds(target)[points.index(of)]
            case "clamp":
                return not wiring.circuits[of].returns_by
            case "dark" | "lit":
                return (world.string_w(of) > 0.0) == (what == "lit")
            case "whole":
                return wiring.strings[of].lit_frac == 1.0 and world.string_w(of) > 0.0
            case "label":
                declared_w = next(
                    s.power_w
                    for tree in world.site.trees
                    for n, s in enumerate(tree.strings, start=1)
                    if f"{tree.name}-{n}" == of
                )
                return abs(wiring.strings[of].label_w / declared_w - 1.0) <= LABEL_FRAC
            case _:
                raise ValueError(f"nothing to see: {what}")


def _yes(is_so: bool) -> tuple[str, ...]:  # noqa: FBT001 (as one says it)
    return (YES,) if is_so else (NO,)
