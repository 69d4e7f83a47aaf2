"""Listening to one probe, against a real broker."""

import json
import threading
import time

import pytest

from controller.bus.listen import hear_probe
from controller.errors import BrokerError


@pytest.mark.broker
def test_a_probe_is_heard_and_old_or_empty_words_are_passed_over(mosquitto, client, curlew_yard):
    site = curlew_yard.model_copy(
        update={"broker": curlew_yard.broker.model_copy(update={"port": mosquitto.port})}
    )
    probe = next(each for each in site.probes if each.name == "air-lemon")
    board = client(mosquitto)
    topic = f"rimeward/1/{site.name}/probe/air-lemon"
    board.publish(topic, json.dumps({"temp_c": 9.0}).encode(), retain=True)
    stop = threading.Event()

    def talk():
        while not stop.wait(0.05):
            for payload in (b"{}", b'{"temp_c": null}', b'{"temp_c": 0.25}'):
                board.publish(topic, payload)

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        heard = hear_probe(site, probe, 30.0)
        first, second = next(heard), next(heard)
        heard.close()
    finally:
        stop.set()
        talker.join()
    assert [temp_c for _, temp_c in (first, second)] == [0.25, 0.25]
    assert first[0] <= second[0] <= time.monotonic()


def test_without_a_broker_it_ends_and_says_so(curlew_yard):
    site = curlew_yard.model_copy(update={"broker": curlew_yard.broker.model_copy(update={"port": 1})})
    with pytest.raises(BrokerError, match="min have passed; the broker: "):
        next(hear_probe(site, site.probes[0], 0.2))
