"""The MQTT transport against a broker played byte by byte, so that it can do what no sound broker does.

Packets are those of OASIS MQTT 5.0 and 3.1.1, chapter 3.
"""

import math
import socket
import threading
import time

import pytest

from controller.bus.mqtt import MOST_UNWRITTEN, MqttTransport
from controller.bus.transport import Message
from controller.errors import BrokerError
from controller.site.model import Broker
from tests.bus.conftest import until

ACCEPTED = {"3.1.1": b"\x20\x02\x00\x00", "5": b"\x20\x03\x00\x00\x00"}
# Return code 5 of 3.1.1 and reason code 0x87 of 5.0: not authorized.
NOT_AUTHORISED = {"3.1.1": b"\x20\x02\x00\x05", "5": b"\x20\x03\x00\x87\x00"}
DISCONNECT = 0xE0
both_protocols = pytest.mark.parametrize("protocol", ["3.1.1", "5"])


def publish_packet(topic, payload, protocol):
    """Return a PUBLISH of QoS 0."""
    rest = len(topic).to_bytes(2) + topic + (b"\x00" if protocol == "5" else b"") + payload
    length, size = b"", len(rest)
    while True:  # variable byte integer, section 1.5.5
        size, digit = size // 128, size % 128
        length += bytes([digit + (128 if size else 0)])
        if not size:
            return b"\x30" + length + rest


class PlayedBroker:
    """Listens, answers each connection with the same bytes, and keeps what it was sent."""

    def __init__(self, answer, *, hang_up=False, reads=True):
        self._answer, self._hang_up, self._reads = answer, hang_up, reads
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._open = [self._socket]
        self.received = []  # one bytearray for each connection
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def port(self):
        return self._socket.getsockname()[1]

    def send(self, packet):
        self._open[-1].sendall(packet)

    def close(self):
        for each in self._open:
            each.close()

    def _serve(self):
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            self._open.append(connection)
            received = bytearray(connection.recv(4096))
            self.received.append(received)
            connection.sendall(self._answer)
            if self._hang_up:
                connection.close()
            elif self._reads:
                threading.Thread(target=self._read, args=(connection, received), daemon=True).start()

    @staticmethod
    def _read(connection, received):
        try:
            while more := connection.recv(4096):
                received += more
        except OSError:
            return


@pytest.fixture
def play():
    """Return a function that starts a played broker and a client of it."""
    ended = []

    def start(answer, protocol="3.1.1", *, hang_up=False, reads=True, before_start=id, **more):
        broker = PlayedBroker(answer, hang_up=hang_up, reads=reads)
        heard = []
        client = MqttTransport(
            Broker(port=broker.port, user=more.pop("user", None)),
            "controller",
            more.pop("filters", ("a/b",)),
            more.pop("listener", heard.append),
            protocol=protocol,
            **more,
        )
        client.heard = heard
        client._client.reconnect_delay_set(0.02, 0.05)
        ended.extend([client, broker])
        before_start(client)
        client.start()
        return broker, client

    yield start
    for each in ended:
        each.close()


