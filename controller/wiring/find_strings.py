"""What is wrong with circuits, strings where they lie, and the guards in series with them."""

from collections.abc import Iterator, Sequence

from controller.wiring.cause import Cause, Diagnosis
from controller.wiring.check import Record, Scope
from controller.wiring.find_probes import places
from controller.wiring.lights import follows
from controller.wiring.loads import Load
from controller.wiring.stages.channels import lit
from controller.wiring.stages.circuits import ALL_ID, circuit_tags
from controller.wiring.stages.guards import ABOVE, BELOW
from controller.wiring.stages.strings import heated, warmest
from controller.wiring.step import NO, Notes

_NO_WITNESS = {
    Cause.PROBE_UNHEARD,
    Cause.PROBE_GARBLED,
    Cause.PROBE_STANDS_STILL,
    Cause.PROBE_DOUBLED,
    Cause.BOARD_UNHEARD,
    Cause.TEXT_ECHO_UNHEARD,
}


def string_faults(record: Record, scope: Scope, known: Sequence[Diagnosis]) -> tuple[Diagnosis, ...]:
    """Return what is wrong with circuits, strings and guards; ``known`` is what was found before."""
    # a board seldom heard is given leases now and then only, so that its strings come and go
    erratic = {target for d in known if d.cause is Cause.BOARD_SELDOM_HEARD for target in d.targets}
    strings = [load for load in scope.strings if load.board not in erratic]
    return (
        *(() if erratic else _circuits(record, scope, known)),
        *_conditions(strings, record, scope),
        *_lying(strings, record, scope, known),
        *_guards(strings, record),
    )


def _circuits(record: Record, scope: Scope, known: Sequence[Diagnosis]) -> Iterator[Diagnosis]:
    dead = {target for d in known if d.cause is Cause.CIRCUIT_DEAD for target in d.targets}
    everything = record.get(ALL_ID, Notes())
    for circuit in scope.site.circuits:
        name, tags = circuit.name, circuit_tags(scope, circuit.name)
        notes = record.get(f"circuits/{name}", Notes())
        feeds = {load.channel for load in scope.strings if load.circuit == name}
        for seen, expected in ((notes, tags), (everything, [load.tag for load in scope.strings])):
            on = lit(seen, "lit", expected)
            able = {tag for tag in tags if follows(tag, record, scope).channels & feeds}
            if on is not None and able and not able & on and name not in dead:
                yield Diagnosis(
                    cause=Cause.BREAKER_TRIPS,
                    targets=(name,),
                    because=f"with {len(tags)} strings on, all went dark",
                )
                break
        for tag in sorted((lit(notes, "left", ()) or frozenset()) & set(tags)):
            yield Diagnosis(
                cause=Cause.STRING_ON_OTHER_CIRCUIT,
                targets=(tag,),
                because=f"lit with the breaker of {name} off",
            )
        if notes.said("clamp", NO):
            yield Diagnosis(
                cause=Cause.NEUTRAL_SHARED,
                targets=(name,),
                because="line and neutral together were not balanced",
            )
    yield from _meters(record, scope)


def _meters(record: Record, scope: Scope) -> Iterator[Diagnosis]:
    """Tell meters that answer for each other: each silent on its own circuit and loaded on the other's."""
    answers = {}
    for circuit in scope.site.circuits:
        notes, tags = record.get(f"circuits/{circuit.name}", Notes()), circuit_tags(scope, circuit.name)
        power_w = notes.get("all")
        as_declared = lit(notes, "lit", tags) in (None, frozenset(tags))
        if power_w is not None and power_w.power_w and as_declared:
            loaded = [
                name
                for name, w in power_w.power_w.items()
                if w > 0.5 * scope.site.circuit_load_w(circuit.name)
            ]
            answers[circuit.name] = loaded
    for a, loaded in answers.items():
        for b in loaded:
            if a < b and loaded == [b] and answers.get(b) == [a]:
                yield Diagnosis(
                    cause=Cause.METERS_SWAPPED, targets=(a, b), because="each told of the other's load"
                )


