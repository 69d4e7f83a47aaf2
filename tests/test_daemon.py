"""What the daemon leaves for the control loop, without starting a thread."""

import threading
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from controller import daemon as module
from controller import look_ahead
from controller.alarm.services import SERVICES
from controller.bus.messages import AnswerPayload, read
from controller.bus.transport import Message
from controller.clock import SystemClock, now_on
from controller.daemon import NO_CLOCK, STUCK_S, Daemon
from controller.foresight import from_journal
from controller.guard.confirm import Confirmation, done
from controller.guard.events import (
    BusUp,
    Confirmed,
    EchoHeard,
    Found,
    HandOrdered,
    OutlookMade,
    PlanMade,
    ProbeHeard,
    Tick,
)
from controller.guard.finding import Finding, FindingCode
from controller.guard.hand import HandOrder, Order
from controller.inbox import MOST_WAITING
from controller.plan.advice import Task
from controller.plan.plan import plan_of
from controller.site.work import Work
from controller.vitals import Vitals
from tests.plan.test_outlook import READINGS, forecast
from tests.plan.test_plan import LATE


@pytest.fixture
def daemon(curlew_yard, tmp_path):
    daemon = Daemon(curlew_yard, tmp_path, SystemClock())
    daemon.vitals = Vitals(
        lambda: 1, lambda: 1
    )  # those of a process that runs thousands of tests say nothing
    return daemon


def left(daemon):
    return [item for item in daemon.inbox.take_all() if isinstance(item, PlanMade)]


def test_without_a_forecast_no_plan_is_made(daemon):
    daemon.ahead.make_plan()
    assert left(daemon) == []


def test_a_plan_is_left_for_the_control_loop(daemon, curlew_yard, monkeypatch):
    plan = plan_of(curlew_yard, forecast(-12.0), READINGS, LATE)
    monkeypatch.setattr(look_ahead, "plan_of", lambda *_: plan)
    daemon.ahead._expectation = forecast(-12.0)
    daemon.ahead.make_plan()
    assert left(daemon) == [PlanMade(plan=plan)]
    assert daemon.ahead.plan_trouble == ""


def test_planning_that_fails_takes_the_last_plan_away_and_is_told(daemon, monkeypatch):
    def fails(*_):
        raise ZeroDivisionError("a fault put in by the test")

    monkeypatch.setattr(look_ahead, "plan_of", fails)
    daemon.ahead._expectation = forecast(-12.0)
    daemon.ahead.make_plan()
    assert left(daemon) == [PlanMade(plan=None)]
    assert "planning failed (a fault put in by the test)" in daemon.ahead.plan_trouble


def test_a_forecast_that_allows_no_plan_is_told(daemon, monkeypatch):
    monkeypatch.setattr(look_ahead, "plan_of", lambda *_: None)
    daemon.ahead._expectation = forecast(-12.0)
    daemon.ahead.make_plan()
    assert left(daemon) == [PlanMade(plan=None)]
    assert "the guard works without a plan" in daemon.ahead.plan_trouble


def test_the_model_s_certainty_is_worked_out_once_for_each_model(daemon, monkeypatch):
    asked = []
    monkeypatch.setattr(look_ahead, "model_spread_k", lambda *given: asked.append(given) or "spread")
    for _ in range(3):
        assert daemon.ahead._certainty_k(daemon.ahead._model(), daemon.clock.utc()) == "spread"
    assert len(asked) == 1
    assert (
        daemon.ahead._certainty_k(replace(daemon.ahead._model(), name="another"), daemon.clock.utc())
        == "spread"
    )
    assert len(asked) == 2


class Jobs:
    """Notes which job is to run at once."""

    trouble = ""

    def __init__(self):
        self.asked = []

    def soon(self, name):
        self.asked.append(name)


def publish_status(daemon):
    daemon._status_due_s = float("-inf")
    daemon._publish_status()


