"""The same test over mosquitto: our own board process with mock pins, and a board that knows only texts."""

from datetime import timedelta

import numpy as np
import pytest

from controller.bus.mqtt import MqttTransport
from controller.bus.transport import Message
from controller.errors import AlreadyRunningError, BrokerError, WiringError
from controller.journal.store import lock_folder
from controller.site.model import Broker
from controller.weather.forecast import Forecast
from controller.weather.service import FILE_NAME
from controller.weather.store import LastGood
from controller.wiring import by_command
from controller.wiring.by_command import Alone
from controller.wiring.cause import Cause
from controller.wiring.check import Outcome, Scope, Stage
from controller.wiring.keep import Kept
from controller.wiring.on_bus import BusRun, in_the_controllers_place, refuse_a_night_that_needs_heat
from controller.wiring.verdict import Verdict
from simulator.mistakes import mistake
from simulator.wires import as_declared
from tests.board.conftest import START, HandClock
from tests.bus.test_plain import plain_site
from tests.wiring.at_pins import MovingClock, house_at_pins, one_board, run_at_pins, run_with_texts
from tests.wiring.conftest import DAY, report_of, scope_of, stages


def forecast_of(start, temps_c):
    """A forecast that says nothing but temperatures, from an hour on."""
    at_s = (start.timestamp() // 3600.0) * 3600.0 + 3600.0 * np.arange(len(temps_c))
    same = np.zeros(len(temps_c))
    return Forecast(
        source="test",
        attribution="",
        fetched_at=start,
        issued_at=None,
        elevation_m=10.0,
        at_s=at_s,
        outside_temp_c=np.array(temps_c),
        dew_point_c=same,
        wind_m_s=same,
        gust_m_s=same,
        cloud_frac=same,
        shortwave_w_m2=same,
        precipitation_mm=same,
    )


@pytest.fixture
def folder(tmp_path):
    """A computer's 1-wire devices."""
    (tmp_path / "w1").mkdir()
    return tmp_path / "w1"


def came_of(run):
    """The report, and every diagnosis as cause and targets."""
    assert run.session.finished.complete
    state = run.session.state
    report = report_of(state.record, scope_of(state))
    return report, {(d.cause, tuple(sorted(d.targets))) for d in report.diagnoses}


@pytest.mark.broker
@pytest.mark.timeout(400)
def test_our_own_board_process_passes_all_that_is_done_by_day(two_boards, mosquitto, folder):
    site, described = one_board(two_boards, Broker(port=mosquitto.port), trees=2)
    run, house = run_at_pins(Scope(site=site, stages=DAY), described, folder)
    report, found = came_of(run)
    assert found == set()
    assert [r for r in report.results if r.outcome is not Outcome.GOOD] == []
    assert {r.stage for r in report.results} == set(DAY)
    evidence = {r.check: r.evidence for r in report.results}
    assert evidence["circuits/a"].startswith("350 W of 350 W declared")  # the meter's word
    assert "air-satsuma-door +1." in evidence["strings/satsuma-door-1"]  # the 1-wire folder's
    assert house.boards["east"].starts == 2  # its supply was pulled
    assert house.turned_up == set()
    assert not house.unplugged


@pytest.mark.broker
@pytest.mark.long
@pytest.mark.timeout(1500)
def test_our_own_board_process_passes_the_whole_test_with_five_trees_and_the_evening(
    two_boards, mosquitto, folder
):
    site, described = one_board(two_boards, Broker(port=mosquitto.port), trees=5)
    run, _ = run_at_pins(Scope(site=site), described, folder)
    report, found = came_of(run)
    assert found == set()
    assert report.verdict is Verdict.GOOD
    assert {r.outcome for r in report.results} == {Outcome.GOOD}
    assert {r.stage for r in report.results} == set(Stage)


@pytest.mark.broker
@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    ("name", "cause"),
    [
        ("channels-exchanged", Cause.CHANNELS_SWAPPED),
        ("string-on-working-contact", Cause.WORKING_CONTACT),
        ("string-half-dead", Cause.STRING_PARTLY_DEAD),
        ("strings-exchanged-at-trees", Cause.STRINGS_ON_EACH_OTHERS_TREES),
        ("frost-stat-bridged", Cause.FROST_STAT_STAYS_CLOSED),
        ("cut-out-bridged", Cause.CUT_OUT_DOES_NOT_OPEN),
        ("probes-exchanged", Cause.PROBES_SWAPPED),
        ("probe-unplugged", Cause.PROBE_GARBLED),  # of a missing sensor our board says null
        ("circuit-without-mains", Cause.CIRCUIT_DEAD),
    ],
)
def test_a_mistake_at_the_pins_is_called_by_its_name(two_boards, mosquitto, folder, name, cause):
    site, described = one_board(two_boards, Broker(port=mosquitto.port), trees=2)
    wiring, (_, targets) = mistake(name).plant(site, as_declared(site, meters=True))
    run, _ = run_at_pins(Scope(site=site, stages=DAY), described, folder, wiring)
    assert came_of(run)[1] == {(cause, targets)}


