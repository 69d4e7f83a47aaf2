"""Listening to one probe for a while, for a command that a person waits for."""

import time
from collections.abc import Iterator
from queue import Empty, SimpleQueue

from controller.bus.layouts import read_probe
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import BrokerError, MessageError
from controller.site.model import Probe, Site


def hear_probe(site: Site, probe: Probe, wait_s: float) -> Iterator[tuple[float, float]]:
    """Yield when a probe was heard on the bus, on the monotonic clock, and its raw reading [°C].

    Old words that the broker kept, and readings without a number, are passed over.

    Raises
    ------
    BrokerError
        ``wait_s`` seconds have passed; the text says what is known of the broker.
    """
    heard: SimpleQueue[Message] = SimpleQueue()
    topic = probe.topic or Topics(site.name).probe(probe.name)
    transport = MqttTransport(
        site.broker, f"{site.name}-listener", (topic,), heard.put, protocol=site.broker.protocol
    )
    transport.start()
    end_s = time.monotonic() + wait_s
    try:
        while (left_s := end_s - time.monotonic()) > 0.0:
            try:
                message = heard.get(timeout=left_s)
                temp_c = None if message.retained else read_probe(message.payload, probe.pointer).temp_c
            except (Empty, MessageError):
                continue
            if temp_c is not None:
                yield time.monotonic(), temp_c
    finally:
        transport.close()
    raise BrokerError(
        f"{wait_s / 60:.0f} min have passed; the broker: {transport.trouble or 'connected'}; topic: {topic}"
    )
