"""Alarms as the status shows them to pages."""

from controller.alarm.engine import Alarm
from controller.bus.messages import AlarmStatus
from controller.guard.finding import KNOWN

# The worst so many are told in the status, the rest is counted: it has a size limit.
MOST_SHOWN = 20


def alarms_for_status(shown: tuple[Alarm, ...]) -> tuple[AlarmStatus, ...]:
    """Return alarms, the worst first, as pages read them."""
    return tuple(_status(alarm) for alarm in shown[:MOST_SHOWN])


def _status(alarm: Alarm) -> AlarmStatus:
    finding = alarm.finding
    return AlarmStatus.model_validate(
        {
            "key": finding.key,
            "code": str(finding.code),
            "target": finding.target,
            "severity": finding.severity,
            "what": KNOWN[finding.code].what,
            "because": finding.because,
            "cause": finding.cause,
            "look_at": finding.look_at,
            "sure": str(finding.sure),
            "since": alarm.began,
            "stage": str(alarm.stage),
            "acknowledged_by": alarm.acknowledged_by,
        }
    )