@both_protocols
class TestOnTheWire:
    def test_connect_says_who_how_and_what_to_say_if_it_breaks(self, play, protocol):
        will = Message("alive/controller", b"gone", retained=False)
        broker, client = play(ACCEPTED[protocol], protocol, will=will)
        until(lambda: client.connected)
        connect = bytes(broker.received[0])
        # Section 3.1.2: protocol name, version, flags (clean start, will), keepalive 10 s.
        header = b"\x00\x04MQTT" + (b"\x05" if protocol == "5" else b"\x04") + b"\x06\x00\x0a"
        assert header in connect
        assert client.client_id.encode() in connect
        assert client.client_id.startswith("controller-")
        assert b"alive/controller" in connect
        assert b"gone" in connect

    def test_expiry_is_sent_where_the_protocol_has_one(self, play, protocol):
        broker, client = play(ACCEPTED[protocol], protocol)
        until(lambda: client.connected)
        client.publish("lease/east", b"{}", expiry_s=299.2)
        until(lambda: b"lease/east" in broker.received[0])
        # Message Expiry Interval: identifier 2, then four bytes, section 3.3.2.3.3.
        assert (b"\x02\x00\x00\x01\x2c" in broker.received[0]) == (protocol == "5")

    def test_close_sends_what_was_published_and_then_disconnect(self, play, protocol):
        broker, client = play(ACCEPTED[protocol], protocol)
        until(lambda: client.connected)
        client.publish("a/last", b"word")
        client.close()
        until(lambda: DISCONNECT in broker.received[0][-4:])
        assert b"a/last" in broker.received[0]
        assert client.thread_alive  # it ended because it was asked to
        client.publish("a/later", b"word")
        assert client.counts["unsent"] == 1

    def test_birth_is_the_first_word_after_the_subscription(self, play, protocol):
        state_of = []
        broker, client = play(
            ACCEPTED[protocol],
            protocol,
            birth=Message("alive/controller", b"born"),
            on_up=lambda: state_of[0].publish("status", b"all"),
            before_start=state_of.append,
        )
        until(lambda: client.connected and b"status" in broker.received[0])
        sent = bytes(broker.received[0])
        assert sent.index(b"a/b") < sent.index(b"born") < sent.index(b"status")


@both_protocols
class TestTrouble:
    def test_rejected_credentials_are_said_and_tried_again(self, play, protocol):
        downs = []
        broker, client = play(
            NOT_AUTHORISED[protocol], protocol, hang_up=True, on_down=lambda: downs.append(1)
        )
        until(lambda: len(broker.received) >= 3)
        assert "Not authorized" in client.trouble
        assert not client.connected
        assert math.isnan(client.last_heard_self_s)
        assert client.thread_alive
        assert downs == []

    def test_a_broker_that_hangs_up_without_an_answer_is_said(self, play, protocol):
        _, client = play(b"", protocol, hang_up=True)
        until(lambda: "hung up" in client.trouble)
        assert client.trouble.endswith(f"may not speak MQTT {protocol}")

    def test_a_refused_subscription_is_said(self, play, protocol):
        # SUBACK for two filters: the first granted, the second refused (0x80: unspecified error).
        suback = b"\x90\x04\x00\x01\x00\x80" if protocol == "3.1.1" else b"\x90\x05\x00\x01\x00\x00\x80"
        _, client = play(ACCEPTED[protocol] + suback, protocol, filters=("a/b", "c/d"))
        until(lambda: "refuses to let us hear" in client.trouble)
        assert "'c/d'" in client.trouble
        assert "'a/b'" not in client.trouble

    def test_a_topic_that_is_not_utf_8_ends_nothing(self, play, protocol):
        bad = publish_packet(b"a/\xff\xfe", b"x", protocol)
        good = publish_packet(b"a/b", b"y", protocol)
        _, client = play(ACCEPTED[protocol] + bad + good, protocol)
        until(lambda: client.heard)
        assert client.heard[0] == Message("a/b", b"y")
        assert client.counts["bad_topic"] >= 1
        assert client.counts["errors"] == 0
        assert client.thread_alive

    def test_a_payload_beyond_4_kb_is_passed_over(self, play, protocol):
        largest = publish_packet(b"a/b", b"x" * 4096, protocol)
        larger = publish_packet(b"a/b", b"x" * 4097, protocol)
        huge = publish_packet(b"a/b", b"x" * 1_000_000, protocol)
        _, client = play(ACCEPTED[protocol] + larger + huge + largest, protocol)
        until(lambda: client.heard)
        assert [len(message.payload) for message in client.heard] == [4096]
        assert client.counts["too_large"] == 2

    def test_errors_of_ours_in_callbacks_are_counted(self, play, protocol):
        def wrong(*_):
            raise ValueError("ours")

        packet = publish_packet(b"a/b", b"y", protocol)
        _, client = play(ACCEPTED[protocol] + packet * 3, protocol, listener=wrong, on_up=wrong)
        until(lambda: client.counts["errors"] == 4)
        assert "ValueError: ours" in client.last_error
        assert client.thread_alive
        assert client.connected

    @pytest.mark.parametrize(
        "malformed",
        [
            b"\x00\x00",  # reserved packet type 0
            b"\xf0\x00",  # AUTH, or reserved
            b"\x30\xff\xff\xff\xff\x01",  # a length of five bytes
            b"\x30\x01\x00",  # PUBLISH without a topic
            b"\x30\x03\x00\x09a",  # PUBLISH whose topic is longer than the packet
            b"\x36\x05\x00\x01a\x00\x01",  # PUBLISH of QoS 3
            b"\x40\x00",  # PUBACK without a packet id
            b"\x90\x01\x00",  # half a SUBACK
            b"\x20\x00",  # CONNACK without content
            b"\xd0\x05abcde",  # PINGRESP with content
            b"\xe0\x01\xff",  # DISCONNECT for no known reason
            b"\x62\x02\x00\x01",  # PUBREL of a message never sent
        ],
    )
    def test_malformed_packets_do_not_end_the_thread(self, play, protocol, malformed):
        broker, client = play(ACCEPTED[protocol] + malformed, protocol, hang_up=True)
        until(lambda: len(broker.received) >= 3)
        assert client.thread_alive