@pytest.mark.broker
def test_a_board_that_knows_only_texts_rests_by_the_broker_s_word(mosquitto):
    site, _ = one_board(plain_site(), Broker(port=mosquitto.port), trees=2)
    run, _ = run_with_texts(Scope(site=site, stages=stages(Stage.REST)))
    report, found = came_of(run)
    assert found == set()
    assert [r for r in report.results if r.outcome is not Outcome.GOOD] == []
    (will,) = [r for r in report.results if r.check == "rest/will-east"]
    assert "the broker said rest on 3 topics" in will.evidence
    assert "and the board echoed it" in will.evidence


@pytest.mark.broker
def test_a_will_on_the_wrong_topic_is_found_by_breaking_our_own_connection(mosquitto, monkeypatch):
    class Astray(MqttTransport):
        def __init__(self, *args, will=None, **more):
            if will is not None and will.topic == "shed/do/2":
                will = Message("shed/do/two", will.payload)
            super().__init__(*args, will=will, **more)

    monkeypatch.setattr("controller.plain_boards.MqttTransport", Astray)
    site, _ = one_board(plain_site(), Broker(port=mosquitto.port), trees=2)
    run, _ = run_with_texts(Scope(site=site, stages=stages(Stage.REST)))
    report, found = came_of(run)
    assert found == {(Cause.TEXT_WILL_UNSAID, ("east",))}
    assert report.diagnoses[0].because.endswith("was heard for east/2")


@pytest.mark.broker
def test_the_command_says_what_it_will_switch_keeps_the_sheet_and_what_is_left(
    two_boards, mosquitto, folder, tmp_path, monkeypatch
):
    site, described = one_board(two_boards, Broker(port=mosquitto.port), trees=2)
    scope = Scope(site=site, attended=False, stages=stages(Stage.CHANNELS))
    said, runs = [], []

    class Noted(BusRun):
        def __init__(self, *args, **more):
            super().__init__(*args, **more)
            runs.append(self)

    def command(may_begin, clock):
        monkeypatch.setattr(by_command, "SystemClock", lambda: clock)
        return by_command.wire_on_bus(
            scope,
            tmp_path / "state",
            by="N. Byrne",
            anew=False,
            tell=said.append,
            confirm=lambda question: said.append(question) or may_begin,
        )

    monkeypatch.setattr(by_command, "BusRun", Noted)
    monkeypatch.setattr(by_command, "stop_on_signals", lambda _run: None)
    monkeypatch.setattr(by_command, "pdf_of", lambda _page: None)
    with house_at_pins(site, described, folder) as house:
        house.turned_up = set(house.wiring.strings)
        clock = MovingClock(house, lambda: runs[0])
        assert command(may_begin=False, clock=clock) is None
        assert runs == []
        assert "This will switch off and on" in said[-1]
        assert "satsuma-door-1 (east/1, 175 W)" in said[-1]
        sheet = command(may_begin=True, clock=clock)
    assert sheet["verdict"] == "incomplete"
    assert sheet["kind"] == "unattended"
    assert any("that no test" in text or "as no test can be with nobody there" in text for text in said)
    assert any("Everything is at rest, which for a string means: on." in text for text in said)
    assert [kept["at"] for kept in Kept(tmp_path / "state", site).sheets()] == [sheet["at"]]
    assert (tmp_path / "state" / "journal.db").exists()


def test_no_broker_is_said_and_nothing_switched(two_boards):
    site = two_boards.model_copy(update={"broker": Broker(port=1)})
    run = BusRun(Scope(site=site), Alone(lambda _text: None), HandClock())
    with pytest.raises(BrokerError, match="nothing was switched"):
        run.run()


def test_it_refuses_while_the_daemon_holds_the_folder(tmp_path):
    lock = lock_folder(tmp_path)
    with pytest.raises(AlreadyRunningError, match="stop it first"), in_the_controllers_place(tmp_path):
        pass
    lock.close()
    with in_the_controllers_place(tmp_path):
        assert lock_folder(tmp_path) is None


@pytest.mark.parametrize(("coldest_c", "refused"), [(8.0, False), (2.0, True)])
def test_it_refuses_before_a_night_that_needs_heat(tmp_path, two_boards, coldest_c, refused):
    LastGood(tmp_path / FILE_NAME).keep(forecast_of(START, [coldest_c] * 48))
    scope = Scope(site=two_boards)
    if refused:
        with pytest.raises(WiringError, match="Choose a mild day"):
            refuse_a_night_that_needs_heat(scope, tmp_path, START)
    else:
        assert "stay above 8.0" in refuse_a_night_that_needs_heat(scope, tmp_path, START)
        later = START + timedelta(days=5)
        assert "too old" in refuse_a_night_that_needs_heat(scope, tmp_path, later)


def test_without_a_forecast_the_probes_decide(tmp_path, two_boards):
    assert "probes alone" in refuse_a_night_that_needs_heat(Scope(site=two_boards), tmp_path, START)