def _conditions(strings: Sequence[Load], record: Record, scope: Scope) -> Iterator[Diagnosis]:
    for load in strings:
        notes = record.get(f"strings/{load.tag}", Notes())
        way = follows(load.tag, record, scope)
        if way.looked and not way.channels:
            continue  # it never came on, or never went off: it could not be looked at alone
        if notes.said("whole", NO):
            yield Diagnosis(cause=Cause.STRING_PARTLY_DEAD, targets=(load.tag,), because="lit only in part")
        if notes.said("label", NO):
            yield Diagnosis(
                cause=Cause.STRING_OF_OTHER_POWER,
                targets=(load.tag,),
                because=f"its label does not say {load.power_w:g} W",
            )


def _lying(
    strings: Sequence[Load], record: Record, scope: Scope, known: Sequence[Diagnosis]
) -> Iterator[Diagnosis]:
    """Tell strings that warm another tree than their own."""
    witnesses_lost = {target for d in known if d.cause in _NO_WITNESS for target in d.targets}
    dark = {target for d in known if d.cause is Cause.STRING_STAYS_DARK for target in d.targets}
    at = places(record, scope)
    tree_of = {probe: tree.name for tree in scope.site.trees for probe in tree.probes}
    ways = {load.tag: follows(load.tag, record, scope) for load in scope.strings}
    lies: dict[str, str] = {}
    for load in strings:
        tag, notes = load.tag, record.get(f"strings/{load.tag}", Notes())
        beside = [t for t, way in ways.items() if t != tag and way.channels & ways[tag].channels]
        seen = heated(notes)
        if beside or seen is None or witnesses_lost:
            continue
        first = warmest(seen, scope)
        if first:
            lies[tag] = tree_of.get(at[first], at[first])
        elif not _is_weak(record, tag) and tag not in dark:
            yield Diagnosis(
                cause=Cause.STRING_WARMS_NOTHING,
                targets=(tag,),
                because=f"no probe rose by a kelvin in {seen.lasted_s / 60:.0f} min",
            )
    own = {load.tag: load.tree for load in scope.strings}
    moved = {tag: tree for tag, tree in lies.items() if tree != own[tag]}
    paired: set[str] = set()
    for tag, tree in moved.items():
        back = [
            t
            for t, other in moved.items()
            if own[t] == tree and other == own[tag] and t not in paired and t != tag
        ]
        if tag in paired:
            continue
        if back:
            paired |= {tag, back[0]}
            yield Diagnosis(
                cause=Cause.STRINGS_ON_EACH_OTHERS_TREES,
                targets=tuple(sorted((tag, back[0]))),
                because=f"{tag} warmed {tree}, {back[0]} warmed {own[tag]}",
            )
        else:
            yield Diagnosis(
                cause=Cause.STRING_ON_OTHER_TREE,
                targets=(tag,),
                because=f"{tree} grew warm first, not {own[tag]}",
            )


def _is_weak(record: Record, tag: str) -> bool:
    notes = record.get(f"strings/{tag}", Notes())
    return notes.said("whole", NO) or notes.said("label", NO)


def _guards(strings: Sequence[Load], record: Record) -> Iterator[Diagnosis]:
    for load in strings:
        notes = record.get(f"guards/{load.tag}", Notes())
        yield from _guards_of(load, notes)


def _guards_of(load: Load, notes: Notes) -> Iterator[Diagnosis]:
    def of(cause: Cause, because: str) -> Diagnosis:
        return Diagnosis(cause=cause, targets=(load.tag,), because=because)

    if notes.said("hot", NO):
        yield of(Cause.CUT_OUT_DOES_NOT_OPEN, "lit with its cut-out warmed")
    elif notes.said("cool", NO):
        yield of(Cause.CUT_OUT_STAYS_OPEN, "dark after its cut-out had cooled")
    if notes.said("dial", ABOVE):
        yield of(Cause.FROST_STAT_SET_HIGH, f"its mark is {ABOVE}")
    elif notes.said("back", NO) and "hot" in notes:
        yield of(Cause.FROST_STAT_STAYS_CLOSED, "lit in mild air with its frost-stat turned back")
    if notes.said("dial", BELOW):
        yield of(Cause.FROST_STAT_SET_LOW, f"its mark is {BELOW}")
