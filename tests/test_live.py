"""The real daemon as a process, a real broker, real HTTP: what happens when they are killed."""

import json
import os
import random
import re
import signal
import threading
import time
from contextlib import contextmanager

import pytest
import requests

from controller.bus.broker import find_mosquitto
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.journal.store import open_for_reading
from controller.site.model import Broker
from simulator.live import LiveRehearsal
from simulator.night import load_night
from tests.bus.test_plain import plain_site

pytestmark = [pytest.mark.live, pytest.mark.broker, pytest.mark.timeout(180)]
PACE = 60.0
TOPICS = Topics("curlew-yard")


@contextmanager
def rehearsal(restart_after_s, site=None):
    """Play the clear, calm night in a thread until the block ends; every tree is warm when it begins."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    night = load_night("clear-calm")
    said = []
    live = LiveRehearsal(
        night, site or night.load_site(), 1, pace=PACE, say=said.append, restart_after_s=restart_after_s
    )
    live.said = said
    thread = threading.Thread(target=live.run)
    thread.start()
    try:
        until(lambda: live.world is not None and hasattr(live, "daemon") and rests(live), 90.0)
        yield live
    finally:
        live.stopping.set()
        thread.join(30.0)
        assert not thread.is_alive()


def until(true, within_s):
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s, "it did not come true in time"
        time.sleep(0.02)


def boards(live):
    return live.world.boards.values()


def rests(live):
    """Tell whether no heater is on."""
    return not any(set(board.on) & set(board.heaters) for board in boards(live))


def all_heat(live):
    return all(set(board.heaters) <= set(board.on) for board in boards(live))


@pytest.mark.parametrize("victims", [("controller",), ("broker",), ("controller", "broker")])
def test_whatever_is_killed_every_heater_is_on_within_300_s_and_control_resumes(victims):
    with rehearsal(restart_after_s=9.0) as live:
        killed_at_s = live.world.elapsed_s
        if "controller" in victims:
            live.daemon.kill()
        if "broker" in victims:
            live.broker.kill()
        until(lambda: all_heat(live), 15.0)
        # the last lease came up to a minute before; steps and threads of the rehearsal add some seconds
        assert live.world.elapsed_s - killed_at_s <= 300.0 + 15.0
        until(lambda: any("started again" in line for line in live.said), 15.0)
        restarted_s = time.monotonic()
        # boards keep a heater that came on for 120 s before they let it off again; that is 2 s here
        until(lambda: rests(live), 15.0)
        assert time.monotonic() - restarted_s <= 15.0


@pytest.mark.fault("P10")
def test_while_the_daemon_is_frozen_every_lease_runs_out_and_control_resumes_when_it_thaws(met):
    with rehearsal(restart_after_s=600.0) as live:
        frozen_at_s = live.world.elapsed_s
        live.daemon.send_signal(signal.SIGSTOP)
        try:
            until(lambda: all_heat(live), 20.0)
            heated_s = live.world.elapsed_s - frozen_at_s
            assert live.daemon.poll() is None, "it is not gone, it stands still"
            until(lambda: live.world.elapsed_s - frozen_at_s > 600.0, 20.0)
            assert all_heat(live)
        finally:
            live.daemon.send_signal(signal.SIGCONT)
        thawed_s = time.monotonic()
        until(lambda: rests(live), 20.0)
        assert time.monotonic() - thawed_s <= 15.0
        # the last lease came up to a minute before; steps and threads of the rehearsal add some seconds
        assert heated_s <= 300.0 + 15.0
        met(reaction=heated_s, alarm="none: no process is left to tell; the dead-man outside the site does")


@pytest.mark.fault("M02", "M06")
def test_when_the_daemon_is_killed_boards_of_plain_texts_heat_by_their_wills(met):
    with rehearsal(restart_after_s=600.0, site=plain_site()) as live:
        east, west = live.world.boards["east"], live.world.boards["west"]
        os.kill(live.daemon.pid, signal.SIGKILL)
        killed_s = time.monotonic()
        until(lambda: set(east.on) == set(east.heaters), 15.0)
        met(reaction=time.monotonic() - killed_s)
        assert not set(west.on) & set(west.heaters), "by the wills: the leases of the other board still stand"


def test_a_clean_stop_of_the_daemon_says_heat_to_boards_of_plain_texts():
    with rehearsal(restart_after_s=600.0, site=plain_site(echo=False)) as live:
        east = live.world.boards["east"]
        live.daemon.send_signal(signal.SIGTERM)
        assert live.daemon.wait(10.0) == 0
        until(lambda: set(east.on) == set(east.heaters), 5.0)


def test_ten_thousand_malformed_messages_leave_the_daemon_alone():
    with rehearsal(restart_after_s=600.0) as live:
        attacker = MqttTransport(Broker(port=live.broker.port), "attacker", (), lambda _: None)
        attacker.start()
        until(lambda: attacker.connected, 10.0)
        rng = random.Random(1)
        topics = [
            *(TOPICS.probe(p.name) for p in live.site.probes),
            *(TOPICS.echo(b.name) for b in live.site.boards),
            *(TOPICS.alive(b.name) for b in live.site.boards),
            TOPICS.hand("x"),
        ]
        junk = [b"", b"nan", b"{}", b'{"temp_c": NaN}', b'{"temp_c": "9"}', b"\xff\xfe", b"[" * 3000, b"null"]
        for n in range(10_000):
            payload = rng.choice(junk) if n % 2 else rng.randbytes(rng.randrange(60))
            attacker.publish(rng.choice(topics), payload)
            time.sleep(0.0002)
        process = live.daemon
        heard_s = live.world.elapsed_s
        until(lambda: live.world.elapsed_s > heard_s + 120.0, 15.0)
        assert process.poll() is None, "the daemon still runs"
        assert rests(live)
        attacker.close()


def test_a_clean_stop_leaves_every_output_at_rest_at_once():
    with rehearsal(restart_after_s=600.0) as live:
        process = live.daemon
        stopped_at_s = live.world.elapsed_s
        process.send_signal(signal.SIGTERM)
        assert process.wait(10.0) == 0
        until(lambda: all_heat(live), 10.0)
        assert live.world.elapsed_s - stopped_at_s < 250.0, "sooner than any lease runs out"


def test_a_hand_order_is_obeyed_answered_kept_and_recalled_after_a_kill():
    with rehearsal(restart_after_s=0.5) as live:
        answers = []
        person = MqttTransport(
            Broker(port=live.broker.port),
            "person",
            (TOPICS.answer("+"),),
            lambda m: answers.append(m.payload),
        )
        person.start()
        until(lambda: person.connected, 10.0)
        until_utc = live.clock.utc().replace(hour=22).isoformat()
        order = {"who": "Nora", "tree": "lemon", "order": "hand-on", "until": until_utc}
        person.publish(TOPICS.hand("1"), json.dumps(order).encode())
        until(lambda: answers, 10.0)
        assert json.loads(answers[0])["accepted"] is True
        east = live.world.boards["east"]
        until(lambda: "4" in east.on, 10.0)
        first = live.daemon.pid
        os.kill(first, signal.SIGKILL)
        until(lambda: live.daemon.pid != first, 15.0)
        until(lambda: set(east.on) & set(east.heaters) == {"4"}, 20.0)
        connection = open_for_reading(live._folder / "state" / "journal.db")
        try:
            kept = connection.execute("SELECT who, target, position FROM hand_order").fetchall()
            readings = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
            forecasts = connection.execute("SELECT count(*) FROM forecast").fetchone()[0]
        finally:
            connection.close()
        assert kept == [("Nora", "lemon", "hand-on")]
        assert readings > 0
        assert forecasts > 0
        person.close()


def test_a_hung_and_then_killed_page_is_not_noticed():
    with rehearsal(restart_after_s=600.0) as live:
        live.page.send_signal(signal.SIGSTOP)
        stopped_at_s = live.world.elapsed_s
        until(lambda: live.world.elapsed_s > stopped_at_s + 400.0, 20.0)
        # longer than any lease: the controller went on giving them
        assert rests(live)
        live.page.kill()
        killed_at_s = live.world.elapsed_s
        until(lambda: live.world.elapsed_s > killed_at_s + 400.0, 20.0)
        assert rests(live)
        assert live.daemon.poll() is None
        assert not any("ended" in line for line in live.said)


def test_one_thumb_on_the_page_heats_every_tree_and_the_page_shows_the_proof():
    with rehearsal(restart_after_s=600.0) as live:
        address = f"http://127.0.0.1:{live.page_port}/"
        assert any(address in line for line in live.said)
        phone = requests.Session()

        def shown(text):
            try:
                return text in phone.get(address, timeout=5).text
            except requests.ConnectionError:  # it is still starting
                return False

        until(lambda: shown("The trees are safe"), 20.0)
        page = phone.get(address, timeout=5).text
        form = {
            "form": re.search(r'name="form" value="([^"]+)"', page)[1],
            "target": "all",
            "order": "hand-on",
            "until": re.findall(r'option value="(\d+)"', page)[3],
        }
        answer = phone.post(f"{address}hand", form, headers={"Origin": address.rstrip("/")}, timeout=10)
        assert "Done: Heat everything." in answer.text
        assert "The guard says: everything is heated by hand until" in answer.text
        until(lambda: all_heat(live), 10.0)
        until(lambda: shown("2 of 2 strings report on"), 10.0)
        assert shown("Heat everything until")
