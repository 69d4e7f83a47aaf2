"""The alarms' engine: findings in, messages to people out.  Pure, as the keeper is.

    handle(rules, alarms, situation, orders, now) -> (alarms, messages)

The life of an alarm follows the states of ANSI/ISA-18.2 and IEC 62682 (from memory):

    waiting          found, but not yet for as long as its severity asks: most troubles mend themselves
    unacknowledged   told to every way that its severity and age reach; told again until acknowledged
    acknowledged     somebody has it; told no more, unless it gets worse
    returned         gone for a while without having been acknowledged: the bad kind stays in view (latched)

A finding that comes and goes is one alarm: it ends only when it has been gone for ten minutes, and for an
hour once it has come back three times.  What is due for a way at one moment is one message, and a way that
has been sent many lately is sent what has gathered every ten minutes: a storm costs a person a dozen
messages, not hundreds.  Quiet hours hold back everything but the worst.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum

from controller.guard.finding import WORST, Finding
from controller.guard.now import Now

# How long something must be found before it is told, by severity [s]: a board may take 90 s to join its
# network, and a bar of 15 min for the worst leaves room for a lost message.  Severity 1 is shown, never sent.
DELAY_S = {1: 1800.0, 2: 1800.0, 3: 300.0, 4: 120.0}
# How soon it is told again while nobody acknowledges it [s].
REPEAT_S = {2: 86400.0, 3: 7200.0, 4: 900.0}
# An alarm has ended when its finding has been gone for so long [s]; longer for one that keeps coming back.
CLEAR_S = 600.0
RESTLESS_CLEAR_S = 3600.0
RESTLESS_RAISES = 3
RESTLESS_S = 6 * 3600.0
# From so many messages an hour on, a way gets what has gathered every ``GATHER_S``.
MOST_PER_HOUR = 8
GATHER_S = 600.0
HOUR_S = 3600.0
# The least severity that stays in view until somebody has acknowledged it.
LATCHED_SEVERITY = 3
LEAST_SENT = 2
# The sign of life is sent within this time of its hour or not at all.
DAILY_WITHIN = timedelta(hours=1)


class Stage(StrEnum):
    """Where an alarm is in its life."""

    WAITING = "waiting"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"


class Kind(StrEnum):
    """What a message is."""

    ALARM = "alarm"
    DAILY = "daily"
    TEST = "test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """A way to reach somebody: from which severity on, and after how long without acknowledgement [s]."""

    name: str
    from_severity: int = LEAST_SENT
    after_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What the engine needs to know of a site."""

    ways: tuple[Reach, ...]
    zone: tzinfo
    trees: tuple[str, ...] = ()
    quiet: tuple[time, time] | None = None
    daily_at: time | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What is found now, when heat was last proven for each tree, and what the coming night asks."""

    findings: tuple[Finding, ...] = ()
    proven: Mapping[str, datetime | None] = field(default_factory=dict)
    outlook: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge:
    """Somebody has an alarm, named by its key, or "all" of them."""

    key: str
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """Somebody wants to see that messages arrive."""

    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """An alarm and how far it is in its life; times [s] are monotonic and infinite where not come yet.

    ``worst`` is its severity at its worst; ``told_s`` says when each way was last told; ``owed`` names
    the ways that were told of it and not yet of its end.
    """

    finding: Finding
    began: datetime
    began_s: float
    seen_s: float
    worst: int
    raised_s: float = math.inf
    over_s: float = math.inf
    acknowledged_by: str = ""
    told_s: Mapping[str, float] = field(default_factory=dict)
    owed: frozenset[str] = frozenset()
    raises_s: tuple[float, ...] = ()

    @property
    def stage(self) -> Stage:
        """Where it is in its life."""
        if self.over_s < math.inf:
            return Stage.RETURNED
        if self.raised_s == math.inf:
            return Stage.WAITING
        return Stage.ACKNOWLEDGED if self.acknowledged_by else Stage.UNACKNOWLEDGED


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarms:
    """Everything the engine remembers; the mappings are never changed in place."""

    standing: Mapping[str, Alarm] = field(default_factory=dict)
    sent_s: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    daily_on: date | None = None

    @property
    def shown(self) -> tuple[Alarm, ...]:
        """The alarms people should see, the worst and latest first."""
        seen = (alarm for alarm in self.standing.values() if alarm.stage is not Stage.WAITING)
        return tuple(sorted(seen, key=lambda alarm: (-alarm.finding.severity, -alarm.raised_s)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What one way is told at one moment: alarms that stand and alarms that are over, or a sign of life."""

    way: str
    kind: Kind
    at: datetime
    severity: int = 1
    standing: tuple[Alarm, ...] = ()
    over: tuple[Alarm, ...] = ()
    situation: Situation = field(default_factory=Situation)
    who: str = ""


