"""The bus contract over real brokers: the same tests for mosquitto and for amqtt, and where they differ."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.bus.board import BoardContract, Refusal
from controller.bus.broker import LARGEST_PACKET_BYTES, _answers, find_mosquitto, start_broker
from controller.bus.messages import LARGEST_STATUS_BYTES, LeasePayload
from controller.bus.mqtt import PACKET_HEAD_BYTES, MqttTransport
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import BrokerError
from controller.site.model import Broker
from tests.bus.conftest import PROTOCOL, until

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


@pytest.mark.fault("M17")
def test_nothing_published_during_an_outage_is_sent_afterwards(broker, client):
    east = client(broker, "east", (LEASE,))
    controller = client(broker, "controller")
    controller.publish(LEASE, lease(1))
    until(lambda: len(east.heard) == 1)
    broker.kill()
    until(lambda: not controller.connected and not east.connected)
    for seq in range(2, 22):
        controller.publish(LEASE, lease(seq))
    broker.restart()
    until(lambda: controller.connected and east.connected)
    time.sleep(0.3)  # its subscription goes out as soon as it has said that it is connected
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
    dying._client.socket().shutdown(socket.SHUT_RDWR)  # the connection breaks without a word
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


@pytest.mark.fault("M19")
def test_a_listener_that_raises_costs_a_count_and_no_thread(broker, client, met):
    def raising(_):
        raise RuntimeError("a fault of ours")

    fragile = client(broker, "fragile", ("a/b",), listener=raising)
    speaker = client(broker, "speaker")
    for _ in range(3):
        speaker.publish("a/b", b"x")
    until(lambda: fragile.counts["errors"] == 3)
    assert fragile.thread_alive
    assert "a fault of ours" in fragile.last_error
    met(
        reaction="none: the thread goes on, and the error is counted",
        alarm="none: the thread goes on, and the error is counted",
    )


@pytest.mark.fault("M12")
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


@pytest.mark.fault("M10", "M11")
def test_malformed_packets_and_payloads_end_no_thread(broker, client, met):
    me = client(broker, "me", ("#",))
    for junk in (b"\x30\x05\x00\x03\xff\xfe\xfdx", os.urandom(64), b"\x10\xff\xff\xff\xff", b"\x00" * 20):
        with socket.create_connection(("127.0.0.1", broker.port), 2.0) as raw:
            raw.sendall(junk)
    other = client(broker, "other")
    for n in range(200):
        other.publish(f"x/{n}", os.urandom(40))
    other.publish("x/last", b"{}")
    until(lambda: any(m.topic == "x/last" for m in me.heard))
    assert me.thread_alive
    assert me.connected
    met(
        reaction="none: the broker or the client throws it away and goes on",
        alarm="none: the broker or the client throws it away and goes on",
    )


def test_a_process_that_is_killed_is_announced_by_its_will(broker, client):
    watcher = client(broker, "watcher", (TOPICS.alive("+"),))
    program = f"""
