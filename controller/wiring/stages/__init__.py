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
    plain,
    probes,
    rest,
    strings,
)
from controller.wiring.stages.circuits import ALL_ID
from controller.wiring.stages.rest import LAPSE_ID

_CHECKS = {
    Stage.CAUTIONS: cautions.checks,
    Stage.BOARDS: boards.checks,
    Stage.PROBES: probes.checks,
    Stage.CHANNELS: channels.checks,
    Stage.REST: lambda scope: [*rest.checks(scope), *plain.checks(scope)],
    Stage.CIRCUITS: circuits.checks,
    Stage.STRINGS: strings.checks,
    Stage.GUARDS: guards.checks,
    Stage.STEP: heater_step.checks,
}


def checks_of(scope: Scope) -> Sequence[Check]:
    """Return every check that a test of this scope makes, in order."""
    checks = [check for stage in Stage if stage in scope.stages for check in _CHECKS[stage](scope)]
    return [check for check in checks if not scope.short or _is_growers(check)]


def _is_growers(check: Check) -> bool:
    """Tell whether a check belongs to the yearly short form: nothing to open, to unplug or to measure."""
    if check.stage in {Stage.PROBES, Stage.CIRCUITS, Stage.STEP}:
        return check.id == ALL_ID
    return check.stage is not Stage.REST or check.id == LAPSE_ID or isinstance(check, plain.WillCheck)
