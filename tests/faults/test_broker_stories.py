"""Three stories against a real mosquitto, of the keeper and the board process with mock pins.

Time is moved by hand; messages take the real way.
"""

import os
import signal
import time
from collections import deque
from itertools import count, pairwise

import pytest

from controller.board.file import example_board, load_board
from controller.bus.broker import RunningBroker, _Child, _free_port, find_mosquitto, start_broker
from controller.bus.inbound import Inbound
from controller.bus.messages import EchoPayload, LeasePayload, read
from controller.bus.mqtt import MqttTransport
from controller.bus.outbound import send
from controller.clock import now_on
from controller.guard.events import BusUp, ProbeHeard, Tick
from controller.guard.state import begin
from controller.keeper import handle
from tests.board.benches import Line, ProcessBench
from tests.board.conftest import until

pytestmark = pytest.mark.broker
ALL = frozenset("12345")
PATIENCE_S = 0.3
_SITES = count()


@pytest.fixture
def lasting_broker(tmp_path):
    """Run a mosquitto that keeps its retained messages on disk, as Debian's does unless told otherwise."""
    binary = find_mosquitto()
    if binary is None:
        pytest.skip("mosquitto is not installed")
    port, conf = _free_port(), tmp_path / "lasting.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
        f"persistence_location {tmp_path}/\nautosave_interval 0\n"
        + ("user root\n" if os.geteuid() == 0 else "")
    )
    broker = RunningBroker(
        "mosquitto", port, lambda: _Child([binary, "-c", str(conf)], tmp_path / "lasting.log", port)
    )
    yield broker
    broker.kill()


@pytest.fixture
def broker(tmp_path):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with start_broker(tmp_path, kind="mosquitto") as running:
        yield running


