"""The bus contract over real brokers: the same tests for mosquitto and for amqtt, and where they differ."""

import os
import signal
import socket
import time

import pytest

from controller.bus.board import BoardContract, Refusal
from controller.bus.broker import AMQTT_LIMITS, find_mosquitto, start_broker
from controller.bus.messages import LeasePayload
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import BrokerError
from tests.bus.conftest import until

pytestmark = pytest.mark.broker
TOPICS = Topics("curlew-yard")
LEASE = TOPICS.lease("east")


def lease(seq=1, off=("1", "2"), boot="b1"):
    return LeasePayload(session="s1", boot=boot, seq=seq, ttl_s=300.0, off=off).to_json()


def board(boot="b1"):
    return BoardContract("east", ("1", "2", "3"), (), boot, minimum_on_s=0.0)


def test_a_lease_reaches_its_board_and_no_other(broker, client):
    east = client(broker, "east", (LEASE,))
    west = client(broker, "west", (TOPICS.lease("west"),))
    client(broker, "controller").publish(LEASE, lease(), expiry_s=300.0)
    until(lambda: east.heard)
    contract = board()
    assert contract.hear(east.heard[0], 1.0) is None
    assert contract.outputs(1.0) == ("3",)
    assert west.heard == []


def test_nothing_published_during_an_outage_is_sent_afterwards(broker, client):
    east = client(broker, "east", (LEASE,))
    controller = client(broker, "controller")
    controller.publish(LEASE, lease(1))
    until(lambda: len(east.heard) == 1)
    broker.kill()
    until(lambda: not controller.connected)
    for seq in range(2, 22):
        controller.publish(LEASE, lease(seq))
    broker.restart()
    until(lambda: controller.connected and east.connected)
    controller.publish(LEASE, lease(30))
    until(lambda: len(east.heard) > 1)
    time.sleep(0.3)
    assert [LeasePayload.model_validate_json(m.payload).seq for m in east.heard] == [1, 30]
    assert controller.counts["unsent"] == 20


def test_after_a_broker_s_restart_subscriptions_and_births_are_there_again(broker, client):
    ups = []
    watcher = client(broker, "watcher", (TOPICS.alive("+"),))
    birth = Message(TOPICS.alive("controller"), b'{"session":"s1","alive":true}')
    controller = client(broker, "controller", (TOPICS.echo("+"),), birth=birth, on_up=lambda: ups.append(1))
    until(lambda: len(watcher.heard) == 1)
    broker.restart()
    until(lambda: len(ups) == 2 and watcher.connected)
    watcher.publish(TOPICS.echo("east"), b"{}")
    until(lambda: controller.heard)


def test_a_client_that_dies_is_announced_by_its_will(broker, client):
    watcher = client(broker, "watcher", (TOPICS.alive("+"),))
    will = Message(TOPICS.alive("east"), b'{"session":"b1","alive":false}')
    dying = client(broker, "east", will=will)
    dying._client._sock_close()  # the connection breaks without a word
    until(lambda: any(m.payload == will.payload for m in watcher.heard))


def test_a_client_that_leaves_in_good_order_has_no_will(broker, client):
    watcher = client(broker, "watcher", (TOPICS.alive("+"),))
    client(broker, "east", will=Message(TOPICS.alive("east"), b"gone")).close()
    time.sleep(0.5)
    assert watcher.heard == []


def test_a_retained_off_changes_nothing_for_a_board_that_starts(broker, client):
    client(broker, "somebody").publish(LEASE, lease(), retain=True)
    time.sleep(0.3)
    contract, refused = board(), []
    east = client(broker, "east", (LEASE,), listener=lambda m: refused.append(contract.hear(m, 1.0)))
    until(lambda: refused)
    assert refused == [Refusal.RETAINED]
    assert contract.outputs(1.0) == ("1", "2", "3")
    assert east.thread_alive


def test_leases_recorded_and_replayed_change_nothing(broker, client):
    contract, refused = board(), []
    east = client(broker, "east", (LEASE,), listener=lambda m: refused.append(contract.hear(m, 1.0)))
    recorder = client(broker, "recorder", (LEASE,))
    controller = client(broker, "controller")
    for seq in range(1, 21):
        controller.publish(LEASE, lease(seq, off=()))
    until(lambda: len(recorder.heard) == 20 and len(refused) == 20)
    contract = board("b2")  # the board restarts
    refused.clear()
    for message in recorder.heard[:20]:
        recorder.publish(message.topic, message.payload)
    until(lambda: len(refused) == 20)
    assert set(refused) == {Refusal.OTHER_BOOT}
    assert contract.outputs(1.0) == ("1", "2", "3")
    assert east.thread_alive