def test_a_hand_order_and_a_tree_that_strays_are_planned_for_at_once(daemon, curlew_yard):
    daemon.jobs = jobs = Jobs()
    until = daemon.clock.utc() + timedelta(hours=1)
    order = HandOrder(
        id="o1", who="Nora", target_kind="tree", target="lemon", order=Order.HAND_ON, until=until
    )
    daemon._apply(HandOrdered(order=order))
    assert jobs.asked == ["plan"]
    daemon._apply(HandOrdered(order=replace(order, target="no-such-tree")))
    assert jobs.asked == ["plan"], "a refused order changes nothing"
    publish_status(daemon)
    plan = plan_of(curlew_yard, forecast(-6.0), READINGS, LATE)
    daemon._apply(PlanMade(plan=plan))
    daemon._apply(ProbeHeard(probe="air-lemon", temp_c=float(plan.course.tree_temp_c[0, 3])))
    daemon._state = replace(daemon._state, plan_came_s=daemon.clock.mono_s() - 600.0)
    publish_status(daemon)
    assert jobs.asked == ["plan"]
    daemon._apply(ProbeHeard(probe="air-lemon", temp_c=float(plan.course.tree_temp_c[0, 3]) - 3.0))
    publish_status(daemon)
    assert jobs.asked == ["plan", "plan"]


def test_what_people_said_outlives_a_restart(daemon, curlew_yard, tmp_path):
    said_at = daemon.clock.utc()
    word = Confirmation(
        id="w1", who="Nora", what=Work.COVERED, target_kind="tree", target="lemon", at=said_at
    )
    daemon.journal.start()
    daemon._apply(Confirmed(confirmation=word))
    daemon.journal.stop()
    restarted = Daemon(curlew_yard, tmp_path, SystemClock())
    restarted.recall.start()
    restarted._take_up()
    now = now_on(restarted.clock)
    assert done(restarted.state.confirmed, now) == {(Work.COVERED, "lemon")}
    assert from_journal(curlew_yard, tmp_path, now.utc) == ({}, {(Work.COVERED, "lemon")})


@pytest.mark.fault("H06")
def test_when_the_mains_are_back_people_are_told_for_how_long_nothing_was_controlled(
    daemon, curlew_yard, tmp_path, monkeypatch, met
):
    said = []
    daemon.journal.start()
    daemon.journal.put_reading("air-lemon", daemon.clock.utc() - timedelta(hours=2), 0.4)
    daemon.journal.stop()
    back, began_s = Daemon(curlew_yard, tmp_path, SystemClock()), time.monotonic()
    back.recall.start()
    back._take_up()
    back._report()
    monkeypatch.setattr(back.desk, "_publish", lambda *word: said.append(word[1].decode()))
    back.desk.step()
    met(alarm=time.monotonic() - began_s)
    assert "nothing was controlled from" in said[0]
    back._away_until_s = back.clock.mono_s()
    back._report()
    assert FindingCode.CONTROL_WAS_AWAY not in [each.code for each in back.state.found]


def test_a_service_s_trouble_is_found_told_to_the_desk_and_gone_when_it_is(daemon):
    def codes(findings):
        return [finding.code for finding in findings]

    daemon._report()
    before = codes(daemon.state.findings[SERVICES])
    daemon.ahead.plan_trouble = "planning failed"
    daemon._report()
    assert set(codes(daemon.state.findings[SERVICES])) - set(before) == {FindingCode.PLAN_TROUBLE}
    assert FindingCode.PLAN_TROUBLE in codes(daemon.desk._situation.findings)
    daemon.ahead.plan_trouble = ""
    daemon._report()
    assert codes(daemon.state.findings[SERVICES]) == before


def test_a_person_s_word_about_alarms_goes_to_the_desk_and_not_to_the_keeper(daemon):
    daemon._hear(Message(daemon.topics.acknowledge("all"), b'{"who": "Nora"}'))
    daemon._hear(Message(daemon.topics.test("w1"), b'{"who": "Nora"}'))
    assert [name for name, _ in daemon.desk._orders] == ["all", "w1"]
    assert daemon.inbox.take_all() == []


