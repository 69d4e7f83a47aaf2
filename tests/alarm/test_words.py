"""What people read: on a lock screen in one line, and what to do in the text."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from controller.alarm.engine import Alarm, Kind, Message, Situation
from controller.alarm.words import CAUTION, LONGEST_SUBJECT, MOST_TOLD, Taps, subject_of, text_of
from controller.guard.finding import FindingCode, finding

NIGHT = datetime(2027, 1, 15, 3, 30, tzinfo=UTC)
DUBLIN = ZoneInfo("Europe/Dublin")
DEAD = finding(FindingCode.HEAT_WITHOUT_EFFECT, "lemon", "lemon has been heated for 31 min and is at 0.4 °C")
SILENT = finding(FindingCode.PROBE_STALE, "air-yuzu", "air-yuzu was last heard 4 min ago")


def alarm(of=DEAD, minutes=12.0, **others):
    began = NIGHT - timedelta(minutes=minutes)
    return Alarm(finding=of, began=began, began_s=0.0, seen_s=0.0, worst=of.severity, **others)


def told(*, standing=(), over=(), kind=Kind.ALARM, severity=4, **others):
    return Message(way="nora", kind=kind, at=NIGHT, severity=severity, standing=standing, over=over, **others)


def text(message, **others):
    return text_of(message, "Curlew Yard", DUBLIN, **others)


def test_an_alarm_says_what_why_what_to_look_at_since_when_and_how_sure():
    message = told(standing=(alarm(), alarm(SILENT, 200.0)))
    assert subject_of(message, "Curlew Yard") == "Curlew Yard: heat on, but no warmer: lemon and 1 more"
    lines = text(message, page="https://frost.lan:8484").splitlines()
    assert lines[:6] == [
        "Heat on, but no warmer: lemon",
        "  lemon has been heated for 31 min and is at 0.4 °C.",
        "  Likely cause: a dead string, a tripped breaker, or fleece or probe off the tree (likely).",
        "  Look first: whether the string is lit or warm, then its breaker, then the fleece.",
        "  Since 03:18, 12 min ago. Crop or house may be lost within the hour.",
        "",
    ]
    assert "  Since 00:10, 3 h ago. Mend it today." in lines
    assert "Acknowledge it on the page: https://frost.lan:8484; until then it is repeated." in lines
    assert lines[-1] == CAUTION


def test_the_worst_brings_a_link_that_heats_where_there_is_one():
    link = "https://frost.lan:8484/tap/x.y"
    assert f"Heat everything now: {link}" in text(told(standing=(alarm(),)), taps=Taps(heat=link))
    assert link not in text(told(standing=(alarm(SILENT),), severity=3), taps=Taps(heat=link))
    assert f"I have it: {link}" in text(told(standing=(alarm(SILENT),), severity=3), taps=Taps(have=link))
    assert link not in text(told(over=(alarm(SILENT),)), taps=Taps(heat=link, have=link))


def test_of_what_is_past_no_acknowledgement_is_asked_unless_something_stands_beside_it():
    away = finding(FindingCode.CONTROL_WAS_AWAY, "controller", "nothing was controlled from 02:05 to 04:05")
    taps = Taps(have="https://frost.lan:8484/tap/x.y")
    past = text(told(standing=(alarm(away),), severity=3), taps=taps)
    assert "This is told once. How things are now is on the page." in past
    assert "Acknowledge" not in past
    assert taps.have not in past
    assert "  Since 03:18, 12 min ago.\n" in past
    assert "Acknowledge it" in text(told(standing=(alarm(away), alarm()), severity=4), taps=taps)


def test_all_clear_says_since_when_it_was():
    message = told(over=(alarm(),))
    assert subject_of(message, "Curlew Yard") == "Curlew Yard: over: heat on, but no warmer: lemon"
    assert text(message) == "Over: heat on, but no warmer: lemon (since 03:18).\n"
    assert text(message, page="https://frost.lan").endswith("\n\nhttps://frost.lan\n")
    both = text(told(standing=(alarm(SILENT),), over=(alarm(),), severity=3))
    assert "\n\nOver: heat on, but no warmer: lemon (since 03:18).\n" in both


def test_a_storm_is_counted_not_told_one_by_one():
    many = tuple(
        alarm(finding(FindingCode.BOARD_SILENT, f"board-{n}", "it is silent")) for n in range(MOST_TOLD + 3)
    )
    assert "and 3 more: see the page." in text(told(standing=many))
    assert text(told(standing=many)).count("Look first") == MOST_TOLD
    assert "Over: 3 more." in text(told(over=many))
    assert "and 3 more: see the page." in text(told(standing=many, kind=Kind.DAILY))


def test_every_time_is_the_place_s_own():
    # Auckland is 13 h ahead of UTC in January (IANA tz database): it is Friday 16:30 there
    outlook = "down to -5.3 °C outside at Fri 18:55 UTC: heat between Fri 08:25 UTC and Sat 21:05 UTC"
    daily = told(kind=Kind.DAILY, situation=Situation(proven={}, outlook=outlook))
    ended = finding(FindingCode.PROBE_STALE, "air-yuzu", "until 2027-01-15 03:00 UTC it was heard")
    zone = ZoneInfo("Pacific/Auckland")
    said = text_of(daily, "Curlew Yard", zone)
    assert "down to -5.3 °C outside at 07:55: heat between 21:25 and Sun 10:05\n" in said
    assert "  until 16:00 it was heard.\n" in text_of(told(standing=(alarm(ended),)), "Curlew Yard", zone)


def test_the_sign_of_life_says_when_heat_was_proven_and_what_is_wrong():
    proven = {"lemon": NIGHT - timedelta(hours=1), "yuzu": NIGHT - timedelta(days=2), "satsuma": None}
    situation = Situation(proven=proven, outlook="-3 °C at 06:00; heat from 02:00.")
    well = told(kind=Kind.DAILY, severity=1, situation=situation)
    assert subject_of(well, "Curlew Yard") == "Curlew Yard: guarding, all is well"
    assert text(well).splitlines() == [
        "Curlew Yard is guarded.",
        "-3 °C at 06:00; heat from 02:00.",
        "",
        "Heat was last proven, by a string on and its tree warmer:",
        "  lemon: 02:30",
        "  yuzu: 2027-01-13 03:30",
        "  satsuma: not yet",
        "",
        "Nothing is wrong.",
    ]
    ill = told(kind=Kind.DAILY, standing=(alarm(acknowledged_by="Nora"),))
    assert subject_of(ill, "Curlew Yard") == "Curlew Yard: guarding, one thing to mend"
    assert "heat on, but no warmer: lemon, since 03:18, acknowledged by Nora." in text(ill)
    two = told(kind=Kind.DAILY, standing=(alarm(), alarm(SILENT)))
    assert subject_of(two, "Curlew Yard").endswith("2 things to mend")


def test_a_test_says_who_asked():
    message = told(kind=Kind.TEST, who="Nora")
    assert subject_of(message, "Curlew Yard") == "Curlew Yard: a test: messages arrive"
    assert text(message).startswith("Nora asked Curlew Yard for a test message at 03:30.")


def test_a_subject_fits_a_lock_screen():
    assert len(subject_of(told(standing=(alarm(),)), "x" * 200)) == LONGEST_SUBJECT


@pytest.mark.parametrize("code", list(FindingCode))
def test_every_finding_reads_as_sentences(code):
    lines = text(told(standing=(alarm(finding(code, "it", "it is so")),), severity=2)).splitlines()
    assert lines[0][0].isupper()
    assert not any(".." in line or "{" in line for line in lines)
