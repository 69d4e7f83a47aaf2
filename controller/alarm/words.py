"""Messages in words: what, why, the first thing to look at, since when, how sure.  Pure."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from controller.alarm.engine import Alarm, Kind, Message
from controller.guard.finding import KNOWN, WORST
from controller.local_time import localised

LONGEST_SUBJECT = 120
# More alarms than this are counted, not told one by one: a message is read on a telephone.
MOST_TOLD = 8

_DANGER = {
    2: "Mend it by day.",
    3: "Mend it today.",
    4: "Crop or house may be lost within the hour.",
}
CAUTION = "Wet ground and mains: cut the breaker before touching strings, boards or cables."


@dataclass(frozen=True, slots=True, kw_only=True)
class Taps:
    """Addresses of one-tap links; empty where there are none."""

    heat: str = ""
    have: str = ""


NO_TAPS = Taps()


def subject_of(message: Message, title: str) -> str:
    """Return one line that says it all, for a lock screen."""
    match message.kind:
        case Kind.TEST:
            text = "a test: messages arrive"
        case Kind.DAILY:
            count = len(message.standing)
            text = "guarding, all is well" if not count else f"guarding, {_count(count)} to mend"
        case Kind.ALARM:
            told = message.standing or message.over
            first = told[0].finding
            over = "" if message.standing else "over: "
            more = f" and {len(told) - 1} more" if len(told) > 1 else ""
            text = f"{over}{KNOWN[first.code].what}: {first.target}{more}"
    return f"{title}: {text}"[:LONGEST_SUBJECT]


def text_of(message: Message, title: str, zone: tzinfo, page: str = "", taps: Taps = NO_TAPS) -> str:
    """Return the whole message.

    Parameters
    ----------
    message
        What is told.
    title
        The site's name for people.
    zone
        The site's time zone.
    page
        Address of the page for phones, if there is one.
    taps
        Links that heat everything, or say that somebody has the alarms, with one tap.
    """
    lines = list(_lines(message, title, zone))
    if message.kind is Kind.ALARM and message.standing:
        if message.severity == WORST and taps.heat:
            lines += ["", f"Heat everything now: {taps.heat}"]
        at_page = f": {page}" if page else ""
        if all(alarm.finding.is_past for alarm in message.standing):
            lines += ["", f"This is told once. How things are now is on the page{at_page}."]
        else:
            lines += ["", f"I have it: {taps.have}"] if taps.have else []
            lines += ["", f"Acknowledge it on the page{at_page}; until then it is repeated."]
        lines += [CAUTION]
    elif page:
        lines += ["", page]
    return "\n".join(lines) + "\n"


def _lines(message: Message, title: str, zone: tzinfo) -> Iterator[str]:
    match message.kind:
        case Kind.TEST:
            yield f"{message.who} asked {title} for a test message at {_time(message.at, zone)}."
            yield "It came this way, so an alarm would too."
        case Kind.DAILY:
            yield from _daily(message, title, zone)
        case Kind.ALARM:
            for n, alarm in enumerate(message.standing[:MOST_TOLD]):
                yield from ([""] if n else [])
                yield from _alarm(alarm, message.at, zone)
            if len(message.standing) > MOST_TOLD:
                yield f"and {len(message.standing) - MOST_TOLD} more: see the page."
            if message.standing and message.over:
                yield ""
            for alarm in message.over[:MOST_TOLD]:
                yield f"Over: {_head(alarm)} (since {_time(alarm.began, zone)})."
            if len(message.over) > MOST_TOLD:
                yield f"Over: {len(message.over) - MOST_TOLD} more."


def _alarm(alarm: Alarm, at: datetime, zone: tzinfo) -> Iterator[str]:
    finding = alarm.finding
    head = _head(alarm)
    yield f"{head[:1].upper()}{head[1:]}"
    yield f"  {localised(finding.because, at, zone)}."
    yield f"  Likely cause: {finding.cause} ({finding.sure})."
    yield f"  Look first: {finding.look_at}."
    minutes = max(0, round((at - alarm.began).total_seconds() / 60))
    danger = "" if finding.is_past else _DANGER.get(finding.severity, "")
    yield f"  Since {_time(alarm.began, zone)}, {_duration(minutes)}. {danger}".rstrip()


def _head(alarm: Alarm) -> str:
    return f"{KNOWN[alarm.finding.code].what}: {alarm.finding.target}"


def _daily(message: Message, title: str, zone: tzinfo) -> Iterator[str]:
    situation = message.situation
    yield f"{title} is guarded."
    if situation.outlook:
        yield localised(situation.outlook, message.at, zone)
    yield ""
    yield "Heat was last proven, by a string on and its tree warmer:"
    for tree, at in situation.proven.items():
        yield f"  {tree}: {_time(at, zone, message.at) if at else 'not yet'}"
    yield ""
    if not message.standing:
        yield "Nothing is wrong."
    for alarm in message.standing[:MOST_TOLD]:
        who = f", acknowledged by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
        yield f"{_head(alarm)}, since {_time(alarm.began, zone, message.at)}{who}."
    if len(message.standing) > MOST_TOLD:
        yield f"and {len(message.standing) - MOST_TOLD} more: see the page."


def _time(at: datetime, zone: tzinfo, now: datetime | None = None) -> str:
    """Return a local time; with its day where it is not today's."""
    local = at.astimezone(zone)
    today = now is None or now.astimezone(zone).date() == local.date()
    return f"{local:%H:%M}" if today else f"{local:%Y-%m-%d %H:%M}"


def _duration(minutes: int) -> str:
    return f"{minutes} min ago" if minutes < 120 else f"{math.floor(minutes / 60)} h ago"


def _count(count: int) -> str:
    return "one thing" if count == 1 else f"{count} things"