def test_advice_hears_what_readings_speak_against(daemon):
    finding = Finding(
        code=FindingCode.FLEECE_OFF,
        target="lemon",
        severity=2,
        because="it cools like a bare tree",
        look_at="the fleece",
    )
    other = replace(finding, code=FindingCode.PROBE_STALE, target="air-lemon")
    daemon._apply(Found(source="model", findings=(finding, other)))
    assert look_ahead._doubts(daemon.state) == {(Task.COVER, "lemon"): "it cools like a bare tree"}


# ---- what only a new process mends -------------------------------------------------------------------------


@pytest.fixture
def alive(daemon, monkeypatch):
    """Return a daemon whose parts all seem to live, though none was started."""
    for thread in (daemon.control, daemon.journal.thread, daemon.desk.thread, daemon.desk.courier.thread):
        monkeypatch.setattr(thread, "is_alive", lambda: True)
    monkeypatch.setattr(type(daemon.transport), "thread_alive", True)
    monkeypatch.setattr(type(daemon.transport), "last_heard_self_s", 0.0)
    monkeypatch.setattr(type(daemon.jobs), "is_dead", False)
    return daemon


def test_while_everything_lives_nothing_is_beyond_help(alive):
    assert alive._beyond_help() == []


@pytest.mark.fault("P02")
def test_a_control_loop_that_stands_still_ends_the_process(alive):
    alive._cycled_s -= STUCK_S + 1.0
    (dead,) = alive._beyond_help()
    assert dead.startswith("control (has not decided for 61 s)")
    assert alive._watch() == 70


@pytest.mark.fault("P01", "P03", "M19", "P12", "P04", "P-14")
@pytest.mark.parametrize(
    ("part", "says"),
    [
        ("control", "control"),
        ("journal", "journal"),
        ("desk", "alarm"),
        ("transport", "bus"),
        ("jobs", "jobs"),
        ("vitals", "memory"),
    ],
)
def test_any_part_that_dies_ends_the_process(alive, monkeypatch, part, says, met):
    def kill(thread):
        monkeypatch.setattr(thread, "is_alive", lambda: False)

    match part:
        case "control":
            kill(alive.control)
        case "journal" | "desk":
            kill(getattr(alive, part).thread)
        case "transport":
            monkeypatch.setattr(type(alive.transport), "thread_alive", False)
        case "jobs":
            monkeypatch.setattr(type(alive.jobs), "is_dead", True)
        case "vitals":
            monkeypatch.setattr(type(alive.vitals), "is_bursting", True)
    killed_s = time.monotonic()
    assert alive._beyond_help() == [says]
    met(
        reaction=time.monotonic() - killed_s,
        alarm="none: the process is started anew, with heat on meanwhile",
    )


def test_what_cannot_be_read_is_logged_once_an_hour_for_each_topic(daemon, monkeypatch):
    logged, clock_s = [], [1000.0]
    monkeypatch.setattr(module.log, "warning", lambda event, **said: logged.append((event, said)))
    monkeypatch.setattr(daemon.clock, "mono_s", lambda: clock_s[0])

    def hear(topic, payload, at_s):
        clock_s[0] = 1000.0 + at_s
        daemon._hear(Message(topic, payload))
        daemon._take_in()

    lemon, house = daemon.topics.probe("air-lemon"), daemon.topics.probe("house")
    hear(lemon, b'{"temp": 3.5}', 0.0)
    assert logged == [
        ("message_refused", {"topic": lemon, "because": "temp_c: Field required", "came": '{"temp": 3.5}'})
    ]
    hear(lemon, b'{"temp": 3.6}', 20.0)
    assert len(logged) == 1
    hear(house, b"\xff" * 300, 20.0)
    assert logged[1][1]["topic"] == house
    assert len(logged[1][1]["came"]) == module.CAME_BYTES
    hear(lemon, b'{"temp": 3.7}', 3600.0)
    assert [said["came"] for _, said in logged[2:]] == ['{"temp": 3.7}']
    for number in range(3 * module.MOST_REFUSED):
        hear(daemon.topics.hand(f"{number}"), b"{}", 3600.0)
    assert len(daemon._refused_s) <= module.MOST_REFUSED


