"""The alarms that stand, as shown: the worst first and whole, the others folded away beneath it."""

from dataclasses import dataclass
from datetime import datetime

from controller.bus.messages import AlarmStatus, StatusPayload
from controller.phone.figures import Figures
from controller.phone.tasks import Level
from controller.phone.words import say

# Severity 4: crop or house at risk now; 3: mend it today.
GO_FROM, LOOK_FROM = 4, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as shown; ``key`` is empty where there is nothing to acknowledge."""

    level: Level
    head: str
    since: str
    because: str
    cause: str
    look_at: str
    stage: str
    key: str
    target: str


def alarms_of(status: StatusPayload, figures: Figures, now: datetime) -> tuple[AlarmView, ...]:
    """Return the alarms, unacknowledged ones before others, the worst first."""
    ordered = sorted(status.alarms, key=lambda alarm: (bool(alarm.acknowledged_by), -alarm.severity))
    return tuple(_view(alarm, figures, now) for alarm in ordered)


def level_of(alarm: AlarmStatus) -> Level:
    """Return how much an alarm needs a person now; one that is over needs only to be seen."""
    if alarm.stage == "returned":
        return "look"
    return "go" if alarm.severity >= GO_FROM else "look" if alarm.severity >= LOOK_FROM else "well"


def _view(alarm: AlarmStatus, figures: Figures, now: datetime) -> AlarmView:
    stage = say("alarm-over") if alarm.stage == "returned" else ""
    if alarm.acknowledged_by:
        stage = say("alarm-has", who=alarm.acknowledged_by)
    head = say("alarm-head", what=alarm.what, target=alarm.target)
    since = figures.time(alarm.since, now)
    return AlarmView(
        level=level_of(alarm),
        head=head[:1].upper() + head[1:],
        since=say("alarm-since", time=since, ago=figures.ago((now - alarm.since).total_seconds())),
        because=figures.localised(alarm.because, now),
        cause=say("alarm-sure", cause=alarm.cause, sure=alarm.sure),
        look_at=alarm.look_at,
        stage=stage,
        key="" if alarm.acknowledged_by else alarm.key,
        target=alarm.target,
    )
