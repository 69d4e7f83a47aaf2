"""Times as people read them: UTC in what is logged, kept and sent; the place's own time in what is read."""

import re
from datetime import UTC, datetime, timedelta, tzinfo

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_DAY = rf"(?P<date>\d{{4}}-\d\d-\d\d)|(?P<day>{'|'.join(_DAYS)})"
_UTC_TIME = re.compile(rf"\b(?:(?:{_DAY}) )?(?P<time>(?:[01]\d|2[0-3]):[0-5]\d) UTC", re.ASCII)
FAR_AWAY = timedelta(hours=18)


def clock(at: datetime, now: datetime, zone: tzinfo, *, twelve_hours: bool = False) -> str:
    """Return a local time of day, with the weekday where it could be mistaken."""
    local, today = at.astimezone(zone), now.astimezone(zone)
    text = f"{local:%I:%M %p}".lstrip("0").lower() if twelve_hours else f"{local:%H:%M}"
    near = local.date() == today.date() or abs(at - now) < FAR_AWAY
    return text if near else f"{_DAYS[local.weekday()]} {text}"


def localised(text: str, now: datetime, zone: tzinfo, *, twelve_hours: bool = False) -> str:
    """Return a sentence with its UTC times in a place's own; a bare hour is the next, a day the nearest."""

    def local(found: re.Match[str]) -> str:
        try:
            at = _meant(found, now)
        except ValueError:  # such as 30 February
            return found[0]
        return clock(at, now, zone, twelve_hours=twelve_hours)

    return _UTC_TIME.sub(local, text)


def _meant(found: re.Match[str], now: datetime) -> datetime:
    """Return the time that a text means."""
    at = datetime.fromisoformat(f"{found['date'] or now.astimezone(UTC).date()}T{found['time']}:00+00:00")
    if found["day"]:
        days = (_DAYS.index(found["day"]) - at.weekday() + 3) % 7 - 3
        return at + timedelta(days=days)
    if not found["date"] and at < now - timedelta(minutes=1):
        return at + timedelta(days=1)
    return at
