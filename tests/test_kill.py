"""The real daemon killed while it writes: no order it said was taken is lost, and it soon decides again.

CI kills a few times; the campaign (`pytest -m long tests/test_kill.py`) two hundred times.
"""

import json
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from controller.bus.answers import NOT_KEPT
from controller.bus.broker import find_mosquitto
from controller.bus.messages import AnswerPayload, HandPayload, ProbePayload, read
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.site.load import example_site
from controller.site.model import Broker

pytestmark = [pytest.mark.live, pytest.mark.broker, pytest.mark.timeout(3600)]
TOPICS = Topics("curlew-yard")
# The bar for the first decision after a start [s].
DECIDES_WITHIN_S = 15.0
PROBES = ("outside", "house", "air-lemon", "air-yuzu")


@pytest.fixture
def broker(tmp_path):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with subprocess.Popen(
        [find_mosquitto(), "-p", str(free_port())], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        yield int(process.args[2])
        process.kill()


def free_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def site_file(folder, port):
    text = example_site("curlew-yard").read_text()
    head, _, tail = text.partition("[broker]")
    rest = tail.partition("\n\n")[2]
    services = head.partition("  [[forecast.service]]")[0]  # no network in tests
    file = folder / "site.toml"
    file.write_text(f'{services}\n[broker]\nhost = "127.0.0.1"\nport = {port}\n\n{rest}')
    return file


class Run:
    """One run of the daemon, from its start to its end; ``decided_s`` is when it first decided."""

    def __init__(self, site, state, *, code="from controller.cli import main; main()"):
        command = [sys.executable, "-c", code, "run", "--site", str(site), "--state", str(state)]
        self.begun_s, self.decided_s = time.monotonic(), None
        self.decided = threading.Event()
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        self.reader = threading.Thread(target=self._read)
        self.reader.start()

    def _read(self):
        for line in self.process.stderr:
            if line.startswith(b"{") and json.loads(line).get("event") == "decision":
                if self.decided_s is None:
                    self.decided_s = time.monotonic() - self.begun_s
                self.decided.set()

    def end(self, number):
        os.kill(self.process.pid, number)
        self.process.wait(30.0)
        self.reader.join(10.0)
        self.process.stderr.close()
        return self.process.returncode


class People:
    """Readings and orders as fast as the bus takes them; ``taken`` are those said to be taken and kept."""

    def __init__(self, port):
        self.taken, self.number = set(), 0
        self.bus = MqttTransport(
            Broker(host="127.0.0.1", port=port), "people", (TOPICS.answer("+"),), self._hear, protocol="5"
        )
        self.bus.start()

    def _hear(self, message):
        answer = read(AnswerPayload, message.payload)
        if answer.accepted and NOT_KEPT not in answer.because:
            self.taken.add(answer.order)

    def press_on(self, seconds):
        ends_s, waiting = time.monotonic() + seconds, threading.Event()
        while time.monotonic() < ends_s:
            self.number += 1
            until = datetime.now(UTC) + timedelta(hours=1)
            order = HandPayload(who="Nora", tree="lemon", order="hand-on", until=until)
            self.bus.publish(TOPICS.hand(f"o{self.number}"), order.to_json())
            for probe in PROBES:
                reading = ProbePayload(temp_c=1.0 + self.number % 7 / 16)
                self.bus.publish(TOPICS.probe(probe), reading.to_json())
            waiting.wait(0.01)


@pytest.mark.fault("D06")
@pytest.mark.parametrize("times", [3, pytest.param(200, marks=pytest.mark.long)])
def test_killed_while_it_writes_it_loses_no_order_it_said_was_taken(broker, tmp_path, times, met):
    chance, people, state = random.Random(5), People(broker), tmp_path / "state"
    site, slowest_s = site_file(tmp_path, broker), 0.0
    try:
        for _ in range(times):
            run = Run(site, state)
            assert run.decided.wait(60.0)
            slowest_s = max(slowest_s, run.decided_s)
            people.press_on(chance.uniform(0.3, 1.3))
            assert run.end(signal.SIGKILL) == -signal.SIGKILL
            with closing(sqlite3.connect(state / "journal.db")) as journal:
                assert journal.execute("PRAGMA integrity_check").fetchone() == ("ok",)
                kept = {row[0] for row in journal.execute("SELECT id FROM hand_order WHERE accepted = 1")}
            assert people.taken <= kept
    finally:
        people.bus.close()
    assert len(people.taken) > 5 * times
    assert slowest_s <= DECIDES_WITHIN_S
    met(reaction=slowest_s)


UNSET_CLOCK = (
    "from datetime import timedelta; import controller.clock as clock; "
    "clock.RELEASED += timedelta(days=90000); from controller.cli import main; main()"
)


@pytest.mark.fault("M01", "C05", "P-01", "P-06")
def test_without_network_forecast_broker_and_clock_it_decides_within_15_s_of_its_start(tmp_path, met):
    state = tmp_path / "state"
    state.mkdir()
    (state / "journal.db").mkdir()  # and without a journal: a folder where its file should be
    run = Run(site_file(tmp_path, free_port()), state, code=UNSET_CLOCK)
    try:
        assert run.decided.wait(60.0)
    finally:
        assert run.end(signal.SIGTERM) == 0
    assert run.decided_s <= DECIDES_WITHIN_S
    met(reaction=run.decided_s)


@pytest.mark.long
@pytest.mark.fault("P05")
def test_with_twenty_busy_programs_beside_it_it_still_decides_within_15_s(broker, tmp_path, met):
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(20)]
    try:
        run = Run(site_file(tmp_path, broker), tmp_path / "state")
        assert run.decided.wait(60.0)
        run.end(signal.SIGKILL)
    finally:
        for each in busy:
            each.kill()
            each.wait()
    assert run.decided_s <= DECIDES_WITHIN_S
    met(reaction=run.decided_s)
