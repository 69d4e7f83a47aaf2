"""The board process with mock pins over a real mosquitto."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from controller.board.file import example_board
from controller.board.process import BoardProcess
from controller.bus.messages import EchoPayload, LeasePayload
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.site.model import Broker
from tests.board.conftest import HandClock, Running, until

pytestmark = pytest.mark.broker
TOPICS = Topics("curlew-yard")


@pytest.fixture
def watcher(mosquitto):
    heard = []
    transport = MqttTransport(Broker(port=mosquitto.port), "watcher", (f"{TOPICS.root}/#",), heard.append)
    transport.heard = heard
    transport.start()
    until(lambda: transport.connected)
    yield transport
    transport.close()


def said(watcher, topic):
    return [json.loads(m.payload) for m in list(watcher.heard) if m.topic == topic and not m.retained]


@pytest.fixture
def running(east, relays, mosquitto, watcher, one_wire):
    board = east.model_copy(
        update={"broker": Broker(port=mosquitto.port), "one_wire": str(one_wire.folder), "stagger_s": 0.0}
    )
    clock = HandClock()
    made = Running(BoardProcess(board, relays, clock, reset_reason="power-on"))
    made.clock = clock
    until(lambda: said(watcher, TOPICS.echo("east")))
    yield made
    made.stop()


def test_it_says_what_its_probes_say_and_null_where_they_give_nothing(running, one_wire, watcher):
    one_wire.say("28-00000a1b2c01", 6.5)
    one_wire.say("28-00000a1b2c02", 0.0, scratchpad="00 00 00 00 00 00 00 00 00")
    door, middle = TOPICS.probe("air-satsuma-door"), TOPICS.probe("air-satsuma-middle")
    until(lambda: any(reading["temp_c"] == 6.5 for reading in said(watcher, door)))
    until(lambda: said(watcher, middle))
    assert {reading["temp_c"] for reading in said(watcher, middle)} == {None}
    assert "at" in said(watcher, middle)[-1]


def test_a_lease_moves_the_pins_and_a_silent_controller_lets_them_rest(running, watcher, relays):
    running.clock.now_s += 200.0
    boot = said(watcher, TOPICS.echo("east"))[-1]["boot"]
    lease = LeasePayload(session="s", boot=boot, seq=1, ttl_s=300.0, off=("1", "2", "3", "4", "5"))
    watcher.publish(TOPICS.lease("east"), lease.to_json())
    until(lambda: relays.on() == ())
    until(lambda: said(watcher, TOPICS.echo("east"))[-1].get("seq") == 1)
    running.clock.now_s += 299.0
    until(lambda: said(watcher, TOPICS.echo("east"))[-1]["uptime_s"] > 400.0)
    assert relays.on() == ()
    running.clock.now_s += 1.0
    until(lambda: len(relays.on()) == 5)


def test_when_told_to_end_it_heats_says_so_and_is_gone(running, watcher, relays):
    test_a_lease_moves_the_pins_and_a_silent_controller_lets_them_rest(running, watcher, relays)
    running.stop()
    assert running.code == 0
    assert relays.on() == ("1", "2", "3", "4", "5")
    until(lambda: said(watcher, TOPICS.alive("east"))[-1]["alive"] is False)
    assert said(watcher, TOPICS.echo("east"))[-1]["on"] == ["1", "2", "3", "4", "5"]


def test_when_the_thread_that_reads_probes_dies_the_process_ends_with_heat_on(
    running, one_wire, relays, monkeypatch
):
    monkeypatch.setattr("threading.excepthook", lambda _: None)
    monkeypatch.setattr("controller.board.process.read_probe", lambda *_: 1 / 0)
    until(lambda: running.code == 70)
    assert relays.on() == ("1", "2", "3", "4", "5")


def test_each_cycle_pets_the_watchdog_and_none_after_the_loop_hangs(east, relays, mosquitto):
    pets = []
    process = BoardProcess(
        east.model_copy(update={"broker": Broker(port=mosquitto.port)}),
        relays,
        HandClock(),
        pet=lambda: pets.append(1),
    )
    process._cycle()
    process._cycle()
    assert len(pets) == 2
    process.relays = None  # a loop that cannot switch
    with pytest.raises(AttributeError):
        process._cycle()
    assert len(pets) == 2


def test_without_a_broker_it_heats_and_goes_on(east, relays):
    clock = HandClock()
    board = Running(BoardProcess(east.model_copy(update={"broker": Broker(port=1)}), relays, clock))
    clock.now_s += 3600.0
    until(lambda: "refused" in board.process.transport.trouble)
    assert relays.on() == ("1", "2", "3", "4", "5")
    board.stop()
    assert board.code == 0


def test_a_board_without_a_clock_leaves_the_time_out(running, watcher):
    running.clock.wall_jump_s = -3.0e9
    running.clock.now_s += 31.0
    until(lambda: "at" not in said(watcher, TOPICS.echo("east"))[-1])


@pytest.mark.live
def test_the_command_with_mock_pins_from_boot_to_lease_to_kill_and_again(mosquitto, watcher, tmp_path):
    """Told with the command an installer would use; times are printed, not asserted."""
    file = tmp_path / "east.toml"
    file.write_text(example_board("east").read_text().replace("port = 1883", f"port = {mosquitto.port}"))
    command = [sys.executable, "-m", "controller", "board", str(file), "--mock"]
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path), "PYTHONPATH": os.pathsep.join(sys.path)}

    def echoes():
        return [EchoPayload.model_validate_json(json.dumps(e)) for e in said(watcher, TOPICS.echo("east"))]

    def start():
        watcher.heard.clear()
        begun_s = time.monotonic()
        with (tmp_path / "log").open("ab") as log:
            process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        started.append(process)
        until(echoes, 30.0)
        print(f"from the start of the process to its first echo: {time.monotonic() - begun_s:.2f} s")
        return process

    started = []
    try:
        process = start()
        first = echoes()[-1]
        assert first.on == ("1", "2", "3", "4", "5")
        lease = LeasePayload(session="s", boot=first.boot, seq=1, ttl_s=300.0, off=("1",), echo_uptime_s=0.0)
        watcher.publish(TOPICS.lease("east"), lease.to_json())
        until(lambda: echoes()[-1].seq == 1)
        assert echoes()[-1].on == ("1", "2", "3", "4", "5")  # on for less than two minutes
        process.send_signal(signal.SIGKILL)
        process.wait()
        until(lambda: said(watcher, TOPICS.alive("east"))[-1]["alive"] is False)
        process = start()
        assert echoes()[-1].reset_reason == "killed"
        assert echoes()[-1].boot != first.boot
        assert echoes()[-1].on == ("1", "2", "3", "4", "5")
        process.send_signal(signal.SIGTERM)
        assert process.wait(15.0) == 0
    finally:
        for process in started:
            process.kill()
            process.wait()