Orders = tuple[Acknowledge | Try, ...]


def handle(
    rules: Rules, alarms: Alarms, situation: Situation, orders: Orders, now: Now
) -> tuple[Alarms, tuple[Message, ...]]:
    """Return the alarms as they now stand, and what people shall be told."""
    standing = _found(alarms.standing, situation.findings, now)
    standing = _ended(standing, now)
    for order in orders:
        if isinstance(order, Acknowledge):
            standing = _acknowledged(standing, order)
    messages: list[Message] = []
    sent_s = dict(alarms.sent_s)
    for way in rules.ways:
        recent_s = tuple(s for s in sent_s.get(way.name, ()) if now.mono_s - s < HOUR_S)
        if not (len(recent_s) >= MOST_PER_HOUR and now.mono_s - recent_s[-1] < GATHER_S):
            standing, message = _tell(rules, way, standing, now)
            if message is not None:
                messages.append(message)
                recent_s = (*recent_s, now.mono_s)
        sent_s[way.name] = recent_s
    daily_on, daily = _daily(rules, alarms.daily_on, standing, situation, now)
    tests = [
        Message(way=way.name, kind=Kind.TEST, at=now.utc, who=order.who)
        for order in orders
        if isinstance(order, Try)
        for way in rules.ways
    ]
    standing = {key: alarm for key, alarm in standing.items() if _is_kept(alarm)}
    after = Alarms(standing=standing, sent_s=sent_s, daily_on=daily_on)
    return after, (*messages, *daily, *tests)


# ---- the life of an alarm -----------------------------------------------------------------------------


def _found(before: Mapping[str, Alarm], findings: tuple[Finding, ...], now: Now) -> dict[str, Alarm]:
    standing = dict(before)
    for finding in findings:
        alarm = standing.get(finding.key)
        if alarm is None or alarm.over_s < math.inf:
            earlier = () if alarm is None else tuple(s for s in alarm.raises_s if now.mono_s - s < RESTLESS_S)
            alarm = Alarm(
                finding=finding,
                began=now.utc,
                began_s=now.mono_s,
                seen_s=now.mono_s,
                worst=finding.severity,
                raises_s=earlier,
            )
        elif finding.severity > alarm.worst:  # it got worse: whoever had it must hear of it
            alarm = replace(alarm, finding=finding, seen_s=now.mono_s, worst=finding.severity)
            alarm = replace(alarm, acknowledged_by="", told_s={})
        else:
            alarm = replace(alarm, finding=finding, seen_s=now.mono_s)
        delay_s = 0.0 if finding.is_past else DELAY_S[finding.severity]
        if alarm.raised_s == math.inf and now.mono_s - alarm.began_s >= delay_s:
            alarm = replace(alarm, raised_s=now.mono_s, raises_s=(*alarm.raises_s, now.mono_s))
        standing[finding.key] = alarm
    return standing


def _ended(before: Mapping[str, Alarm], now: Now) -> dict[str, Alarm]:
    standing = {}
    for key, alarm in before.items():
        restless = len(alarm.raises_s) >= RESTLESS_RAISES
        gone = now.mono_s - alarm.seen_s >= (RESTLESS_CLEAR_S if restless else CLEAR_S)
        if not gone or alarm.over_s < math.inf:
            standing[key] = alarm
        elif alarm.raised_s < math.inf:
            owed = frozenset() if alarm.finding.is_past else frozenset(alarm.told_s)
            standing[key] = replace(alarm, over_s=now.mono_s, owed=owed)
    return standing


