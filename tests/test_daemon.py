"""What the daemon leaves for the control loop, without starting a thread."""

import pytest

from controller import daemon as module
from controller.alarm.services import SERVICES
from controller.bus.transport import Message
from controller.clock import SystemClock, now_on
from controller.daemon import Daemon
from controller.guard.confirm import Confirmation, done
from controller.guard.finding import FindingCode
from controller.keeper import Confirmed, PlanMade
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
