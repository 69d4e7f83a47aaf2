"""Desk and courier with a real journal: a restart neither loses nor repeats what people must hear."""

import math
import re
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from controller.alarm.courier import TROUBLE_AFTER, Courier
from controller.alarm.dead_man import CYCLES_WITHIN_S
from controller.alarm.desk import BUS, TAP_HEAT_S, TAP_VALID_S, Desk
from controller.alarm.engine import CLEAR_S, DELAY_S, REPEAT_S, Situation, Stage
from controller.alarm.outbox import Outbox
from controller.bus.messages import AlarmPayload, AnswerPayload, read
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import DeliveryError
from controller.guard.finding import FindingCode, finding
from controller.journal.store import open_for_reading
from controller.journal.writer import Journal
from controller.links import LinkError, key_in, read_link
from controller.site.load import example_site, parse_site
from controller.site.people import DeadMan
from tests.alarm.test_outbox import parcel

EVENING = datetime(2027, 1, 14, 19, 0, tzinfo=UTC)
TOPICS = Topics("curlew-yard")
COLD = finding(FindingCode.FRUIT_IN_DANGER, "lemon", "-1.5 °C at lemon")
TEXT = (
    example_site("curlew-yard").read_text()
    + """
[[alarm.mail]]
name = "nora"
host = "127.0.0.1"
security = "none"
sender = "frost@curlew-yard.example"
to = ["nora@curlew-yard.example"]
"""
)


WITH_PAGE = TEXT.replace("[[alarm.mail]]", '[alarm]\npage = "https://frost.lan/"\n[[alarm.mail]]', 1)


class Hand:
    """A clock moved by hand."""

    pace = 1.0
    is_sound = True

    def __init__(self, at=EVENING):
        self.at, self.s = at, 1000.0

    def utc(self):
        return self.at

    def mono_s(self):
        return self.s

    def wait(self, event, _seconds):
        return event.wait(5.0)

    def go(self, seconds):
        self.at += timedelta(seconds=seconds)
        self.s += seconds


class Yard:
    """A desk with what stands round it; ``restart`` is another run of the daemon with the same journal."""

    def __init__(self, folder, clock=None):
        self.folder, self.clock, self.published = folder, clock or Hand(), []
        self.journal = Journal(folder / "journal.db")
        self.journal.start()
        self.desk = Desk(
            parse_site(TEXT),
            self.journal,
            self.clock,
            lambda topic, body: self.published.append((topic, body)),
        )
        self.refuse, self.sent = "", []
        self.desk.courier._ways = {"nora": self.send}
        self.desk.courier._outbox = self.desk._recall()

    def send(self, subject, text):
        if self.refuse:
            raise DeliveryError(self.refuse)
        self.sent.append((subject, text))

    def go(self, seconds, *findings, proven=None):
        for _ in range(max(1, round(seconds / 10.0))):
            self.clock.go(10.0)
            self.desk.leave(Situation(findings=findings, proven=proven or {}))
            self.desk.step()
            self.desk.courier.round()

    def say(self, topic, payload=b'{"who": "Nora"}', **others):
        self.desk.hear(Message(topic, payload, **others))

    def restart(self):
        self.journal.stop()
        return Yard(self.folder, self.clock)

    def rows(self, sql):
        self.journal.stop()
        with closing(open_for_reading(self.journal.path)) as connection:
            return connection.execute(sql).fetchall()

    def answers(self):
        prefix = TOPICS.answer("")
        return [read(AnswerPayload, body) for topic, body in self.published if topic.startswith(prefix)]


@pytest.fixture
def yard(tmp_path):
    yard = Yard(tmp_path)
    yield yard
    if yard.journal.thread.is_alive():
        yard.journal.stop()


def test_an_alarm_goes_to_people_and_to_the_bus(yard):
    yard.go(DELAY_S[4] + 10.0, COLD)
    ((subject, text),) = yard.sent
    assert subject == "Curlew Yard: fruit in danger: lemon"
    assert "-1.5 °C at lemon" in text
    ((topic, body),) = yard.published
    assert topic == TOPICS.alarm
    assert read(AlarmPayload, body).subject == subject
    assert yard.desk.is_for_desk(TOPICS.acknowledge("x"))
    assert not yard.desk.is_for_desk(TOPICS.hand("x"))


def test_before_control_has_decided_there_is_nothing_to_say(yard):
    yard.desk.step()
    assert yard.desk.shown == ()


def test_who_acknowledged_is_kept_and_answered(yard):
    yard.go(DELAY_S[4] + 10.0, COLD)
    yard.say(TOPICS.acknowledge(COLD.key), retained=True)
    yard.say(TOPICS.acknowledge(COLD.key), b"nonsense")
    yard.say(TOPICS.acknowledge(COLD.key))
    yard.go(10.0, COLD)
    yard.say(TOPICS.acknowledge("all"))
    yard.go(3 * REPEAT_S[4], COLD)
    assert [alarm.acknowledged_by for alarm in yard.desk.shown] == ["Nora"]
    assert [(a.accepted, a.because) for a in yard.answers()] == [
        (True, "Nora has fruit-in-danger.lemon"),
        (False, "no such alarm stands unacknowledged"),
    ]
    assert len(yard.sent) == 1
    yard.go(CLEAR_S)
    assert yard.rows("SELECT event, who, severity FROM alarm_event ORDER BY id") == [
        ("raised", "", 4),
        ("acknowledged", "Nora", 4),
        ("over", "", 4),
    ]
    assert yard.rows("SELECT count(*) FROM alarm") == [(0,)]


