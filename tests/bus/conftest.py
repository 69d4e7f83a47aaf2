"""Real brokers for the contract's tests."""

import time

import pytest

from controller.bus.broker import find_mosquitto, start_broker
from controller.bus.mqtt import MqttTransport
from controller.site.model import Broker
from tests.bus.malformed import malformed_payloads

PROTOCOL = {"mosquitto": "5", "amqtt": "3.1.1"}


@pytest.fixture(scope="session")
def malformed():
    return malformed_payloads()


@pytest.fixture(params=["mosquitto", "amqtt"])
def broker(request, tmp_path):
    if request.param == "mosquitto" and find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with start_broker(tmp_path, kind=request.param) as running:
        yield running


@pytest.fixture
def mosquitto(tmp_path):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with start_broker(tmp_path, kind="mosquitto") as running:
        yield running


@pytest.fixture
def client():
    """Make clients of a broker; they are closed at the end."""
    made = []

    def make(broker, name="client", filters=(), listener=None, **more):
        heard = []
        transport = MqttTransport(
            Broker(host="127.0.0.1", port=broker.port),
            name,
            filters,
            listener or heard.append,
            protocol=PROTOCOL[broker.kind],
            **more,
        )
        transport.heard = heard
        transport._client.reconnect_delay_set(0.1, 0.2)  # the tests need not wait for manners
        transport.start()
        made.append(transport)
        until(lambda: transport.connected)
        return transport

    yield make
    for transport in made:
        transport.close()


def until(true, within_s=15.0):
    """Wait for something to become true."""
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s, "it did not come true in time"
        time.sleep(0.005)
