"""Alarms as stories: what is found, who is told, when, and how it ends."""

import itertools
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from controller.alarm.engine import (
    CLEAR_S,
    DELAY_S,
    GATHER_S,
    MOST_PER_HOUR,
    REPEAT_S,
    RESTLESS_CLEAR_S,
    Acknowledge,
    Alarms,
    Kind,
    Reach,
    Rules,
    Situation,
    Stage,
    Try,
    handle,
)
from controller.guard.finding import KNOWN, FindingCode, finding
from controller.guard.now import Now

EVENING = datetime(2027, 1, 14, 19, 0, tzinfo=UTC)
DUBLIN = ZoneInfo("Europe/Dublin")
NORA, TOM = Reach(name="nora"), Reach(name="tom", from_severity=4, after_s=1800.0)

COLD = finding(FindingCode.FRUIT_IN_DANGER, "lemon", "-1.5 °C at lemon")
SILENT = finding(FindingCode.PROBE_STALE, "air-lemon", "air-lemon was last heard 3 min ago")
NO_FORECAST = finding(FindingCode.NO_FORECAST, "forecast", "no answer for 7 h")
NOTE = finding(FindingCode.MODEL_TROUBLE, "model", "its file is damaged")
STEP_S = 10.0


@dataclass
class Story:
    """An engine driven through time; ``sent`` holds each message with its time [s]."""

    rules: Rules = field(default_factory=lambda: Rules(ways=(NORA,), zone=DUBLIN))
    begins: datetime = EVENING
    clock_trusted: bool = True
    mono_s: float = 0.0
    alarms: Alarms = field(default_factory=Alarms)
    sent: list = field(default_factory=list)

    def go(self, seconds, *findings, orders=(), outlook="", proven=None):
        for n in range(max(1, round(seconds / STEP_S))):
            self.mono_s += STEP_S
            utc = self.begins + timedelta(seconds=self.mono_s)
            now = Now(mono_s=self.mono_s, utc=utc, clock_trusted=self.clock_trusted)
            situation = Situation(findings=findings, outlook=outlook, proven=proven or {})
            self.alarms, messages = handle(self.rules, self.alarms, situation, orders if n == 0 else (), now)
            self.sent += [(self.mono_s, message) for message in messages]

    def to(self, way):
        return [(s, message) for s, message in self.sent if message.way == way]

    def alarm(self, of):
        return self.alarms.standing[of.key]


@pytest.mark.parametrize("of", [COLD, SILENT, NO_FORECAST])
def test_each_severity_waits_for_its_time_and_no_longer(of):
    story = Story()
    story.go(DELAY_S[of.severity], of)
    assert (story.sent, story.alarm(of).stage) == ([], Stage.WAITING)
    story.go(STEP_S, of)
    ((told_s, message),) = story.sent
    assert told_s == DELAY_S[of.severity] + STEP_S
    assert [alarm.finding for alarm in message.standing] == [of]
    assert message.severity == of.severity
    assert story.alarm(of).began == EVENING + timedelta(seconds=STEP_S)


def test_the_worst_is_told_within_a_quarter_of_an_hour_even_in_a_storm():
    story = Story()
    for n in range(60):  # a new trouble every minute
        story.go(60.0, *(finding(FindingCode.BOARD_SILENT, f"b{k}", "", severity=4) for k in range(n + 1)))
    hour = [message for s, message in story.sent if s <= 3600.0]
    assert len(hour) <= MOST_PER_HOUR + 3600.0 / GATHER_S
    told_s = {}
    for s, message in story.sent:
        for alarm in message.standing:
            told_s.setdefault(alarm.finding.target, s)
    late_s = [told_s[f"b{k}"] - (60.0 * k + STEP_S) for k in range(40)]
    assert max(late_s) <= 900.0


def test_severity_one_is_shown_and_never_sent():
    story = Story(rules=Rules(ways=(NORA,), zone=DUBLIN))
    story.go(3 * 86400.0 / 10, NOTE)
    assert story.sent == []
    assert [alarm.finding for alarm in story.alarms.shown] == [NOTE]


def test_a_passing_trouble_is_not_told_and_forgotten():
    story = Story()
    story.go(60.0, COLD)
    story.go(CLEAR_S)
    assert story.sent == []
    assert story.alarms.standing == {}


@pytest.mark.parametrize("of", [COLD, SILENT])
def test_it_is_repeated_until_somebody_acknowledges_it(of):
    story = Story()
    story.go(DELAY_S[of.severity] + 2 * REPEAT_S[of.severity] + 30.0, of)
    times = [s for s, _ in story.sent]
    assert [b - a for a, b in itertools.pairwise(times)] == [REPEAT_S[of.severity]] * 2
    story.go(STEP_S, of, orders=(Acknowledge(key=of.key, who="Nora"),))
    story.go(3 * REPEAT_S[of.severity], of)
    assert len(story.sent) == 3
    assert story.alarm(of).acknowledged_by == "Nora"
    assert story.alarm(of).stage is Stage.ACKNOWLEDGED


