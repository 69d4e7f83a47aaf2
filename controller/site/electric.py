"""What the fail-safe draws: circuits, phases and the main in amperes, and the moment of switching on.

Everything counts with every string on, since that is what a dead controller does.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from controller.site.handbook import LAMP_INRUSH_FACTOR, TRIPS_FROM, StringKind
from controller.site.model import Circuit, HeaterString, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSum:
    """What one phase carries; ``parts`` says of what, ``limit_a`` is infinite if no main is declared."""

    phase: str
    parts: str
    total_a: float
    limit_a: float
    limit: str


def strings_on(site: Site, circuit: str) -> list[HeaterString]:
    """Return the strings that a circuit feeds."""
    return [string for tree in site.trees for string in tree.strings if string.circuit == circuit]


def phase_sums(site: Site) -> list[PhaseSum]:
    """Return what each phase carries with every string on, against what the main allows for hours."""
    supply, sums = site.supply, []
    for phase in sorted({circuit.phase for circuit in site.circuits}):
        circuits = [circuit for circuit in site.circuits if circuit.phase == phase]
        parts = [f"{c.name}: {site.circuit_load_w(c.name):g} W" for c in circuits]
        total_a = sum(site.circuit_load_w(c.name) / c.voltage_v for c in circuits)
        limit_a, limit = float("inf"), ""
        if supply is not None:
            limit_a = supply.main_a * supply.continuous_fraction
            limit = f"{supply.main_a:g} A x {supply.continuous_fraction:g} = {limit_a:g} A"
            if supply.other_w:
                parts.append(f"others: {supply.other_w:g} W")
                total_a += supply.other_w / supply.voltage_v
        sums.append(
            PhaseSum(phase=phase, parts=" + ".join(parts), total_a=total_a, limit_a=limit_a, limit=limit)
        )
    return sums


def cold_current_a(string: HeaterString, circuit: Circuit) -> float:
    """Return what a string draws at the moment it is switched on cold [A]."""
    running_a = string.power_w / circuit.voltage_v
    return running_a if string.kind is StringKind.CABLE else running_a * LAMP_INRUSH_FACTOR


def electric_lines(site: Site) -> Iterator[str]:
    """Say what was understood, for the electrician."""
    channels = {f"{board.name}/{c.id}": c for board in site.boards for c in board.channels}
    for circuit in site.circuits:
        strings = strings_on(site, circuit.name)
        cold_a = sum(cold_current_a(string, circuit) for string in strings)
        lamps = any(string.kind is not StringKind.CABLE for string in strings)
        yield (
            f"  {circuit.name}: when the supply comes back everything comes on together, and no program can "
            f"prevent it: {cold_a:.0f} A for a moment" + (" (cold lamps)" if lamps else "")
        )
        if circuit.curve is not None and cold_a > TRIPS_FROM[circuit.curve] * circuit.breaker_a:
            yield (
                f"    advice: a breaker of curve {circuit.curve} may trip at once from "
                f"{TRIPS_FROM[circuit.curve] * circuit.breaker_a:g} A up (IEC 60898-1): ask the electrician "
                "for a slower curve, fewer lamps on this circuit, or cable in place of lamps"
            )
        tightest = max(
            (
                (cold_current_a(string, circuit) / channels[string.channel].carries_a, string)
                for string in strings
                if string.channel in channels
            ),
            key=lambda pair: pair[0],
            default=None,
        )
        if tightest is not None:
            string, channel = tightest[1], channels[tightest[1].channel]
            yield (
                f"    tightest contact: {string.channel}, {cold_current_a(string, circuit):.1f} A cold on a "
                f"{channel.contact} contact good for {channel.carries_a:g} A"
            )
    for phase in phase_sums(site):
        against = f"; the main allows {phase.limit} for hours" if phase.limit else ""
        yield f"  phase {phase.phase}: {phase.parts} = {phase.total_a:.1f} A{against}"
    if site.supply is None and site.circuits:
        yield (
            "  advice: the main is not described ([supply] main_a, voltage_v): see that it carries these "
            "sums and all else that runs on a cold night"
        )