@pytest.mark.parametrize("kind", ["hand", "confirm"])
def test_a_person_whose_order_or_word_cannot_be_read_is_answered(daemon, monkeypatch, kind):
    sent = []
    monkeypatch.setattr(
        daemon.transport, "publish", lambda topic, payload, **_: sent.append((topic, payload))
    )
    daemon._hear(Message(getattr(daemon.topics, kind)("17"), b'{"who": "Nora", "all": true}'))
    daemon._take_in()
    ((topic, payload),) = sent
    answer = read(AnswerPayload, payload)
    assert (topic, answer.order, answer.accepted) == (daemon.topics.answer("17"), "17", False)
    missing = "order" if kind == "hand" else "what"
    assert f"it cannot be read: {missing}: Field required" in answer.because


@pytest.fixture
def warned(monkeypatch):
    """Return the warnings that were logged: each event, and what keeps the broker away."""
    warned = []

    class Log:
        def warning(self, event, *, trouble):
            warned.append((event, trouble))

    monkeypatch.setattr(module, "log", Log())
    return warned


def test_what_keeps_the_broker_away_is_logged_once_for_each_cause(daemon, warned):
    for trouble in ("not connected yet", "refused", "refused", "unknown host", "refused", "", "", "refused"):
        daemon.transport.trouble = trouble
        daemon._log_bus_trouble()
    assert [trouble for _, trouble in warned] == ["not connected yet", "refused", "unknown host", "refused"]
    daemon.transport.trouble = "the connection broke"
    daemon._bus_down()
    daemon._log_bus_trouble()
    assert warned[4:] == [("bus_down", "the connection broke")], "not twice"


@pytest.mark.parametrize(("after_s", "logged"), [(0.0, [("bus_trouble", "refused")]), (15.0, [])])
def test_the_watch_logs_it_once_the_broker_has_had_time_to_start(alive, warned, monkeypatch, after_s, logged):
    assert module.CONNECTED_WITHIN_S == 15.0
    monkeypatch.setattr(module, "CONNECTED_WITHIN_S", after_s)
    alive.transport.trouble = "refused"
    turns = iter((False, False, True))
    monkeypatch.setattr(alive.stopping, "wait", lambda _: next(turns))
    assert alive._watch() == 0
    assert warned == logged


def test_told_to_stop_it_ends_well(alive):
    alive.stopping.set()
    assert alive._watch() == 0


# ---- without a sound clock, without a disk ---------------------------------------------------------------


@pytest.fixture
def unsure(daemon, monkeypatch):
    """Return a daemon on a machine whose clock was never set."""
    monkeypatch.setattr(SystemClock, "utc", lambda _: datetime(1970, 1, 1, 0, 5, tzinfo=UTC))
    return daemon


@pytest.mark.fault("C05", "C06", "D16")
def test_without_a_clock_nothing_is_foreseen_recalled_or_pruned(unsure, monkeypatch):
    asked = []
    monkeypatch.setattr(type(unsure.ahead.foresight), "expected", lambda *_: asked.append(1))
    unsure.ahead._expectation = forecast(-12.0)
    unsure.ahead.pull_forecast()
    unsure.ahead.make_plan()
    assert asked == []
    assert [type(item) for item in unsure.inbox.take_all()] == [OutlookMade, PlanMade]
    assert unsure._troubles().clock == NO_CLOCK
    unsure.recall.start()
    unsure._take_up()
    assert unsure.state.orders == {}
    monkeypatch.setattr(unsure.journal, "prune", lambda _: asked.append(2))
    unsure._prune()
    assert asked == []


