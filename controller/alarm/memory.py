"""Alarms and messages as the journal keeps them, so that a restart neither forgets nor repeats them."""

import json
import math
import sqlite3
from datetime import UTC, datetime

from controller.alarm.engine import Alarm, Alarms, Stage
from controller.alarm.outbox import Outbox
from controller.guard.finding import Finding, FindingCode, Sure
from controller.guard.now import Now
from controller.journal.parcel import Parcel
from controller.journal.writer import Journal


def keep_changes(journal: Journal, before: Alarms, after: Alarms, now: Now) -> None:
    """Keep what changed between two steps: each alarm as it stands, and what became of it."""
    for key in before.standing.keys() | after.standing.keys():
        was, now_is = before.standing.get(key), after.standing.get(key)
        if now_is is None:
            journal.put_alarm(key, None)
        elif _told(was) != _told(now_is):
            journal.put_alarm(key, _written(now_is, now))
        last = now_is or was
        if last is None:
            continue
        for event, who in _events(was, now_is):
            finding = last.finding
            journal.put_alarm_event(now.utc, key, event, finding.severity, who, finding.because)


def _told(alarm: Alarm | None) -> tuple[object, ...]:
    """Return what of an alarm is worth keeping: everything but when it was last seen and its numbers."""
    if alarm is None:
        return ()
    return (alarm.raised_s, alarm.over_s, alarm.acknowledged_by, alarm.worst, alarm.told_s, alarm.owed)


def _events(was: Alarm | None, now_is: Alarm | None) -> list[tuple[str, str]]:
    events = []
    stage, before = now_is.stage if now_is else None, was.stage if was else None
    if now_is is not None and now_is.raised_s < math.inf and before in {None, Stage.WAITING, Stage.RETURNED}:
        events.append(("raised", ""))
    if now_is is not None and now_is.acknowledged_by and (was is None or not was.acknowledged_by):
        events.append(("acknowledged", now_is.acknowledged_by))
    if stage is Stage.RETURNED and before is not Stage.RETURNED:
        events.append(("over", ""))
    if now_is is None and before in {Stage.UNACKNOWLEDGED, Stage.ACKNOWLEDGED}:
        events.append(("over", ""))
    return events


def _written(alarm: Alarm, now: Now) -> str:
    """Return an alarm as JSON; monotonic times become wall times, for monotonic ones mean nothing later."""
    finding = alarm.finding

    def wall_s(mono_s: float) -> float | None:
        return None if mono_s == math.inf else now.utc.timestamp() - (now.mono_s - mono_s)

    return json.dumps(
        {
            "code": finding.code,
            "target": finding.target,
            "severity": finding.severity,
            "because": finding.because,
            "look_at": finding.look_at,
            "cause": finding.cause,
            "sure": finding.sure,
            "began": alarm.began.timestamp(),
            "began_s": wall_s(alarm.began_s),
            "raised_s": wall_s(alarm.raised_s),
            "over_s": wall_s(alarm.over_s),
            "worst": alarm.worst,
            "acknowledged_by": alarm.acknowledged_by,
            "told_s": {way: wall_s(mono_s) for way, mono_s in alarm.told_s.items()},
            "owed": sorted(alarm.owed),
        }
    )


def recall_alarms(connection: sqlite3.Connection, now: Now) -> Alarms:
    """Return the alarms that stood when the daemon last ended; what cannot be read is left out."""
    standing = {}
    for key, body in connection.execute("SELECT key, body FROM alarm"):
        try:
            standing[key] = _read(json.loads(body), now)
        except (ValueError, KeyError, TypeError):  # of another release: what is still wrong is found again
            continue
    return Alarms(standing=standing)


def _read(body: dict[str, object], now: Now) -> Alarm:
    finding = Finding(
        code=FindingCode(_text(body["code"])),
        target=_text(body["target"]),
        severity=int(_number(body["severity"])),
        because=_text(body["because"]),
        look_at=_text(body["look_at"]),
        cause=_text(body["cause"]),
        sure=Sure(_text(body["sure"])),
    )
    told, owed = body["told_s"], body["owed"]
    if not isinstance(told, dict) or not isinstance(owed, list):
        raise TypeError("told_s is a table and owed a list")

    def mono_s(wall_s: object) -> float:
        if wall_s is None:
            return math.inf
        # without a sound clock the time between is unknown, and it counts as just now
        gone_s = now.utc.timestamp() - _number(wall_s) if now.clock_trusted else 0.0
        return now.mono_s - max(0.0, gone_s)

    return Alarm(
        finding=finding,
        began=datetime.fromtimestamp(_number(body["began"]), tz=UTC),
        began_s=mono_s(body["began_s"]),
        seen_s=now.mono_s,
        raised_s=mono_s(body["raised_s"]),
        over_s=mono_s(body["over_s"]),
        worst=int(_number(body["worst"])),
        acknowledged_by=_text(body["acknowledged_by"]),
        told_s={str(way): mono_s(at) for way, at in told.items()},
        owed=frozenset(str(way) for way in owed),
    )


def _number(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError("a number is expected")
    return float(value)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("a text is expected")
    return value


def recall_parcels(connection: sqlite3.Connection, now: Now) -> Outbox:
    """Return the messages that were still to be sent when the daemon last ended."""
    rows = connection.execute(
        "SELECT id, way, kind, severity, subject, text, made_s, attempts FROM message "
        "WHERE delivered_s IS NULL AND given_up_s IS NULL ORDER BY made_s"
    )
    outbox = Outbox()
    for row in rows:
        parcel = Parcel(
            id=row[0],
            way=row[1],
            kind=row[2],
            severity=row[3],
            subject=row[4],
            text=row[5],
            made_at=datetime.fromtimestamp(row[6], tz=UTC),
            attempts=row[7],
            next_s=now.mono_s,
        )
        outbox, _ = outbox.with_parcel(parcel)
    return outbox


def recall_proofs(connection: sqlite3.Connection) -> dict[str, datetime]:
    """Return when heat was last proven for each tree."""
    rows = connection.execute("SELECT tree, at_s FROM proof")
    return {tree: datetime.fromtimestamp(at_s, tz=UTC) for tree, at_s in rows}