def test_a_test_message_goes_out_and_is_answered(yard):
    yard.say(TOPICS.test("w1"))
    yard.go(10.0)
    assert [subject for subject, _ in yard.sent] == ["Curlew Yard: a test: messages arrive"]
    (answer,) = yard.answers()
    assert (answer.order, answer.accepted, answer.because) == ("w1", True, "a test message goes to nora")


def test_a_restart_neither_forgets_nor_repeats(yard):
    proven = {"lemon": EVENING}
    yard.go(DELAY_S[4] + 10.0, COLD, proven=proven)
    again = yard.restart()
    again.go(60.0, COLD)
    assert again.sent == []
    (alarm,) = again.desk.shown
    assert alarm.began == EVENING + timedelta(seconds=10.0)
    assert alarm.finding == COLD
    assert again.desk._proven == proven
    again.go(REPEAT_S[4], COLD)
    assert len(again.sent) == 1
    again.say(TOPICS.acknowledge("all"))
    again.go(10.0, COLD)
    third = again.restart()
    third.clock.go(3600.0)
    third.go(2 * REPEAT_S[4], COLD)
    assert third.sent == []
    assert third.desk.shown[0].stage is Stage.ACKNOWLEDGED
    third.go(CLEAR_S + 10.0)
    assert [subject for subject, _ in third.sent] == ["Curlew Yard: over: fruit in danger: lemon"]
    third.journal.stop()


def test_without_a_sound_clock_the_time_between_counts_as_nothing(yard):
    yard.go(DELAY_S[4] + 10.0, COLD)
    yard.clock.at = datetime(2020, 1, 1, tzinfo=UTC)
    again = yard.restart()
    again.go(REPEAT_S[4] - 10.0, COLD)
    assert again.sent == []
    again.go(20.0, COLD)
    assert len(again.sent) == 1
    again.journal.stop()


def test_an_unsent_message_survives_a_restart_and_is_sent_once(yard):
    yard.refuse = "the link is down"
    yard.go(DELAY_S[4] + 10.0, COLD)
    again = yard.restart()
    assert again.desk.courier.waiting == 1
    again.go(10.0, COLD)
    assert len(again.sent) == 1
    third = again.restart()
    assert third.desk.courier.waiting == 0
    assert third.rows("SELECT attempts, trouble FROM message") == [(1, "the link is down")]


def test_alarms_of_another_release_are_found_anew(yard):
    yard.journal.put_alarm("odd", '{"code": "no-such-code"}')
    yard.journal.put_alarm("odd2", '{"told_s": 3}')
    again = yard.restart()
    assert again.desk.shown == ()
    again.go(DELAY_S[4] + 10.0, COLD)
    assert len(again.sent) == 1
    again.journal.stop()


def test_a_way_that_keeps_refusing_is_a_trouble_until_it_takes_one(yard):
    yard.refuse = "nora: mailbox full"
    yard.go(DELAY_S[4] + 10.0, COLD)
    assert yard.desk.trouble == ""
    yard.go(60.0 * 2**TROUBLE_AFTER, COLD)
    assert yard.desk.trouble == "nora: mailbox full"
    yard.refuse = ""
    yard.go(1800.0, COLD)
    assert yard.desk.trouble == ""


def test_a_way_gone_from_the_site_file_and_an_old_message_are_given_up(yard):
    yard.desk.courier.put(parcel("gone"))
    yard.desk.courier._ways = {}
    yard.go(10.0)
    assert yard.desk.courier.waiting == 0
    yard.desk.courier.put(parcel("old", minutes=-3000.0))
    yard.go(10.0)
    assert yard.rows("SELECT id, trouble FROM message WHERE given_up_s IS NOT NULL ORDER BY id") == [
        ("gone", "there is no way nora any more"),
        ("old", "too old to be worth sending"),
    ]


@pytest.mark.fault("P02")
def test_control_that_does_not_decide_is_an_alarm_of_its_own(yard, met):
    yard.go(60.0)
    silent_s = 0.0
    while not yard.sent and silent_s < 900.0:
        yard.clock.go(10.0)
        silent_s += 10.0
        yard.desk.step()
        yard.desk.courier.round()
    met(alarm=silent_s)
    assert CYCLES_WITHIN_S < silent_s <= CYCLES_WITHIN_S + DELAY_S[4] + 20.0
    assert yard.sent[0][0] == "Curlew Yard: the controller does not decide: controller"


