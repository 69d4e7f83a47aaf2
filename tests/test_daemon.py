"""What the daemon leaves for the control loop, without starting a thread."""

from dataclasses import replace
from datetime import timedelta

import pytest

from controller import daemon as module
from controller.alarm.services import SERVICES
from controller.bus.transport import Message
from controller.clock import SystemClock, now_on
from controller.daemon import Daemon
from controller.guard.confirm import Confirmation, done
from controller.guard.finding import Finding, FindingCode
from controller.guard.hand import HandOrder, Order
from controller.keeper import Confirmed, Found, HandOrdered, PlanMade, ProbeHeard
from controller.plan.advice import Task
from controller.plan.plan import plan_of
from controller.site.work import Work
from tests.plan.test_outlook import READINGS, forecast
from tests.plan.test_plan import LATE


@pytest.fixture
def daemon(curlew_yard, tmp_path):
    return Daemon(curlew_yard, tmp_path, SystemClock())


def left(daemon):
    return [item for item in daemon.inbox.take_all() if isinstance(item, PlanMade)]


def test_without_a_forecast_no_plan_is_made(daemon):
    daemon.make_plan()
    assert left(daemon) == []


def test_a_plan_is_left_for_the_control_loop(daemon, curlew_yard, monkeypatch):
    plan = plan_of(curlew_yard, forecast(-12.0), READINGS, LATE)
    monkeypatch.setattr(module, "plan_of", lambda *_: plan)
    daemon._expectation = forecast(-12.0)
    daemon.make_plan()
    assert left(daemon) == [PlanMade(plan=plan)]
    assert daemon.plan_trouble == ""


def test_planning_that_fails_takes_the_last_plan_away_and_is_told(daemon, monkeypatch):
    def fails(*_):
        raise ZeroDivisionError("a fault put in by the test")

    monkeypatch.setattr(module, "plan_of", fails)
    daemon._expectation = forecast(-12.0)
    daemon.make_plan()
    assert left(daemon) == [PlanMade(plan=None)]
    assert "planning failed (a fault put in by the test)" in daemon.plan_trouble


def test_a_forecast_that_allows_no_plan_is_told(daemon, monkeypatch):
    monkeypatch.setattr(module, "plan_of", lambda *_: None)
    daemon._expectation = forecast(-12.0)
    daemon.make_plan()
    assert left(daemon) == [PlanMade(plan=None)]
    assert "the guard works without a plan" in daemon.plan_trouble


def test_the_model_s_certainty_is_worked_out_once_for_each_model(daemon, monkeypatch):
    asked = []
    monkeypatch.setattr(module, "model_spread_k", lambda *given: asked.append(given) or "spread")
    for _ in range(3):
        assert daemon._certainty_k(daemon._model(), daemon.clock.utc()) == "spread"
    assert len(asked) == 1
    assert daemon._certainty_k(replace(daemon._model(), name="another"), daemon.clock.utc()) == "spread"
    assert len(asked) == 2


class Jobs:
    """Notes which job is to run at once."""

    def __init__(self):
        self.soon = []

    def modify_job(self, name, *, next_run_time):
        assert next_run_time.tzinfo is not None
        self.soon.append(name)


def test_a_hand_order_and_a_tree_that_strays_are_planned_for_at_once(daemon, curlew_yard):
    daemon._jobs = jobs = Jobs()
    until = daemon.clock.utc() + timedelta(hours=1)
    order = HandOrder(
        id="o1", who="Nora", target_kind="tree", target="lemon", order=Order.HAND_ON, until=until
    )
    daemon._apply(HandOrdered(order=order))
    assert jobs.soon == ["plan"]
    daemon._apply(HandOrdered(order=replace(order, target="no-such-tree")))
    assert jobs.soon == ["plan"], "a refused order changes nothing"
    daemon._look_for_strays()
    plan = plan_of(curlew_yard, forecast(-6.0), READINGS, LATE)
    daemon._apply(PlanMade(plan=plan))
    daemon._apply(ProbeHeard(probe="air-lemon", temp_c=float(plan.course.tree_temp_c[0, 3])))
    daemon._state = replace(daemon._state, plan_came_s=daemon.clock.mono_s() - 600.0)
    daemon._look_for_strays()
    assert jobs.soon == ["plan"]
    daemon._apply(ProbeHeard(probe="air-lemon", temp_c=float(plan.course.tree_temp_c[0, 3]) - 3.0))
    daemon._look_for_strays()
    assert jobs.soon == ["plan", "plan"]


def test_what_people_said_outlives_a_restart(daemon, curlew_yard, tmp_path):
    said_at = daemon.clock.utc()
    word = Confirmation(
        id="w1", who="Nora", what=Work.COVERED, target_kind="tree", target="lemon", at=said_at
    )
    daemon.journal.start()
    daemon._apply(Confirmed(confirmation=word))
    daemon.journal.stop()
    restarted = Daemon(curlew_yard, tmp_path, SystemClock())
    restarted._recall_orders()
    now = now_on(restarted.clock)
    assert done(restarted.state.confirmed, now) == {(Work.COVERED, "lemon")}
    assert module._from_journal(curlew_yard, tmp_path, now.utc) == ({}, {(Work.COVERED, "lemon")})


def test_a_service_s_trouble_is_found_told_to_the_desk_and_gone_when_it_is(daemon):
    def codes(findings):
        return [finding.code for finding in findings]

    daemon._report()
    before = codes(daemon.state.findings[SERVICES])
    daemon.plan_trouble = "planning failed"
    daemon._report()
    assert set(codes(daemon.state.findings[SERVICES])) - set(before) == {FindingCode.PLAN_TROUBLE}
    assert FindingCode.PLAN_TROUBLE in codes(daemon.desk._situation.findings)
    daemon.plan_trouble = ""
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
    assert module._doubts(daemon.state) == {(Task.COVER, "lemon"): "it cools like a bare tree"}