def test_a_broker_that_falls_silent_is_noticed(play):
    downs = []
    _, client = play(ACCEPTED["5"], "5", keepalive_s=1, on_down=lambda: downs.append(1))
    until(lambda: client.connected)
    until(lambda: downs, within_s=8.0)
    assert client.thread_alive


def test_attempts_are_1_to_15_s_apart():
    client = MqttTransport(Broker(), "controller", (), print)._client
    assert (client._reconnect_min_delay, client._reconnect_max_delay) == (1, 15)


def test_a_takeover_is_named(play):
    # Sections 4.13 and 3.14.2.1: reason code 0x8E, session taken over; told apart from a broken line.
    said = []
    _, client = play(
        ACCEPTED["5"] + b"\xe0\x02\x8e\x00", "5", hang_up=True, on_down=lambda: said.append(client.trouble)
    )
    until(lambda: said)
    assert said[0].endswith("broke: Session taken over")


def test_a_broker_that_is_not_there_is_named_with_its_place():
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    client = MqttTransport(Broker(port=port), "controller", (), print)
    client._client.reconnect_delay_set(0.02, 0.05)
    assert client.trouble == "not connected yet"
    client.start()
    until(lambda: "cannot be reached" in client.trouble)
    assert f"127.0.0.1:{port}" in client.trouble
    assert "refused" in client.trouble
    client.publish("a/b", b"x")
    client.beat()
    assert client.counts["unsent"] == 1
    client.close()


