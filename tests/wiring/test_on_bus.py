"""The same test on a real bus: our own board process with mock pins over mosquitto."""

import threading
from datetime import timedelta

import numpy as np
import pytest

from controller.board.file import example_board, load_board
from controller.board.process import BoardProcess
from controller.board.relays import Relays, pin_factory
from controller.bus.broker import find_mosquitto, start_broker
from controller.bus.messages import ProbePayload
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.errors import AlreadyRunningError, BrokerError, WiringError
from controller.journal.store import lock_folder
from controller.site.model import Broker
from controller.weather.forecast import Forecast
from controller.weather.service import FILE_NAME
from controller.weather.store import LastGood
from controller.wiring.check import Outcome, Scope, Stage
from controller.wiring.on_bus import BusRun, in_the_controllers_place, refuse_a_night_that_needs_heat
from controller.wiring.step import NO, YES, Task
from tests.board.conftest import START, HandClock, Running, until
from tests.wiring.conftest import report_of, scope_of, stages

QUICK_S = 1.0


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


class QuickClock:
    """Time that the test moves on whenever it waits, as soon as the board has said how it stands.

    A board whose word crossed with a lease says nothing more until its next reporting period, so that time
    must go on for it, too, once it has been waited for in vain.
    """

    most_waits = 500

    pace = 1.0
    is_sound = True

    def __init__(self, clock):
        self.clock = clock
        self.is_settled = lambda: True
        self.waits = 0

    def mono_s(self):
        return self.clock.mono_s()

    def utc(self):
        return self.clock.utc()

    def wait(self, event, _seconds):
        self.waits += 1
        if self.is_settled() or self.waits > self.most_waits:
            self.clock.now_s += QUICK_S
            self.waits = 0
        return event.wait(0.003)


class AtThePins:
    """Somebody at our own board who looks at its pins."""

    def __init__(self, begin_board, loads):
        self._begin_board = begin_board
        self._tags = {load.channel.partition("/")[2]: load.tag for load in loads}
        self.board = begin_board()
        self.is_pulled = False

    def say(self, text):
        pass

    def begin(self, check, number, of):
        pass

    def ask(self, ask):
        if ask.task is Task.PULL_SUPPLY:
            self.is_pulled = True
            self.board.stop()
            self.board.process.relays.show(self.board.process.board.heaters)  # coils dead
        elif ask.task is Task.GIVE_SUPPLY:
            self.board = self._begin_board()
            self.is_pulled = False

    def answer(self, ask):
        if ask.view.startswith("on="):
            seen = {self._tags[channel] for channel in self.board.process.relays.on()}
            return (YES,) if seen == set(filter(None, ask.view[3:].split(","))) else (NO,)
        return ask.choices[:1]

    def wants_to_stop(self):
        return False


@pytest.fixture(scope="module")
def mosquitto(tmp_path_factory):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with start_broker(tmp_path_factory.mktemp("broker"), kind="mosquitto") as running:
        yield running


@pytest.fixture
def east_only(two_boards, mosquitto):
    """Curlew Yard with its east board alone, on the broker of this test."""
    trees = [t.model_copy(update={"strings": t.strings[:1]}) for t in two_boards.trees]
    return two_boards.model_copy(
        update={
            "trees": tuple(trees),
            "boards": two_boards.boards[:1],
            "circuits": two_boards.circuits[:1],
            "broker": Broker(port=mosquitto.port),
        }
    )


@pytest.mark.broker
def test_our_own_board_process_passes(east_only, mosquitto, tmp_path):
    hand = HandClock()
    clock = QuickClock(hand)
    described = load_board(example_board("east")).model_copy(
        update={"broker": Broker(port=mosquitto.port), "one_wire": str(tmp_path), "stagger_s": 0.0}
    )
    relays = Relays(described, pin_factory(mock=True))

    def begin_board():
        return Running(BoardProcess(described, relays, hand, reset_reason="power-on"))

    topics = Topics(east_only.name)
    outside = MqttTransport(Broker(port=mosquitto.port), "outside", (), lambda _message: None)
    outside.start()
    until(lambda: outside.connected)
    stop = threading.Event()

    def mild():
        while not stop.wait(0.05):
            outside.publish(topics.probe("outside"), ProbePayload(temp_c=12.0).to_json())

    speaker = threading.Thread(target=mild)
    speaker.start()
    scope = Scope(site=east_only, stages=stages(Stage.CHANNELS, Stage.REST))
    person = AtThePins(begin_board, scope.loads)
    run = BusRun(scope, person, clock)

    def is_settled():
        """Whether the board's last echo, not older than it may be, says what the board does now."""
        echo, board = run.session.state.echoes.get("east"), person.board.process.outputs
        if person.is_pulled or not run.transport.connected:
            return True
        if echo is None or echo.boot != board.contract.boot:
            return False
        age_s = hand.now_s - run.session.state.heard_s.get("east", hand.now_s)
        return age_s <= 31.0 and echo.seq == board.contract.seq and set(echo.on) == set(board.on)

    clock.is_settled = is_settled
    try:
        state = run.run()
    finally:
        stop.set()
        speaker.join()
        outside.close()
        person.board.stop()
        relays.close()
    assert run.session.finished.complete
    report = report_of(state.record, scope_of(state))
    probes_lost = {str(d.cause) for d in report.diagnoses} - {"probe-unheard", "probe-garbled"}
    assert probes_lost == set()  # no sensor hangs on mock pins
    assert [r for r in report.results if r.outcome is not Outcome.GOOD] == []
    assert {r.check for r in report.results} >= {
        "rest/lapse",
        "rest/forged",
        "rest/supply-east",
        "channels/east/6",
    }


def test_no_broker_is_said_and_nothing_switched(two_boards):
    site = two_boards.model_copy(update={"broker": Broker(port=1)})
    clock = QuickClock(HandClock())
    run = BusRun(Scope(site=site), AtThePins.__new__(AtThePins), clock)
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