class Controller:
    """The keeper on the bus, for one board; a test says what its probes read."""

    def __init__(self, site, bench, session, temp_c):
        self.bench, self.site, self.temp_c = bench, site, temp_c
        self.state, self.inbound = begin(site, session), Inbound(site)
        self.heard, self.given, self.latest, self.ups, self.found = deque(), [], None, 0, set()
        topics = bench.topics
        self.transport = MqttTransport(
            bench._broker, session, topics.heard_by_controller, self._hear, on_up=self._rise
        )
        self.line = Line(self.transport)
        self._publish = self.transport.publish
        self.transport.publish = self._note
        self.transport.start()
        until(lambda: self.transport.connected)

    def _rise(self):
        self.ups += 1

    def _hear(self, message):
        self.heard.append(message)
        if message.topic == self.bench.topics.echo("east"):
            self.latest = read(EchoPayload, message.payload)

    def _note(self, topic, payload, **more):
        if topic == self.bench.topics.lease("east") and self.transport.connected:
            self.given.append(payload)
        self._publish(topic, payload, **more)

    def tell(self, event):
        self.state, actions = handle(self.state, event, now_on(self.bench.clock))
        for action in actions:
            send(action, self.bench.topics, self.transport)

    def tick(self):
        if self.ups:
            self.ups = 0
            self.tell(BusUp())
        while self.heard:
            event = self.inbound.event(self.heard.popleft())
            if event is not None:
                self.tell(event)
        utc = self.bench.clock.utc()
        for number, probe in enumerate(self.site.probes):
            wiggle_k = 0.0625 * ((int(self.bench.clock.now_s) // 10 + number) % 2)
            self.tell(ProbeHeard(probe=probe.name, temp_c=self.temp_c + wiggle_k, at=utc))
        self.tell(Tick())
        self.found |= {each.key for each in self.state.found}

    def agree(self):
        """Wait until the board has weighed every lease given, and a moment for its last echo to come here."""
        if self.transport.connected and self.bench.process.transport.connected:
            until(lambda: set(self.given) <= set(self.bench.taken))
            self.bench._settle()
            patient_s = time.monotonic() + PATIENCE_S  # one sent before we subscribed never comes
            while self.latest != self.bench.echoes()[-1] and time.monotonic() < patient_s:
                time.sleep(0.005)


class Yard:
    def __init__(self, port, curlew_yard):
        name = f"story-{next(_SITES)}"
        self.bench = ProcessBench(port, name, load_board(example_board("east")))
        self.bench.client._client.reconnect_delay_set(0.02, 0.05)
        self.site = curlew_yard.model_copy(update={"name": name, "broker": self.bench._broker})
        self.controllers = []

    def control(self, session, temp_c=8.0):
        self.controllers.append(Controller(self.site, self.bench, session, temp_c))
        return self.controllers[-1]

    def go(self, seconds):
        """Let time pass in steps of ten seconds; return every state the pins had."""
        seen = []
        for _ in range(round(seconds / 10)):
            self.bench.wait(10.0)
            for controller in self.controllers:
                controller.tick()
                controller.agree()
            seen.append(self.bench.on() & ALL)
        return seen

    def close(self):
        for controller in self.controllers:
            controller.transport.close()
        self.bench.close()


@pytest.fixture
def yard(broker, curlew_yard):
    made = Yard(broker.port, curlew_yard)
    yield made
    made.close()


# ---- a stale OFF that the broker brings back ------------------------------------------------------------


@pytest.mark.fault("M09", "P-22")
@pytest.mark.parametrize("reboots", [True, False])
def test_an_off_that_the_broker_brings_back_from_its_disk_rests_nothing(
    lasting_broker, curlew_yard, tmp_path, reboots
):
    yard = Yard(lasting_broker.port, curlew_yard)
    bench, seq = yard.bench, 10**6
    try:
        boot = bench.echoes()[-1].boot
        bench.line.cut()  # it shall hear of it only as an old word
        stale = LeasePayload(session="s", boot=boot, seq=seq, ttl_s=300.0, off=("1", "2", "3", "4", "5"))
        bench.pour(stale.to_json(), retained=True)
        until(lambda: bench.topics.lease("east") in bench.kept())
        os.kill(lasting_broker.pid, signal.SIGUSR1)  # save now
        kept = tmp_path / "mosquitto.db"
        until(lambda: kept.exists() and b"lease/east" in kept.read_bytes())
        lasting_broker.kill()
        lasting_broker.restart()
        until(lambda: bench.client.connected)
        assert bench.topics.lease("east") in bench.kept(), "the broker has brought it back"
        bench.clock.now_s += 200.0
        if reboots:
            bench.line.mend()
            until(lambda: bench.process.transport.connected)
            bench.restart()
            bench.wait(130.0)
        else:
            bench.mend()
        assert bench.on() == ALL
        bench.wait(300.0)
        assert bench.on() == ALL
        assert bench.echoes()[-1].seq < seq
        bench.send(b"", retained=True)
    finally:
        yard.close()


# ---- the broker restarts --------------------------------------------------------------------------------


@pytest.mark.fault("M02", "M17", "M18")
@pytest.mark.parametrize("first", ["controller", "board"])
def test_after_a_broker_s_restart_only_the_present_counts_whoever_is_back_first(yard, broker, first):
    controller, bench = yard.control("s1"), yard.bench
    yard.go(240.0)
    assert bench.on() & ALL == frozenset()
    leases_before = len(bench.taken)
    controller.line.cut()
    bench.line.cut()
    until(lambda: not controller.transport.connected and not bench.process.transport.connected)
    broker.kill()
    for n in range(20):  # the decision toggles while nobody can be told
        controller.temp_c = -1.0 if n % 2 else 8.0
        yard.go(20.0)
    assert bench.on() & ALL == ALL, "the lease ran out on the board"
    controller.temp_c = -1.0
    broker.restart()
    until(lambda: bench.client.connected)
    for who in (first, "board" if first == "controller" else "controller"):
        if who == "controller":
            controller.line.mend()
            until(lambda: controller.transport.connected)
        else:
            bench.mend()
        yard.go(30.0)
        assert bench.on() & ALL == ALL
    yard.go(60.0)
    weighed = [read(LeasePayload, p) for p in bench.taken[leases_before:] if p.startswith(b'{"session":"s1"')]
    assert weighed, "the board has a lease again"
    assert all(lease.off == () for lease in weighed), "no OFF from the time of the outage ever came"
    controller.temp_c = 8.0
    yard.go(240.0)
    assert bench.on() & ALL == frozenset(), "control goes on"


# ---- two controllers by mistake ------------------------------------------------------------------------


@pytest.mark.fault("P11", "M14", "P-30")
@pytest.mark.parametrize("second_c", [-1.0, 8.0])
def test_of_two_controllers_one_is_obeyed_nothing_chatters_and_the_other_says_so(yard, second_c, met):
    first, bench = yard.control("s1", temp_c=8.0 if second_c < 0.0 else -1.0), yard.bench
    yard.go(240.0)
    begun = bench.on() & ALL
    assert begun == (frozenset() if second_c < 0.0 else ALL)
    second = yard.control("s2", temp_c=second_c)
    states, told_s = [], None
    for tens in range(1, 91):
        states += yard.go(10.0)
        if told_s is None and "strange-lease.east" in first.found & second.found:
            told_s = 10.0 * tens
    turned_s = 10.0 * (1 + next(n for n, state in enumerate(states) if state != begun))
    for heater in ALL:
        changes = sum((heater in a) != (heater in b) for a, b in pairwise([begun, *states]))
        assert changes == 1, "from the first one's word to the second one's, once"
    assert states[-1] == (ALL if second_c < 0.0 else frozenset())
    assert bench.echoes()[-1].session == "s2"
    assert second.transport.connected
    assert first.transport.connected, "they do not throw one another out"
    told = "board-disobeys.east.4" if second_c < 0.0 else "heat-not-on.lemon"
    assert told in first.found
    assert not {key for key in second.found if key.startswith(("board-disobeys", "heat-not-on"))}
    met(reaction=turned_s, alarm=told_s)