def test_a_listener_that_raises_costs_a_count_and_no_thread(broker, client):
    def raising(_):
        raise RuntimeError("a fault of ours")

    fragile = client(broker, "fragile", ("a/b",), listener=raising)
    speaker = client(broker, "speaker")
    for _ in range(3):
        speaker.publish("a/b", b"x")
    until(lambda: fragile.counts["errors"] == 3)
    assert fragile.thread_alive
    assert "a fault of ours" in fragile.last_error


def test_a_large_payload_is_passed_over(broker, client):
    east = client(broker, "east", ("a/b",))
    speaker = client(broker, "speaker")
    speaker.publish("a/b", b"x" * 8000)
    speaker.publish("a/b", b"small")
    until(lambda: east.heard)
    assert [m.payload for m in east.heard] == [b"small"]


def test_a_client_hears_itself(broker, client):
    me = client(broker, "me", ping_topic=TOPICS.ping("me"))
    me._heard_self_s -= 80.0
    assert me.last_heard_self_s > 79.0
    me.beat()
    until(lambda: me.last_heard_self_s < 5.0)


def test_malformed_packets_and_payloads_end_no_thread(broker, client):
    me = client(broker, "me", ("#",))
    for junk in (b"\x30\x05\x00\x03\xff\xfe\xfdx", os.urandom(64), b"\x10\xff\xff\xff\xff", b"\x00" * 20):
        with socket.create_connection(("127.0.0.1", broker.port), 2.0) as raw:
            raw.sendall(junk)
    other = client(broker, "other")
    for n in range(200):
        other.publish(f"x/{n}", os.urandom(40))
        time.sleep(0.001)  # a burst would be cut off as a connection that stands still
    other.publish("x/last", b"{}")
    until(lambda: any(m.topic == "x/last" for m in me.heard))
    assert me.thread_alive
    assert me.connected


# ---- where the two differ -----------------------------------------------------------------------------


def test_mosquitto_announces_a_frozen_client_and_amqtt_s_limits_say_it_does_not(mosquitto, client):
    watcher = client(mosquitto, "watcher", (TOPICS.alive("+"),))
    will = Message(TOPICS.alive("east"), b'{"session":"b1","alive":false}')
    frozen = client(mosquitto, "east", will=will, keepalive_s=2)
    frozen._client._thread_terminate = True  # its thread ends without closing the connection: it is frozen
    until(lambda: watcher.heard, within_s=20.0)
    assert any("freezes" in limit for limit in AMQTT_LIMITS)


def test_mosquitto_gives_retained_messages_only_to_who_asked(mosquitto, client):
    client(mosquitto, "speaker").publish("a/b", b"kept", retain=True)
    time.sleep(0.3)
    asked, other = client(mosquitto, "asked", ("a/b",)), client(mosquitto, "other", ("c/d",))
    until(lambda: asked.heard)
    assert asked.heard[0].retained
    assert other.heard == []


def test_mosquitto_drops_an_expired_lease(mosquitto, client):
    client(mosquitto, "speaker").publish("a/b", b"old", retain=True, expiry_s=1.0)
    time.sleep(2.2)
    late = client(mosquitto, "late", ("a/b",))
    time.sleep(0.5)
    assert late.heard == []


def test_a_stopped_mosquitto_is_noticed(mosquitto, client):
    me = client(mosquitto, "me", keepalive_s=2)
    os.kill(mosquitto.pid, signal.SIGSTOP)
    try:
        until(lambda: not me.connected, within_s=20.0)
    finally:
        os.kill(mosquitto.pid, signal.SIGCONT)
    until(lambda: me.connected)


# ---- starting brokers ---------------------------------------------------------------------------------


def test_a_port_in_use_is_said(tmp_path):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with socket.socket() as busy:
        busy.bind(("127.0.0.1", 0))
        port = busy.getsockname()[1]
        with (
            pytest.raises(BrokerError, match="did not start"),
            start_broker(tmp_path, port=port, kind="mosquitto"),
        ):
            pass


def test_without_mosquitto_the_other_broker_serves_and_says_its_limits(tmp_path, monkeypatch):
    monkeypatch.setenv("RIMEWARD_MOSQUITTO", str(tmp_path / "none"))
    with start_broker(tmp_path) as running:
        assert running.kind == "amqtt"
        assert len(running.limits) == 3
        assert running.running
    with (
        pytest.raises(BrokerError, match="apt-get install mosquitto"),
        start_broker(tmp_path, kind="mosquitto"),
    ):
        pass


def test_without_any_broker_it_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setenv("RIMEWARD_MOSQUITTO", str(tmp_path / "none"))
    monkeypatch.setattr("controller.bus.broker.find_spec", lambda _: None)
    with pytest.raises(BrokerError, match="no broker is here: install mosquitto"), start_broker(tmp_path):
        pass