import time
from controller.bus.mqtt import MqttTransport
from controller.bus.transport import Message
from controller.site.model import Broker
MqttTransport(
    Broker(port={broker.port}), "east", (), print, protocol={PROTOCOL[broker.kind]!r},
    birth=Message({TOPICS.alive("east")!r}, b"born"), will=Message({TOPICS.alive("east")!r}, b"gone"),
).start()
time.sleep(60.0)
"""
    process = subprocess.Popen([sys.executable, "-c", program])
    try:
        until(lambda: watcher.heard)
    finally:
        process.kill()
        process.wait()
    until(lambda: len(watcher.heard) == 2)
    assert [m.payload for m in watcher.heard] == [b"born", b"gone"]


@pytest.mark.fault("M14")
def test_two_of_one_name_do_not_throw_one_another_out(broker, client):
    falls = []
    twins = [client(broker, "controller", on_down=lambda: falls.append(1)) for _ in range(2)]
    time.sleep(0.3)
    assert falls == []
    assert all(twin.connected for twin in twins)


# ---- where the two differ: each test says what mosquitto does, and that amqtt does not -----------------


@pytest.fixture
def only_mosquitto_can(broker, request):
    """Expect the test to fail with amqtt; should amqtt learn it, the test says so and ``limits`` is due."""

    def because(limit):
        if broker.kind == "amqtt":
            assert any(limit in said for said in broker.limits), "this must be said on screen"
            request.applymarker(pytest.mark.xfail(reason=limit, strict=True, raises=AssertionError))

    return because


@pytest.mark.fault("M05")
def test_a_client_that_freezes_is_announced_by_its_will(broker, client, only_mosquitto_can):
    only_mosquitto_can("freezes or loses its power is not announced")
    watcher = client(broker, "watcher", (TOPICS.alive("+"),))
    frozen = client(broker, "east", will=Message(TOPICS.alive("east"), b"gone"), keepalive_s=1)
    frozen._client._thread_terminate = True  # its thread ends without closing the connection: it is frozen
    until(lambda: watcher.heard, within_s=7.0)  # mosquitto looks every 5 s


def test_retained_messages_go_only_to_who_asked(broker, client, only_mosquitto_can):
    only_mosquitto_can("retained messages reach clients that did not ask")
    client(broker, "speaker").publish("a/b", b"kept", retain=True)
    time.sleep(0.3)
    asked, other = client(broker, "asked", ("a/b",)), client(broker, "other", ("c/d",))
    until(lambda: asked.heard)
    assert asked.heard[0].retained
    time.sleep(0.3)
    assert other.heard == []


def test_an_expired_message_is_dropped(broker, client, only_mosquitto_can):
    only_mosquitto_can("carry no expiry")
    client(broker, "speaker").publish("a/b", b"old", retain=True, expiry_s=1.0)
    time.sleep(2.2)
    late = client(broker, "late", ("a/b",))
    time.sleep(0.5)
    assert late.heard == []


def test_a_message_beyond_what_the_broker_takes_is_not_sent(broker, client, only_mosquitto_can):
    # MQTT 5.0, section 3.2.2.3.6: only this version tells; a client that sends more is thrown out.
    only_mosquitto_can("3.1.1 only")
    falls = []
    speaker = client(broker, "speaker", on_down=lambda: falls.append(1))
    speaker.publish("a/b", b"x" * (LARGEST_STATUS_BYTES + 1))
    assert speaker.counts["oversize"] == 1
    time.sleep(0.3)
    assert falls == []


def test_the_longest_status_reaches_a_page_and_spares_a_board(broker, client):
    page = client(broker, "page", (TOPICS.status,), largest_payload_bytes=LARGEST_STATUS_BYTES)
    east = client(broker, "east", ("#",))
    controller = client(broker, "controller")
    controller.publish(TOPICS.status, b"x" * LARGEST_STATUS_BYTES)
    controller.publish(LEASE, lease())
    until(lambda: page.heard and east.heard)
    assert [len(m.payload) for m in page.heard] == [LARGEST_STATUS_BYTES]
    assert [m.topic for m in east.heard] == [LEASE]


def test_the_broker_of_a_site_takes_the_longest_status_too():
    settings = (Path(__file__).parents[2] / "deploy" / "mosquitto.conf").read_text().splitlines()
    assert f"max_packet_size {LARGEST_PACKET_BYTES}" in settings
    assert LARGEST_PACKET_BYTES >= LARGEST_STATUS_BYTES + PACKET_HEAD_BYTES


def test_a_client_of_mqtt_5_is_told_what_is_wrong_with_a_broker_of_3_1_1(tmp_path):
    with start_broker(tmp_path, kind="amqtt") as running:
        transport = MqttTransport(Broker(port=running.port), "controller", (), print, keepalive_s=1)
        transport.start()
        until(lambda: "may not speak MQTT 5" in transport.trouble)
        assert not transport.connected
        transport.close()


# ---- mosquitto alone ----------------------------------------------------------------------------------


@pytest.fixture
def strict_mosquitto(tmp_path):
    """Make mosquittos of a real site's kind: with passwords, or with certificates."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    running = []

    def make(*lines):
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        configuration = tmp_path / "strict.conf"
        user = "user root" if os.geteuid() == 0 else ""
        configuration.write_text("\n".join([f"listener {port} 127.0.0.1", "persistence false", user, *lines]))
        running.append(
            subprocess.Popen([find_mosquitto(), "-c", configuration], stdout=subprocess.DEVNULL, stderr=-3)
        )
        until(lambda: _answers(port))
        return port

    yield make
    for process in running:
        process.kill()
        process.wait()


def test_a_wrong_password_is_said_and_the_right_one_let_in(strict_mosquitto, tmp_path):
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed")
    users, right, wrong = tmp_path / "users", tmp_path / "right", tmp_path / "wrong"
    right.write_text("frost flower\n")
    wrong.write_text("frost fl0wer\n")
    subprocess.run(["mosquitto_passwd", "-b", "-c", users, "controller", "frost flower"], check=True)
    port = strict_mosquitto("allow_anonymous false", f"password_file {users}")

    def transport(password_file):
        settings = Broker(port=port, user="controller", password_file=str(password_file))
        made = MqttTransport(settings, "controller", (), print)
        made.start()
        return made

    refused = transport(wrong)
    until(lambda: "Not authorized" in refused.trouble)
    admitted = transport(right)
    until(lambda: admitted.connected)
    assert admitted.trouble == ""
    refused.close()
    admitted.close()


# The library forgets to close a socket whose certificate it refused.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_certificate_is_checked_and_what_is_wrong_with_it_said(strict_mosquitto, tmp_path):
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    kind = "-x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost"
    for name in ("own", "foreign"):
        files = ["-keyout", tmp_path / f"{name}.key", "-out", tmp_path / f"{name}.pem"]
        place = ["-addext", "subjectAltName=IP:127.0.0.1"]
        subprocess.run(
            ["openssl", "req", *kind.split(), *place, *files], check=True, capture_output=True, timeout=20
        )
    port = strict_mosquitto(
        "allow_anonymous true", f"certfile {tmp_path}/own.pem", f"keyfile {tmp_path}/own.key"
    )

    def transport(authority):
        made = MqttTransport(Broker(port=port, ca_file=str(authority)), "controller", (), print)
        made.start()
        return made

    trusted, distrusted = transport(tmp_path / "own.pem"), transport(tmp_path / "foreign.pem")
    until(lambda: trusted.connected)
    until(lambda: "certificate" in distrusted.trouble)
    assert distrusted.thread_alive
    trusted.close()
    distrusted.close()


def test_a_stopped_mosquitto_is_noticed(mosquitto, client):
    me = client(mosquitto, "me", keepalive_s=1)
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
