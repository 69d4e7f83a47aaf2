"""The bus in memory against mosquitto: the same random doings, heard the same by the same listeners."""

import random
import socket

import pytest

from controller.bus.memory import MemoryBus
from controller.bus.mqtt import MqttTransport
from controller.bus.transport import Message
from controller.site.model import Broker
from tests.bus.conftest import until

pytestmark = pytest.mark.broker
TOPICS = ["a", "a/b", "a/b/c", "a/", "/a", "b/b", "$x/b"]
FILTERS = ["#", "+", "a/#", "a/+", "+/b", "+/+", "/+", "a/b", "$x/#", "a/+/c"]
END = "$end"  # no filter below hears it


def script(seed):
    """Return doings: who joins with which filters, what is said and kept, who leaves in order or dies."""
    dice = random.Random(seed)
    doings, here = [], []
    for number in range(25):
        match dice.choice(["join", "join", "say", "say", "say", "keep", "clear", "leave", "die"]):
            case "join":
                # One filter each: of two that overlap a broker may send a copy for both (5.0, section 3.3.4).
                here.append(f"c{number}")
                doings.append(("join", here[-1], (dice.choice(FILTERS), END)))
            case "leave" | "die" as way if here:
                doings.append((way, here.pop(dice.randrange(len(here)))))
            case "say" | "keep" | "clear" as way:
                payload = b"" if way == "clear" else b"%d" % number
                doings.append(("say", dice.choice(TOPICS), payload, way != "say"))
    return doings


def will_of(name):
    return Message("a/b", name.encode() + b" is gone")


def play_in_memory(doings):
    bus, heard, clients = MemoryBus(), {}, {}
    speaker = bus.connect("speaker", (), print)
    for doing in doings:
        match doing:
            case ("join", name, filters):
                heard[name] = []
                clients[name] = bus.connect(name, filters, heard[name].append, will_of(name))
            case ("leave", name):
                clients[name].close()
            case ("die", name):
                clients[name].kill()
            case ("say", topic, payload, retain):
                speaker.publish(topic, payload, retain=retain)
        bus.deliver()
    return heard


class OnMosquitto:
    """Plays a script on a broker; after each doing waits until all that it brings has been heard."""

    def __init__(self, port):
        self._settings = Broker(port=port)
        self._wills = set()
        self._seen = {}
        self.heard, self.clients = {}, {}
        self.speaker = self._connect("speaker", (END,), None)

    def play(self, doings):
        for doing in doings:
            match doing:
                case ("join", name, filters):
                    self.heard[name] = []
                    self.clients[name] = self._connect(name, filters, will_of(name))
                case ("leave", name):
                    self.clients.pop(name).close()
                case ("die", name):
                    self._die(name)
                case ("say", topic, payload, retain):
                    self.speaker.publish(topic, payload, retain=retain)
            self._settle()
        for client in (self.speaker, *self.clients.values()):
            client.close()
        return self.heard

    def _connect(self, name, filters, will):
        self._seen[name] = 0

        def listener(message):
            if message.topic == END:
                self._seen[name] += 1
            elif name in self.heard:
                self.heard[name].append(message)
            else:
                self._wills.add(message.payload)

        more = ("a/b",) if name == "speaker" else ()
        client = MqttTransport(self._settings, name, (*filters, *more), listener, will=will)
        client.start()
        # Retained messages follow the subscription's acknowledgement; a word to itself comes after them.
        until(lambda: client.connected)
        return client

    def _die(self, name):
        dying = self.clients.pop(name)
        dying._client._thread_terminate = True  # so that its thread ends and does not come back
        dying._client.socket().shutdown(socket.SHUT_RDWR)
        # The broker finds out by itself, so no word can follow on the same way.
        until(lambda: will_of(name).payload in self._wills)

    def _settle(self):
        here = ["speaker", *self.clients]
        for name in here:
            self._seen[name] = 0
        for name in here:
            client = self.speaker if name == "speaker" else self.clients[name]
            client.publish(END, name.encode())
        until(lambda: all(self._seen[name] >= len(here) for name in here))


def in_any_order_of_the_kept(heard):
    """Sort what is retained: in which order a broker hands out what it kept is its own affair."""
    kept = sorted((m for m in heard if m.retained), key=lambda m: (m.topic, m.payload))
    return kept, [m for m in heard if not m.retained]


@pytest.mark.parametrize("seed", range(6))
def test_the_same_is_heard(mosquitto, seed):
    doings = script(seed)
    in_memory = play_in_memory(doings)
    on_mosquitto = OnMosquitto(mosquitto.port).play(doings)
    assert in_memory.keys() == on_mosquitto.keys()
    for name, heard in in_memory.items():
        assert in_any_order_of_the_kept(heard) == in_any_order_of_the_kept(on_mosquitto[name]), (name, doings)
    assert sum(map(len, in_memory.values())) > 0
