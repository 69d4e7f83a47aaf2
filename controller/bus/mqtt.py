"""The bus over a real MQTT broker, on paho-mqtt's own network thread.

What the library would do by default and this does not: a callback's exception ends its thread while the
client still calls itself connected; messages published during an outage are kept and sent afterwards,
however old; the pause between attempts grows to two minutes; a topic that is not UTF-8 raises.  So here
every callback is wrapped, nothing is sent unless the broker has accepted the connection, the longest pause
is 15 s, and whether the broker still carries messages is known from a message to oneself.
"""

import math
import socket
import sys
import threading
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import wraps
from pathlib import Path
from secrets import token_hex
from typing import Concatenate, Literal, ParamSpec

from paho.mqtt.client import (
    Client,
    ConnectFlags,
    DisconnectFlags,
    MQTTMessage,
    MQTTMessageInfo,
)
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.bus.messages import LARGEST_PAYLOAD_BYTES
from controller.bus.transport import Listener, Message
from controller.errors import BrokerError
from controller.site.model import Broker

Protocol = Literal["5", "3.1.1"]

RECONNECT_AFTER_AT_LEAST_S = 1
RECONNECT_AFTER_AT_MOST_S = 15
PING_EVERY_S = 30.0
# Messages handed to the library and not yet on the wire.  The largest site says a few hundred things when it
# connects, in one go; more means that the connection stands still.
MOST_UNWRITTEN = 1000
# What a packet holds besides its payload: header, topic and a few properties, generously.
PACKET_HEAD_BYTES = 1024
CLOSE_WITHIN_S = 3.0

_P = ParamSpec("_P")


def _guarded(
    callback: Callable[Concatenate["MqttTransport", _P], None],
) -> Callable[Concatenate["MqttTransport", _P], None]:
    """Let no exception of a callback reach the network thread: it would end there, unseen."""

    @wraps(callback)
    def call(self: "MqttTransport", /, *args: _P.args, **kwargs: _P.kwargs) -> None:
        try:
            callback(self, *args, **kwargs)
        except Exception:  # noqa: BLE001 (the edge of a thread)
            self.counts["errors"] += 1
            self.last_error = traceback.format_exc()

    return call


