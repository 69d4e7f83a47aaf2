"""The parts of the wiring test, one module each, in the order in which they are made."""

from collections.abc import Sequence

from controller.wiring.check import Check, Scope, Stage
from controller.wiring.stages import (
    boards,
    cautions,
    channels,
    circuits,
    guards,
    heater_step,
    probes,
    rest,
    strings,
)

_CHECKS = {
    Stage.CAUTIONS: cautions.checks,
    Stage.BOARDS: boards.checks,
    Stage.PROBES: probes.checks,
    Stage.CHANNELS: channels.checks,
    Stage.REST: rest.checks,
    Stage.CIRCUITS: circuits.checks,
    Stage.STRINGS: strings.checks,
    Stage.GUARDS: guards.checks,
    Stage.STEP: heater_step.checks,
}


def checks_of(scope: Scope) -> Sequence[Check]:
    """Return every check that a test of this scope makes, in order."""
    return [check for stage in Stage if stage in scope.stages for check in _CHECKS[stage](scope)]