def test_a_connection_that_stands_still_takes_only_so_much(play):
    broker, client = play(ACCEPTED["3.1.1"], reads=False)
    until(lambda: client.connected)
    for _ in range(4 * MOST_UNWRITTEN):
        client.publish("a/b", b"x" * 4000)
    assert client.counts["backlog"] > 0
    assert len(client._unwritten) <= MOST_UNWRITTEN
    broker.close()  # or closing the client would wait for it


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_dead_thread_is_seen_although_the_client_calls_itself_connected(play, monkeypatch):
    _, client = play(ACCEPTED["3.1.1"])
    until(lambda: client.connected)
    monkeypatch.setattr(client._client, "_loop", lambda _timeout: 1 // 0)
    until(lambda: not client.thread_alive)
    assert client.connected


class TestHearingOneself:
    def connected(self, play):
        broker, client = play(ACCEPTED["3.1.1"], ping_topic="ping/me")
        until(lambda: client.connected)
        client._heard_self_s -= 100.0
        return broker, client

    def test_the_age_counts_from_the_connection(self, play):
        _, client = self.connected(play)
        assert 100.0 <= client.last_heard_self_s < 110.0

    def test_one_ping_is_sent_and_no_second_before_its_time(self, play):
        broker, client = self.connected(play)
        for _ in range(5):
            client.beat()
        until(lambda: broker.received[0].count(client.client_id.encode()) == 2)  # CONNECT and the ping
        client.publish("a/end", b"")
        until(lambda: b"a/end" in broker.received[0])
        assert broker.received[0].count(client.client_id.encode()) == 2

    @pytest.mark.fault("M26")
    def test_only_the_own_words_count_and_none_reach_the_listener(self, play, met):
        broker, client = self.connected(play)
        own = client.client_id.encode()
        retained = b"\x31" + publish_packet(b"ping/me", own, "3.1.1")[1:]
        for packet in (publish_packet(b"ping/me", b"someone else", "3.1.1"), retained):
            broker.send(packet)
        broker.send(publish_packet(b"a/b", b"after", "3.1.1"))
        until(lambda: client.heard)
        assert client.last_heard_self_s >= 100.0
        broker.send(publish_packet(b"ping/me", own, "3.1.1"))
        until(lambda: client.last_heard_self_s < 5.0)
        assert [message.payload for message in client.heard] == [b"after"]
        met(
            reaction="none: what comes back is nobody's order and no reading",
            alarm="none: what comes back is nobody's order and no reading",
        )

    def test_without_a_topic_there_is_no_ping(self, play):
        broker, client = play(ACCEPTED["3.1.1"])
        until(lambda: client.connected)
        client.beat()
        client.publish("a/end", b"")
        until(lambda: b"a/end" in broker.received[0])
        assert broker.received[0].count(client.client_id.encode()) == 1


class TestFiles:
    def test_missing_password_file(self, tmp_path):
        broker = Broker(user="controller", password_file=str(tmp_path / "none"))
        with pytest.raises(BrokerError, match=r"password file .* cannot be read"):
            MqttTransport(broker, "controller", (), print)

    def test_user_without_a_password(self, play):
        broker, client = play(ACCEPTED["3.1.1"], user="controller")
        until(lambda: client.connected)
        # Section 3.1.2 of 3.1.1: user name flag and clean session, no password flag.
        assert b"\x00\x04MQTT\x04\x82" in broker.received[0]

    @pytest.mark.parametrize("content", [None, "not a certificate"])
    def test_unusable_certificate(self, tmp_path, content):
        path = tmp_path / "ca.pem"
        if content is not None:
            path.write_text(content)
        with pytest.raises(BrokerError, match=r"certificate authority .* cannot be used"):
            MqttTransport(Broker(ca_file=str(path)), "controller", (), print)

    def test_password_is_sent_without_the_line_s_end_and_kept_out_of_what_is_shown(self, tmp_path):
        path = tmp_path / "password"
        path.write_text("frost flower\n")
        broker = PlayedBroker(NOT_AUTHORISED["3.1.1"], hang_up=True)
        settings = Broker(port=broker.port, user="controller", password_file=str(path))
        client = MqttTransport(settings, "controller", (), print, protocol="3.1.1")
        client._client.reconnect_delay_set(0.02, 0.05)
        client.start()
        until(lambda: "Not authorized" in client.trouble)
        assert broker.received[0].endswith(b"\x00\x0cfrost flower")
        assert "frost" not in client.trouble
        client.close()
        broker.close()


def test_closing_what_was_never_started_is_harmless():
    client = MqttTransport(Broker(), "controller", (), print)
    client.close()
    client.close()
    assert client.thread_alive
    assert not client.connected


def test_closing_from_a_callback_does_not_wait_for_itself(play):
    clients, done = [], []

    def leave(_message):
        start_s = time.monotonic()
        clients[0].close()
        done.append(time.monotonic() - start_s)

    # known before it starts: the message may come before play() returns
    packets = ACCEPTED["3.1.1"] + publish_packet(b"a/b", b"x", "3.1.1")
    play(packets, listener=leave, before_start=clients.append)
    until(lambda: done)
    assert done[0] < 1.0