class MqttTransport:
    """A client of an MQTT broker; ``start`` it once, ``close`` it once.

    The listener, ``on_up`` and ``on_down`` are called on the network thread and must not wait for anything.
    ``on_up`` follows each connection, when subscriptions are asked for and the birth message is sent: there
    the caller publishes the present state, for nothing said before is repeated.

    Parameters
    ----------
    broker : Broker
        Where the broker is and how to be let in.
    client_id : str
        The beginning of the client id; random digits follow, so that no two processes throw one another out.
    filters : sequence of str
        Topic filters to hear.
    listener : callable
        Called with each message.
    on_up, on_down : callable, optional
        Called when the connection has come and gone.
    birth, will : Message, optional
        What to say on each connection, and what the broker is to say if it breaks.
    ping_topic : str, optional
        Where the client talks to itself; see ``beat``.
    protocol : {"5", "3.1.1"}
        The version of MQTT.
    largest_payload_bytes : int
        Messages with more are passed over, and not even sent here by a broker that speaks MQTT 5.
    keepalive_s : int
        A broker takes a client that was silent for one and a half times as long for lost.

    Attributes
    ----------
    counts : Counter
        ``errors`` in callbacks; messages heard that were ``too_large`` or had a ``bad_topic``; messages not
        sent: ``unsent`` while the broker was away, ``backlog`` while the connection stood still, ``oversize``
        because the broker takes none so large and would have thrown the client out.
    last_error : str
        The traceback of the latest error in a callback.
    trouble : str
        In plain words what keeps the connection from working; empty while it works.

    Raises
    ------
    BrokerError
        If the password or certificate file cannot be used.

    """

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        filters: Sequence[str],
        listener: Listener,
        *,
        on_up: Callable[[], None] | None = None,
        on_down: Callable[[], None] | None = None,
        birth: Message | None = None,
        will: Message | None = None,
        ping_topic: str | None = None,
        protocol: Protocol = "5",
        keepalive_s: int = 10,
        largest_payload_bytes: int = LARGEST_PAYLOAD_BYTES,
    ) -> None:
        self.client_id = f"{client_id}-{token_hex(4)}"
        self.connected = False
        self.counts: Counter[str] = Counter()
        self.last_error = ""
        self.trouble = "not connected yet"
        self._broker = broker
        self._largest_payload_bytes = largest_payload_bytes
        self._filters = tuple(filters)
        self._listener = listener
        self._on_up = on_up
        self._on_down = on_down
        self._birth = birth
        self._ping_topic = ping_topic
        self._protocol = protocol
        self._keepalive_s = keepalive_s
        self._broker_takes_bytes = math.inf
        self._thread: threading.Thread | None = None
        self._closing = False
        self._answered = False  # whether the broker has accepted or refused this connection
        self._unwritten: deque[MQTTMessageInfo] = deque()
        self._unwritten_lock = threading.Lock()
        self._pinged_s = -math.inf
        self._heard_self_s = math.nan
        self._client = self._new_client(will)

    def start(self) -> None:
        """Begin to connect, and keep connecting for ever; returns at once."""
        properties = None
        if self._is_v5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            # The broker keeps larger ones from us (MQTT 5.0 section 3.1.2.11.4).
            properties.MaximumPacketSize = self._largest_payload_bytes + PACKET_HEAD_BYTES
        self._client.connect_async(
            self._broker.host, self._broker.port, keepalive=self._keepalive_s, properties=properties
        )
        self._client.loop_start()

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: float | None = None
    ) -> None:
        """Send a message if the broker is there; never wait for it, never keep it for later."""
        if not self.connected:
            self.counts["unsent"] += 1
            return
        if len(payload) + PACKET_HEAD_BYTES > self._broker_takes_bytes:
            self.counts["oversize"] += 1
            return
        properties = None
        if expiry_s is not None and self._is_v5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = math.ceil(expiry_s)
        with self._unwritten_lock:
            while self._unwritten and _is_done(self._unwritten[0]):
                self._unwritten.popleft()
            if len(self._unwritten) >= MOST_UNWRITTEN:
                self.counts["backlog"] += 1
                return
            info = self._client.publish(topic, payload, qos=0, retain=retain, properties=properties)
            self._unwritten.append(info)

    def beat(self) -> None:
        """Send a message to oneself if the last one is 30 s old; to be called in every control cycle."""
        now_s = time.monotonic()
        if self._ping_topic and self.connected and now_s - self._pinged_s >= PING_EVERY_S:
            self._pinged_s = now_s
            self.publish(self._ping_topic, self.client_id.encode(), expiry_s=PING_EVERY_S)

    @property
    def last_heard_self_s(self) -> float:
        """How long ago this client heard itself through the broker, or connected if that is later [s].

        NaN while there is no connection: a broker that is away is no reason to restart.  More than three
        times ``PING_EVERY_S`` means that a connection stands which carries nothing.
        """
        return time.monotonic() - self._heard_self_s if self.connected else math.nan

    @property
    def thread_alive(self) -> bool:
        """False once the network thread has died unasked: then nothing but a new process helps."""
        return self._closing or self._thread is None or self._thread.is_alive()

    def close(self) -> None:
        """Send what was published, then leave in good order, so that no will is published."""
        self._closing = True
        self.connected = False
        self._client.disconnect()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(CLOSE_WITHIN_S)

    def kill(self) -> None:
        """End as a killed process does: the connection breaks without a goodbye, so the will is published."""
        self._closing = True
        self.connected = False
        line = self._client.socket()
        if line is not None:
            with suppress(OSError):  # it may have broken by itself just now
                line.shutdown(socket.SHUT_RDWR)  # type: ignore[attr-defined]  # a socket, or TLS round one
        self._client.disconnect()  # nothing can be sent any more: this only ends the thread

    def _new_client(self, will: Message | None) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            clean_session=None if self._is_v5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if self._is_v5 else MQTTProtocolVersion.MQTTv311,
        )
        client.suppress_exceptions = True  # a second net under the one in ``_guarded``
        client.max_queued_messages_set(MOST_UNWRITTEN)
        client.reconnect_delay_set(RECONNECT_AFTER_AT_LEAST_S, RECONNECT_AFTER_AT_MOST_S)
        if will is not None:
            client.will_set(will.topic, will.payload, qos=0, retain=will.retained)
        if self._broker.user is not None:
            client.username_pw_set(self._broker.user, _password(self._broker))
        if self._broker.ca_file is not None:
            _use_tls(client, self._broker.ca_file)
        client.on_pre_connect = self._note_thread
        client.on_connect = self._rise
        client.on_connect_fail = self._note_failure
        client.on_disconnect = self._fall
        client.on_subscribe = self._note_grants
        client.on_message = self._hear
        return client

    @_guarded
    def _note_thread(self, _client: Client, _userdata: object) -> None:
        self._thread = threading.current_thread()
        self._answered = False

    @_guarded
    def _rise(
        self,
        client: Client,
        _userdata: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        client.drop_out_messages()
        self._answered = True
        if reason.is_failure:
            self.trouble = f"{self._where} refuses this connection: {reason}"
            return
        with self._unwritten_lock:
            self._unwritten.clear()
        self.trouble = ""
        # MQTT 5.0 section 3.2.2.3.6: a client that sends more than the broker takes is thrown out.
        self._broker_takes_bytes = getattr(properties, "MaximumPacketSize", math.inf)
        if self._all_filters:
            client.subscribe([(topic_filter, 0) for topic_filter in self._all_filters])
        self._heard_self_s = time.monotonic()
        self._pinged_s = -math.inf
        self.connected = not self._closing
        if self._birth is not None:
            self.publish(self._birth.topic, self._birth.payload, retain=self._birth.retained)
        if self._on_up is not None:
            self._on_up()

    @_guarded
    def _fall(
        self,
        _client: Client,
        _userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        _p: Properties | None,
    ) -> None:
        was_connected, self.connected = self.connected, False
        if not self._answered:
            self.trouble = f"{self._where} hung up unasked; it may not speak MQTT {self._protocol}"
        if not was_connected or self._closing:
            return
        # Only a broker that ends the connection itself gives a reason.
        why = f": {reason}" if flags.is_disconnect_packet_from_server else ""
        self.trouble = f"the connection to {self._where} broke{why}"
        if self._on_down is not None:
            self._on_down()

    @_guarded
    def _note_failure(self, _client: Client, _userdata: object) -> None:
        # The library calls this while it handles the error, but does not hand the error over.
        self.trouble = f"{self._where} cannot be reached: {sys.exc_info()[1] or 'no reason given'}"

    @_guarded
    def _note_grants(
        self, _client: Client, _userdata: object, _mid: int, reasons: list[ReasonCode], _p: Properties | None
    ) -> None:
        refused = [
            f"'{topic_filter}' ({reason})"
            for topic_filter, reason in zip(self._all_filters, reasons, strict=False)
            if reason.is_failure
        ]
        if refused:
            self.trouble = f"{self._where} refuses to let us hear {', '.join(refused)}"

    @_guarded
    def _hear(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        if len(message.payload) > self._largest_payload_bytes:
            self.counts["too_large"] += 1
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self.counts["bad_topic"] += 1
            return
        if topic == self._ping_topic:
            if message.payload == self.client_id.encode() and not message.retain:
                self._heard_self_s = time.monotonic()
        else:
            self._listener(Message(topic, bytes(message.payload), retained=message.retain))

    @property
    def _is_v5(self) -> bool:
        return self._protocol == "5"

    @property
    def _all_filters(self) -> tuple[str, ...]:
        return (*self._filters, self._ping_topic) if self._ping_topic else self._filters

    @property
    def _where(self) -> str:
        return f"the broker at {self._broker.host}:{self._broker.port}"


def _is_done(info: MQTTMessageInfo) -> bool:
    return info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS or info.is_published()


def _password(broker: Broker) -> str | None:
    if broker.password_file is None:
        return None
    try:
        return Path(broker.password_file).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise BrokerError(
            f"the broker's password file {broker.password_file} cannot be read: {error}; give one line of "
            "text, readable by this user"
        ) from error


def _use_tls(client: Client, ca_file: str) -> None:
    try:
        client.tls_set(ca_certs=ca_file)
    except OSError as error:
        raise BrokerError(
            f"the broker's certificate authority {ca_file} cannot be used: {error}; give a PEM file, "
            "readable by this user"
        ) from error
