"""Ten thousand malformed payloads on every payload model, on a board, and through a real broker."""

import json

import pytest

from controller.bus import messages
from controller.bus.board import BoardContract, Refusal
from controller.bus.layouts import read_probe
from controller.bus.messages import LARGEST_INTEGER, LARGEST_PAYLOAD_BYTES, LeasePayload, Payload, read
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import MessageError
from tests.bus.conftest import until

TOPICS = Topics("curlew-yard")
HEATERS = ("1", "2", "3")
EVERY_MODEL = [
    model
    for model in vars(messages).values()
    if isinstance(model, type) and issubclass(model, Payload) and model is not Payload
]


def outcome(reading, *args):
    """Return what a reader makes of a payload: a value, or None where it says what is wrong."""
    try:
        return reading(*args)
    except MessageError:
        return None


@pytest.mark.parametrize("model", EVERY_MODEL)
def test_every_model_reads_or_says_what_is_wrong(model, malformed):
    read_ones = [payload for payload in malformed if outcome(read, model, payload) is not None]
    assert len(read_ones) < len(malformed) / 10
    # What was read is JSON for an independent reader too, and small.
    for payload in read_ones:
        assert isinstance(json.loads(payload), dict)
        assert len(payload) <= model.largest_bytes


@pytest.mark.parametrize("pointer", [None, "", "/temp_c", "/0", "/a/0"])
def test_every_layout_reads_a_finite_number_or_says_what_is_wrong(pointer, malformed):
    readings = [outcome(read_probe, payload, pointer) for payload in malformed]
    temps_c = [reading.temp_c for reading in readings if reading is not None]
    assert all(temp_c is None or abs(temp_c) < float("inf") for temp_c in temps_c)
    assert len(temps_c) < len(malformed) / 3


def is_sound_lease(payload):
    """Say, without the code under test, whether a payload is a lease for a board started as 'b1'."""
    try:
        lease = json.loads(payload)
        names = [*lease.get("off", []), *lease.get("vent", [])]
        return (
            set(lease) <= {"session", "boot", "seq", "ttl_s", "echo_uptime_s", "off", "vent"}
            and lease["boot"] == "b1"
            and isinstance(lease["session"], str)
            and type(lease["seq"]) is int
            and 1 <= lease["seq"] < 2**53
            and 0 < lease["ttl_s"] <= 300
            and all(isinstance(name, str) for name in names)
        )
    except (ValueError, RecursionError, AttributeError, KeyError, TypeError):
        return False


def test_no_heater_of_a_board_rests_because_of_one(malformed):
    refused = 0
    for payload in malformed:
        board = BoardContract("east", HEATERS, ("fan",), "b1", minimum_on_s=0.0)
        refusal = board.hear(Message("t", payload), 10.0)
        refused += refusal is not None
        if refusal is None:
            assert is_sound_lease(payload), payload
        else:
            assert refusal in {Refusal.GARBLED, Refusal.OTHER_BOOT, Refusal.OLD_ECHO}
            assert board.outputs(10.0) == HEATERS, payload
    assert refused > 9_000


def test_they_end_no_lease_that_stands_and_lengthen_none(malformed):
    board = BoardContract("east", HEATERS, (), "b1", minimum_on_s=0.0)
    lease = LeasePayload(session="s9", boot="b1", seq=LARGEST_INTEGER, ttl_s=300.0, off=("1",))
    board.hear(Message("t", lease.to_json()), 0.0)
    for payload in malformed:
        if not is_sound_lease(payload):
            board.hear(Message("t", payload), 100.0)
    assert board.outputs(299.9) == ("2", "3")
    assert board.outputs(300.0) == HEATERS


@pytest.mark.broker
def test_through_a_broker_they_end_no_thread(mosquitto, client, malformed):
    heard_by_board = []
    contract = BoardContract("east", HEATERS, (), "b1", minimum_on_s=0.0)

    def board(message):
        heard_by_board.append(message)
        if contract.hear(message, 10.0) is None:
            assert is_sound_lease(message.payload)

    lease_topic = TOPICS.lease("east")
    controller = client(mosquitto, "controller", TOPICS.heard_by_controller)
    east = client(mosquitto, "east", (lease_topic,), board)
    attacker = client(mosquitto, "attacker")
    topics = [lease_topic, TOPICS.probe("air-lemon"), TOPICS.echo("east"), TOPICS.hand("1")]
    small = [payload for payload in malformed if len(payload) <= LARGEST_PAYLOAD_BYTES]
    for number, payload in enumerate(small, start=1):
        for topic in topics:
            attacker.publish(topic, payload)
        if number % 200 == 0:
            until(lambda sent=number: len(heard_by_board) >= sent)
    until(lambda: len(controller.heard) == len(topics) * len(small))
    assert len(heard_by_board) == len(small)
    for transport in (controller, east, attacker):
        assert transport.thread_alive
        assert transport.connected
        assert transport.counts["errors"] == 0, transport.last_error
        assert transport.counts["backlog"] == 0
