"""What meters and echoes say of channels where nobody looked: less than eyes do, and it is said so."""

from collections.abc import Iterator, Sequence

from controller.wiring.cause import Cause, Diagnosis
from controller.wiring.check import Record, Scope
from controller.wiring.loads import Load
from controller.wiring.stages.channels import DARK_ID, LEAST_W, drawn
from controller.wiring.step import Notes

# Filament lamps and cables are within this of their label (common practice, no source).
TOLERANCE = 0.25


def unattended_faults(record: Record, scope: Scope, boards: Sequence[Diagnosis]) -> tuple[Diagnosis, ...]:
    """Return what the meters say of each string."""
    if scope.attended or "dark" not in record.get(DARK_ID, Notes()):
        return ()
    lost = {target for d in boards for target in d.targets}
    return tuple(
        fault
        for load in scope.strings
        if load.board not in lost and load.circuit in scope.meters
        for fault in _of_string(load, record)
    )


def _of_string(load: Load, record: Record) -> Iterator[Diagnosis]:
    notes = record.get(f"channels/{load.channel}", Notes())
    if "on" not in notes:
        return
    drawn_w = drawn(notes, record, load.circuit)
    if drawn_w < LEAST_W:
        elsewhere = [
            f"{circuit} by {drawn(notes, record, circuit):.0f} W"
            for circuit in notes["on"].power_w
            if drawn(notes, record, circuit) > LEAST_W
        ]
        if elsewhere:
            because = (
                f"{load.circuit} drew nothing, {', '.join(elsewhere)}; or its channel is another string's"
            )
            yield Diagnosis(cause=Cause.STRING_ON_OTHER_CIRCUIT, targets=(load.tag,), because=because)
        else:
            because = f"{drawn_w:.0f} W when let on; in mild air an open frost-stat looks the same"
            yield Diagnosis(cause=Cause.STRING_STAYS_DARK, targets=(load.tag,), because=because)
    elif abs(drawn_w / load.power_w - 1.0) > TOLERANCE:
        because = f"{drawn_w:.0f} W, declared {load.power_w:g} W; or a part of it is dead: look along it"
        yield Diagnosis(cause=Cause.STRING_OF_OTHER_POWER, targets=(load.tag,), because=because)