def test_what_gets_worse_is_told_again_although_it_was_acknowledged():
    story = Story()
    story.go(600.0, SILENT, orders=())
    story.go(STEP_S, SILENT, orders=(Acknowledge(key="all", who="Nora"),))
    worse = finding(FindingCode.PROBE_STALE, "air-lemon", "and it freezes", severity=4)
    story.go(STEP_S, worse)
    assert [message.severity for _, message in story.sent] == [3, 4]
    assert story.alarm(worse).acknowledged_by == ""
    story.go(60.0, SILENT)
    story.go(60.0, worse)  # no worse than it has been
    assert len(story.sent) == 2


@pytest.mark.fault("U09", "P-18")
def test_nobody_acknowledges_so_the_second_person_is_told():
    story = Story(rules=Rules(ways=(NORA, TOM), zone=DUBLIN))
    story.go(DELAY_S[4] + 1800.0, COLD)
    assert story.to("tom") == []
    story.go(STEP_S, COLD)
    assert len(story.to("tom")) == 1
    acknowledged = Story(rules=Rules(ways=(NORA, TOM), zone=DUBLIN))
    acknowledged.go(600.0, COLD)
    acknowledged.go(3600.0, COLD, orders=(Acknowledge(key=COLD.key, who="Nora"),))
    assert acknowledged.to("tom") == []


def test_a_way_hears_only_from_its_severity_on():
    story = Story(rules=Rules(ways=(NORA, Reach(name="tom", from_severity=4)), zone=DUBLIN))
    story.go(600.0, SILENT)
    assert len(story.to("nora")) == 1
    assert story.to("tom") == []


def test_all_clear_goes_to_those_who_were_told_once_it_has_been_gone_for_a_while():
    story = Story(rules=Rules(ways=(NORA, TOM), zone=DUBLIN))
    story.go(600.0, COLD)
    story.go(CLEAR_S - STEP_S)
    assert len(story.sent) == 1
    story.go(STEP_S)
    (_, end) = story.sent[-1]
    assert (end.way, end.standing, [alarm.finding for alarm in end.over]) == ("nora", (), [COLD])
    story.go(3600.0)
    assert len(story.sent) == 2


def test_a_bad_one_stays_in_view_after_its_end_until_somebody_has_seen_it():
    story = Story()
    story.go(600.0, COLD)
    story.go(2 * CLEAR_S)
    assert [alarm.stage for alarm in story.alarms.shown] == [Stage.RETURNED]
    story.go(STEP_S, orders=(Acknowledge(key=COLD.key, who="Nora"),))
    assert story.alarms.shown == ()


def test_a_mild_one_and_one_that_was_acknowledged_leave_with_their_end():
    story = Story()
    story.go(2000.0, NO_FORECAST, COLD)
    story.go(STEP_S, NO_FORECAST, COLD, orders=(Acknowledge(key=COLD.key, who="Nora"),))
    story.go(2 * CLEAR_S)
    assert story.alarms.standing == {}
    assert {a.finding.code for _, m in story.sent for a in m.over} == {COLD.code, NO_FORECAST.code}


def test_one_that_comes_back_after_its_end_is_a_new_alarm():
    story = Story()
    story.go(600.0, COLD)
    story.go(2 * CLEAR_S)
    story.go(600.0, COLD)
    assert [bool(message.standing) for _, message in story.sent] == [True, False, True]
    assert story.alarm(COLD).stage is Stage.UNACKNOWLEDGED


