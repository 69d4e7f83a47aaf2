"""What is wrong between channels and loads: which follows which, and which way round."""

from collections.abc import Mapping, Sequence

from controller.wiring.cause import Cause, Diagnosis
from controller.wiring.check import Record, Scope
from controller.wiring.cycles import cycles
from controller.wiring.lights import Follows, follows
from controller.wiring.loads import Load
from controller.wiring.stages.channels import lit
from controller.wiring.step import NO, YES, Notes

_BLIND = {
    Cause.LEASE_UNHEARD,
    Cause.ECHO_WITHOUT_EFFECT,
    Cause.BOARD_UNHEARD,
    Cause.BOARD_RESTARTS,
    Cause.BOARD_DOUBLED,
    Cause.BOARD_SELDOM_HEARD,
    Cause.TEXTS_UNHEARD,
    Cause.TEXT_ECHO_UNHEARD,
    Cause.TEXT_STRANGER,
}


def channel_faults(record: Record, scope: Scope, boards: Sequence[Diagnosis]) -> tuple[Diagnosis, ...]:
    """Return what is wrong with channels, by what a person saw follow them."""
    blind = {target for d in boards if d.cause in _BLIND for target in d.targets}
    exchanged = any(d.cause is Cause.BOARDS_SWAPPED for d in boards)
    ways = {load.tag: follows(load.tag, record, scope) for load in scope.loads if load.board not in blind}
    ways = {tag: way for tag, way in ways.items() if way.looked}
    loads = [load for load in scope.loads if load.tag in ways]
    found: list[Diagnosis] = []
    for load in loads:
        found += _stuck(load, ways[load.tag], record)
        found += _inverted(load, ways[load.tag], record, scope)
    if not exchanged:
        found += _crossed(loads, ways)
    return (*_dead_circuits(found, record, scope), *found)


def _stuck(load: Load, way: Follows, record: Record) -> list[Diagnosis]:
    notes = record.get(f"channels/{load.channel}", Notes())
    if way.always:
        if not load.is_string:
            return [_of(Cause.VENT_STAYS_ON, load, "on whatever was switched")]
        if notes.said("click", NO):
            return [_of(Cause.COIL_DEAD, load, "lit whatever was switched, and its relay did not click")]
        return [_of(Cause.CONTACT_STAYS_CLOSED, load, "lit whatever was switched, though its relay clicked")]
    return _dark(load, notes) if way.never else []


def _dark(load: Load, notes: Notes) -> list[Diagnosis]:
    """Tell where the feed of a load that was never on ends."""
    if not load.is_string:
        return [_of(Cause.VENT_DEAD, load, "never seen to move")]
    if "on" in notes and not notes["on"].is_on(load.channel):
        return []  # its board did not let it on, for a reason that is named elsewhere
    for point, cause in (
        ("relay", Cause.CONTACT_STAYS_OPEN),
        ("stat", Cause.FROST_STAT_STAYS_OPEN),
        ("cut-out", Cause.CUT_OUT_STAYS_OPEN),
    ):
        if notes.said(point, NO):
            return [_of(cause, load, f"dark when let on; no voltage behind its {point}")]
    if notes.said("cut-out", YES):
        return [_of(Cause.STRING_DEAD, load, "dark with voltage at its plug")]
    if "on" in notes and "mains" not in notes:
        return [_of(Cause.STRING_STAYS_DARK, load, "dark when let on")]
    return []


def _of(cause: Cause, load: Load, because: str) -> Diagnosis:
    return Diagnosis(cause=cause, targets=(load.tag,), because=because)


def _inverted(load: Load, way: Follows, record: Record, scope: Scope) -> list[Diagnosis]:
    """Tell a load that is on at rest and off when let on; its board without supply says why."""
    if not way.still or not way.channels:
        return []
    if not load.is_string:
        return [_of(Cause.VENT_RESTS_WRONG, load, "on at rest, off when moved")]
    board = min(way.channels).partition("/")[0]
    tags = [each.tag for each in scope.strings if each.board == board]
    pulled = lit(record.get(f"rest/supply-{board}", Notes()), "lit", tags)
    if pulled is None:
        return [
            _of(
                Cause.CHANNEL_INVERTED,
                load,
                "lit when told to rest and dark when let on; or else it hangs on the working "
                "contact: pull the board's supply, lit says inverted, dark says working contact",
            )
        ]
    if load.tag in pulled:
        return [
            _of(
                Cause.CHANNEL_INVERTED,
                load,
                "lit when told to rest, dark when let on, lit without the board's supply",
            )
        ]
    return [
        _of(
            Cause.WORKING_CONTACT,
            load,
            "lit when told to rest, dark when let on and without the board's supply",
        )
    ]


def _crossed(loads: Sequence[Load], ways: Mapping[str, Follows]) -> list[Diagnosis]:
    """Tell loads that follow others' channels: in rings, or two on one."""
    owner = {load.channel: load.tag for load in loads}
    used = {channel for way in ways.values() for channel in way.channels}
    moved: dict[str, str] = {}
    found: list[Diagnosis] = []
    for load in loads:
        way = ways[load.tag]
        if len(way.channels) != 1 or load.channel in way.channels:
            continue
        channel = min(way.channels)
        other = owner.get(channel)
        if other is not None and channel in ways[other].channels and load.channel not in used:
            found.append(
                Diagnosis(
                    cause=Cause.TWO_ON_ONE_CHANNEL,
                    targets=tuple(sorted((other, load.tag))),
                    because=f"both followed {channel}; {load.channel} moved nothing",
                )
            )
        else:
            moved[load.channel] = channel
    for ring in cycles(moved):
        words = ", ".join(f"{owner[channel]} followed {moved[channel]}" for channel in ring)
        found.append(Diagnosis(cause=Cause.CHANNELS_SWAPPED, targets=tuple(sorted(ring)), because=words))
    return found


def _dead_circuits(found: Sequence[Diagnosis], record: Record, scope: Scope) -> list[Diagnosis]:
    """Return circuits where a tester found no mains."""
    without: dict[str, list[str]] = {}
    for load in scope.strings:
        if record.get(f"channels/{load.channel}", Notes()).said("mains", NO):
            without.setdefault(load.circuit, []).append(load.tag)
    del found
    return [
        Diagnosis(
            cause=Cause.CIRCUIT_DEAD,
            targets=(circuit,),
            because=f"no mains at the relays of {', '.join(tags)}",
        )
        for circuit, tags in without.items()
    ]