def _acknowledged(before: Mapping[str, Alarm], order: Acknowledge) -> dict[str, Alarm]:
    return {
        key: replace(alarm, acknowledged_by=order.who)
        if order.key in {key, "all"} and alarm.stage in {Stage.UNACKNOWLEDGED, Stage.RETURNED}
        else alarm
        for key, alarm in before.items()
    }


def _is_kept(alarm: Alarm) -> bool:
    """Tell whether an alarm stays in view: one that is over, until all were told and somebody has seen it."""
    if alarm.stage is not Stage.RETURNED or alarm.owed:
        return True
    latched = alarm.finding.severity >= LATCHED_SEVERITY and not alarm.finding.is_past
    return latched and not alarm.acknowledged_by


# ---- who is told what ---------------------------------------------------------------------------------


def _tell(
    rules: Rules, way: Reach, standing: dict[str, Alarm], now: Now
) -> tuple[dict[str, Alarm], Message | None]:
    """Return the alarms after telling one way what is due, and the message."""
    least = max(way.from_severity, WORST if is_quiet(rules, now) else LEAST_SENT)
    due = {key: alarm for key, alarm in standing.items() if _is_due(alarm, way, least, now)}
    over = {
        key: alarm
        for key, alarm in standing.items()
        if way.name in alarm.owed and alarm.finding.severity >= least
    }
    if not due and not over:
        return standing, None
    told = {
        key: replace(alarm, told_s={**alarm.told_s, way.name: now.mono_s}) for key, alarm in due.items()
    } | {key: replace(alarm, owed=alarm.owed - {way.name}) for key, alarm in over.items()}
    message = Message(
        way=way.name,
        kind=Kind.ALARM,
        at=now.utc,
        severity=max(alarm.finding.severity for alarm in told.values()),
        standing=_worst_first(due),
        over=_worst_first(over),
    )
    return standing | told, message


def _worst_first(alarms: Mapping[str, Alarm]) -> tuple[Alarm, ...]:
    return tuple(sorted(alarms.values(), key=lambda alarm: -alarm.finding.severity))


def _is_due(alarm: Alarm, way: Reach, least: int, now: Now) -> bool:
    finding, is_found = alarm.finding, alarm.seen_s == now.mono_s
    if not is_found or alarm.stage is not Stage.UNACKNOWLEDGED or finding.severity < least:
        return False
    if now.mono_s - alarm.raised_s < way.after_s:
        return False
    told_s = alarm.told_s.get(way.name)
    if told_s is None:
        return True
    return not finding.is_past and now.mono_s - told_s >= REPEAT_S[finding.severity]


def is_quiet(rules: Rules, now: Now) -> bool:
    """Tell whether it is quiet now; never by a clock that may be wrong."""
    if rules.quiet is None or not now.clock_trusted:
        return False
    begins, ends = rules.quiet
    at = now.utc.astimezone(rules.zone).time()
    return begins <= at < ends if begins <= ends else at >= begins or at < ends


def _daily(
    rules: Rules, last: date | None, standing: Mapping[str, Alarm], situation: Situation, now: Now
) -> tuple[date | None, tuple[Message, ...]]:
    """Return the day of the last sign of life, and today's to every way if it is due."""
    if rules.daily_at is None or not now.clock_trusted:
        return last, ()
    local = now.utc.astimezone(rules.zone)
    due = local.replace(hour=rules.daily_at.hour, minute=rules.daily_at.minute, second=0, microsecond=0)
    if last == local.date() or not due <= local < due + DAILY_WITHIN:
        return last, ()
    shown = _worst_first({k: a for k, a in standing.items() if a.stage is not Stage.WAITING})
    whole = replace(situation, proven={tree: situation.proven.get(tree) for tree in rules.trees})
    return local.date(), tuple(
        Message(way=way.name, kind=Kind.DAILY, at=now.utc, standing=shown, situation=whole)
        for way in rules.ways
    )