@pytest.mark.fault("D09", "P-29")
def test_leases_are_given_at_once_to_a_broker_that_is_back_while_the_card_stalls(daemon, monkeypatch, met):
    said = []
    monkeypatch.setattr(daemon.transport, "publish", lambda topic, *_, **__: said.append(topic))
    # the journal's thread never takes a row: its queue fills, and what is beyond is dropped
    for board in daemon.site.boards:
        daemon._apply(EchoHeard(board=board.name, boot="b1", session=None, seq=0, on=()))
    for _ in range(300):
        daemon._apply(Tick())
    said.clear()
    back_s = time.monotonic()
    daemon._apply(BusUp())
    daemon._apply(Tick())
    given_s = time.monotonic() - back_s
    assert {daemon.topics.lease(board.name) for board in daemon.site.boards} <= set(said)
    assert daemon.journal.trouble == ""
    met(reaction=given_s, alarm="none: leases are given, and only rows wait")


@pytest.mark.fault("D03", "D04")
def test_a_journal_that_cannot_be_read_costs_what_it_held_and_nothing_else(daemon, tmp_path):
    (tmp_path / "journal.db").write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    daemon.recall.start()
    daemon._take_up()
    assert daemon.state.orders == {}


def test_an_order_is_answered_once_it_is_kept(daemon, monkeypatch):
    said = []
    monkeypatch.setattr(daemon.transport, "publish", lambda topic, body, **_: said.append((topic, body)))
    until = daemon.clock.utc() + timedelta(hours=1)
    order = HandOrder(
        id="o1", who="Nora", target_kind="tree", target="lemon", order=Order.HAND_ON, until=until
    )
    daemon._apply(HandOrdered(order=order))
    assert said == []
    daemon.journal.start()
    daemon.journal.stop()
    ((topic, body),) = said
    assert topic == daemon.topics.answer("o1")
    assert read(AnswerPayload, body).because.startswith("lemon is heated by hand until")


@pytest.mark.fault("M20")
def test_what_comes_in_while_the_control_loop_does_not_turn_is_left_at_once_and_bounded(daemon, met):
    """Callbacks of the bus only leave messages, so that none can outlast the keepalive."""
    for number in range(3 * MOST_WAITING):
        daemon._hear(Message(daemon.topics.hand(f"o{number}"), b"{}"))
    waiting = daemon.inbox.take_all()
    assert len(waiting) == MOST_WAITING
    assert waiting[-1].topic == daemon.topics.hand(f"o{3 * MOST_WAITING - 1}")
    assert daemon.inbox.dropped == 2 * MOST_WAITING
    met(
        reaction="none: callbacks only leave messages, so none can block",
        alarm="none: callbacks only leave messages, so none can block",
    )


@pytest.mark.fault("P01", "P09")
@pytest.mark.parametrize("stopping", [False, True])
def test_a_thread_that_dies_ends_the_process_unless_it_ends_already(daemon, monkeypatch, stopping):
    ended = []
    monkeypatch.setattr(module.os, "_exit", ended.append)
    if stopping:
        daemon.stopping.set()
    fault = ZeroDivisionError("a fault put in by the test")
    args = threading.ExceptHookArgs((type(fault), fault, None, threading.current_thread()))
    module._end_process(daemon.stopping, args)
    assert ended == ([] if stopping else [70])


@pytest.mark.fault("P-06")
def test_started_on_a_disk_that_takes_nothing_it_decides_and_says_so(daemon, tmp_path, met):
    (tmp_path / "journal.db").mkdir()  # where its file should be: nothing can be kept
    begun_s = time.monotonic()
    daemon.journal.start()
    try:
        daemon.recall.start()
        daemon._take_up()
        daemon._apply(Tick())
        assert all(heat.active for heat in daemon.state.heat.values())
        decided_s = time.monotonic() - begun_s
        while not daemon.journal.trouble:
            assert time.monotonic() - begun_s < 10.0
        daemon._report()
    finally:
        daemon.journal.stop()
    assert "journal-trouble.journal" in {each.key for each in daemon.state.found}
    met(reaction=decided_s, alarm=time.monotonic() - begun_s)
