"""From what was seen to what is wrong.

Every rule reads the same record, all of it: what one check shows may be explained by another.  A cause that
explains the rest silences it: a board that is not heard says nothing of its channels.
"""

from controller.wiring.cause import Cause, Diagnosis
from controller.wiring.check import Record, Scope
from controller.wiring.find_boards import board_faults
from controller.wiring.find_channels import channel_faults
from controller.wiring.find_probes import probe_faults
from controller.wiring.find_strings import string_faults
from controller.wiring.find_unattended import unattended_faults
from controller.wiring.stages.boards import ID as LISTEN_ID
from controller.wiring.stages.cautions import ID as CAUTIONS_ID
from controller.wiring.step import NO, Notes


def diagnose(record: Record, scope: Scope) -> tuple[Diagnosis, ...]:
    """Return everything found wrong; an empty tuple says only that nothing was, not that all was tried."""
    if not record.get(LISTEN_ID):
        return tuple(_by_eye(record))
    boards = board_faults(record, scope)
    probes = probe_faults(record, scope, boards)
    channels = (*channel_faults(record, scope, boards), *unattended_faults(record, scope, boards))
    strings = string_faults(record, scope, (*boards, *probes, *channels))
    return (*_by_eye(record), *boards, *probes, *channels, *strings)


def _by_eye(record: Record) -> list[Diagnosis]:
    notes = record.get(CAUTIONS_ID, Notes())
    found = []
    if notes.said("rcd", NO):
        found.append(
            Diagnosis(cause=Cause.RCD_DEAD, targets=("site",), because="it did not trip by its button")
        )
    if notes.said("clear", NO):
        found.append(
            Diagnosis(
                cause=Cause.LAMP_NEAR_FABRIC, targets=("site",), because="seen before anything was switched"
            )
        )
    return found