def test_a_fault_in_the_alarms_costs_no_thread(yard, monkeypatch):
    def fails(*_):
        raise ZeroDivisionError("a fault put in by the test")

    yard.desk.leave(Situation())
    with monkeypatch.context() as broken:
        broken.setattr("controller.alarm.desk.handle", fails)
        broken.setattr(yard.desk.courier, "round", fails)
        yard.desk.start()
        wait_for(lambda: yard.desk.failed)
        assert "a fault put in by the test" in yard.desk.trouble
        assert yard.desk.thread.is_alive()
    yard.desk._wake.set()
    wait_for(lambda: not yard.desk.failed)
    assert yard.desk.courier.thread.is_alive()
    yard.desk.stop()
    yard.desk.courier.thread.join(5.0)
    assert not yard.desk.courier.thread.is_alive()


def wait_for(condition, timeout_s=10.0):
    waiting = threading.Event()
    for _ in range(int(timeout_s / 0.01)):
        if condition():
            return
        waiting.wait(0.01)
    pytest.fail("it did not come")


def test_the_dead_man_is_fetched_only_while_control_cycles(tmp_path, monkeypatch):
    fetched, clock, journal = [], Hand(), Journal(tmp_path / "journal.db")
    cycled = [clock.mono_s()]
    fails = []

    def fetch(_):
        fetched.append(clock.mono_s())
        if fails:
            raise DeliveryError("dead-man: not reached")

    monkeypatch.setattr("controller.alarm.courier.tell_alive", fetch)
    dead_man = DeadMan(address_file="/none", every_min=5.0)
    courier = Courier({}, dead_man, lambda: cycled[0], journal, clock)
    for _ in range(90):
        clock.go(10.0)
        cycled[0] = clock.mono_s()
        courier.round()
    assert len(fetched) == 3
    clock.go(CYCLES_WITHIN_S)
    for _ in range(90):  # control hangs, this thread does not
        clock.go(10.0)
        courier.round()
    assert fetched[3:] == []
    cycled[0] = math.nan
    courier.round()
    assert fetched[3:] == []
    fails.append(True)
    for _ in range(18):
        clock.go(10.0)
        cycled[0] = clock.mono_s()
        courier.round()
    assert len(fetched) == 6  # each minute now
    assert courier.trouble == "dead-man: not reached"
    fails.clear()
    for _ in range(6):
        clock.go(10.0)
        cycled[0] = clock.mono_s()
        courier.round()
    assert courier.trouble == ""


def test_quiet_hours_ways_and_the_hour_of_the_sign_of_life_come_from_the_site_file(yard):
    more = '\nquiet_from = "22:00"\nquiet_until = "06:30"\ndaily_at = "07:15"\n'
    site = parse_site(TEXT.replace("[[alarm.mail]]", f"[alarm]{more}[[alarm.mail]]\nafter_min = 30.0", 1))
    rules = Desk(site, yard.journal, yard.clock, lambda *_: None)._rules
    assert [(way.name, way.after_s) for way in rules.ways] == [("nora", 1800.0), (BUS, 0.0)]
    assert [f"{t:%H:%M}" for t in rules.quiet] == ["22:00", "06:30"]
    assert f"{rules.daily_at:%H:%M}" == "07:15"
    assert rules.trees == tuple(tree.name for tree in site.trees)


def test_too_many_waiting_are_noted_as_given_up(yard, monkeypatch):
    monkeypatch.setattr("controller.alarm.outbox.MOST_WAITING", 1)
    yard.desk.courier._outbox = Outbox()
    yard.desk.courier.put(parcel("a", 2))
    yard.desk.courier.put(parcel("b", 4))
    assert yard.rows("SELECT id, trouble FROM message WHERE given_up_s IS NOT NULL") == [
        ("a", "too many waited")
    ]


def test_a_message_to_people_carries_links_that_the_page_takes(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.alarm.test_desk.TEXT", WITH_PAGE)
    yard = Yard(tmp_path)
    yard.go(DELAY_S[4] + 10.0, COLD)
    ((_, text),) = yard.sent
    found = dict(re.findall(r"(Heat everything now|I have it): https://frost\.lan/tap/(\S+)", text))
    heat = read_link(key_in(tmp_path), found["Heat everything now"], time.time())
    have = read_link(key_in(tmp_path), found["I have it"], time.time())
    assert (heat.target, heat.heat_s, heat.alarm, heat.who) == ("all", TAP_HEAT_S, "", "nora")
    assert have.alarm == "all"
    with pytest.raises(LinkError, match="old"):
        read_link(key_in(tmp_path), found["I have it"], time.time() + TAP_VALID_S + 1.0)
    ((_, body),) = yard.published
    assert "/tap/" not in read(AlarmPayload, body).text, "everybody may listen on the bus"
    assert not any("/tap/" in text for text in yard.rows("SELECT because FROM alarm_event"))


def test_without_a_key_a_message_goes_out_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.alarm.test_desk.TEXT", WITH_PAGE)

    def no_key(_):
        raise PermissionError("not ours")

    monkeypatch.setattr("controller.alarm.desk.key_in", no_key)
    yard = Yard(tmp_path)
    yard.go(DELAY_S[4] + 10.0, COLD)
    ((_, text),) = yard.sent
    assert "/tap/" not in text
    assert "https://frost.lan" in text
    yard.journal.stop()