def test_a_trouble_that_comes_and_goes_all_night_costs_few_messages():
    story = Story()
    for _ in range(72):  # twelve hours, five minutes in ten
        story.go(300.0, SILENT)
        story.go(300.0)
    assert len(story.sent) == 1 + int((12 * 3600.0 - 600.0) // REPEAT_S[3])
    slow = Story()
    for _ in range(16):  # gone long enough to end, and back
        slow.go(900.0, SILENT)
        slow.go(CLEAR_S + 300.0)
    assert len(slow.sent) < 16
    slow.go(RESTLESS_CLEAR_S)
    assert slow.sent[-1][1].over


def test_quiet_hours_hold_back_everything_but_the_worst_and_let_it_through_afterwards():
    rules = Rules(ways=(NORA,), zone=DUBLIN, quiet=(time(22, 0), time(6, 30)))
    story = Story(rules=rules, begins=datetime(2027, 1, 14, 23, 0, tzinfo=UTC))
    story.go(3600.0, SILENT)
    assert story.sent == []
    story.go(300.0, SILENT, COLD)
    assert [[a.finding for a in m.standing] for _, m in story.sent] == [[COLD]]
    story.go(6.5 * 3600.0 - story.mono_s + 3600.0, SILENT)
    morning = [(s, m) for s, m in story.sent if SILENT in [a.finding for a in m.standing]]
    assert morning[0][0] == 7.5 * 3600.0  # 06:30


def test_quiet_hours_within_a_day_and_without_a_sound_clock():
    rules = Rules(ways=(NORA,), zone=DUBLIN, quiet=(time(13, 0), time(14, 0)))
    noon = datetime(2027, 1, 14, 12, 50, tzinfo=UTC)
    story = Story(rules=rules, begins=noon)
    story.go(1200.0, SILENT)
    assert [s for s, _ in story.sent] == [310.0]
    later = Story(rules=rules, begins=noon + timedelta(minutes=10))
    later.go(3000.0, SILENT)
    assert later.sent == []
    unsure = Story(rules=rules, begins=noon + timedelta(minutes=10), clock_trusted=False)
    unsure.go(3000.0, SILENT)
    assert len(unsure.sent) == 1


def test_a_sign_of_life_comes_once_a_day_with_each_tree_s_last_proven_heat():
    rules = Rules(ways=(NORA, TOM), zone=DUBLIN, trees=("lemon", "yuzu"), daily_at=time(8, 0))
    story = Story(rules=rules, begins=datetime(2027, 1, 15, 7, 30, tzinfo=UTC))
    proven = {"lemon": datetime(2027, 1, 14, 4, 12, tzinfo=UTC)}
    story.go(2 * 86400.0, COLD, proven=proven, outlook="mild")
    daily = [(s, m) for s, m in story.to("nora") if m.kind is Kind.DAILY]
    assert [s for s, _ in daily] == [1800.0, 88200.0]
    assert daily[0][1].situation.proven == {**proven, "yuzu": None}
    assert [a.finding for a in daily[0][1].standing] == [COLD]
    assert len([m for _, m in story.to("tom") if m.kind is Kind.DAILY]) == 2


def test_no_sign_of_life_by_a_clock_that_may_be_wrong_nor_hours_late():
    rules = Rules(ways=(NORA,), zone=DUBLIN, daily_at=time(8, 0))
    unsure = Story(rules=rules, begins=datetime(2027, 1, 15, 7, 59, tzinfo=UTC), clock_trusted=False)
    unsure.go(3600.0)
    late = Story(rules=rules, begins=datetime(2027, 1, 15, 9, 30, tzinfo=UTC))
    late.go(3600.0)
    assert unsure.sent == late.sent == []


@pytest.mark.fault("C07")
def test_the_sign_of_life_comes_at_its_local_hour_when_the_clocks_change():
    rules = Rules(ways=(NORA,), zone=DUBLIN, daily_at=time(8, 0))
    # Ireland goes to summer time on the last Sunday of March, 28 March 2027 (EU Directive 2000/84)
    story = Story(rules=rules, begins=datetime(2027, 3, 27, 7, 0, tzinfo=UTC))
    story.go(1.5 * 86400.0)
    assert [story.begins + timedelta(seconds=s) for s, _ in story.sent] == [
        datetime(2027, 3, 27, 8, 0, tzinfo=UTC),
        datetime(2027, 3, 28, 7, 0, tzinfo=UTC),
    ]


def test_a_test_goes_to_every_way_at_once_quiet_or_not():
    rules = Rules(ways=(NORA, TOM), zone=DUBLIN, quiet=(time(0, 0), time(23, 59)))
    story = Story(rules=rules)
    story.go(STEP_S, orders=(Try(who="Nora"),))
    assert [(m.way, m.kind, m.who) for _, m in story.sent] == [
        ("nora", Kind.TEST, "Nora"),
        ("tom", Kind.TEST, "Nora"),
    ]


def test_acknowledging_what_does_not_stand_changes_nothing():
    story = Story()
    story.go(60.0, COLD)
    story.go(STEP_S, COLD, orders=(Acknowledge(key="all", who="Nora"),))
    assert story.alarm(COLD).acknowledged_by == ""  # it waits still: nobody was told of it
    story.go(120.0, COLD, orders=(Acknowledge(key="no-such", who="Nora"),))
    assert len(story.sent) == 1


def test_what_happened_and_is_past_is_told_once_without_an_end(monkeypatch):
    monkeypatch.setitem(KNOWN, NO_FORECAST.code, replace(KNOWN[NO_FORECAST.code], once=True))
    story = Story()
    story.go(3 * 86400.0 / 10, NO_FORECAST)
    assert len(story.sent) == 1
    assert story.sent[0][0] == STEP_S
    story.go(2 * CLEAR_S)
    assert len(story.sent) == 1
    assert story.alarms.standing == {}
