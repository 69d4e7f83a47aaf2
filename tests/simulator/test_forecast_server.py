import http.client
import json
import time
from datetime import UTC, datetime
from urllib.parse import urlsplit

import pytest

from simulator.forecast_body import USUAL_QUERY, forecast_body
from simulator.forecast_server import FAULTS, ForecastServer
from simulator.night import ForecastFault

NOW = datetime(2027, 1, 15, 16, 20, tzinfo=UTC)
USUAL = (
    "/v1/forecast?latitude=52.2&longitude=-6.4&hourly="
    + ",".join(USUAL_QUERY.hourly)
    + "&wind_speed_unit=ms&timeformat=unixtime&timezone=GMT&past_days=2&forecast_days=4"
)
FAULT = ForecastFault(bias_k=1.0, noise_k=0.5)


@pytest.fixture
def server(clear_sky, place):
    with ForecastServer(clear_sky, place, FAULT, 3, now=lambda: NOW) as running:
        yield running


def get(server, path=USUAL, headers=None):
    connection = http.client.HTTPConnection(urlsplit(server.url).netloc, timeout=5)
    try:
        connection.request("GET", path, headers=headers or {})
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read()
    finally:
        connection.close()


def test_over_http_it_says_what_the_function_says(server, clear_sky, place):
    status, headers, body = get(server)
    assert status == 200
    assert headers["Content-Type"].startswith("application/json")
    assert headers["Transfer-Encoding"] == "chunked"
    assert json.loads(body) == forecast_body(clear_sky, place, FAULT, 3, NOW)
    assert server.requests == 1


def test_it_listens_on_loopback_only(server):
    assert urlsplit(server.url).hostname == "127.0.0.1"


def test_bad_requests_and_unknown_places_are_answered_with_a_reason(server):
    for path, expected in (
        ("/v1/forecast?latitude=52&longitude=-6&hourly=warmth", 400),
        ("/v1/elsewhere", 404),
    ):
        status, _, body = get(server, path)
        assert status == expected
        assert json.loads(body)["error"] is True
        assert json.loads(body)["reason"]


def test_the_model_tells_how_old_its_run_is(server):
    status, _, body = get(server, "/data/dwd_icon/static/meta.json")
    meta = json.loads(body)
    assert status == 200
    assert meta["last_run_initialisation_time"] == datetime(2027, 1, 15, 12, tzinfo=UTC).timestamp()
    server.faults = {"stale"}
    stalled = json.loads(get(server, "/data/dwd_icon/static/meta.json")[2])
    assert meta["last_run_initialisation_time"] - stalled["last_run_initialisation_time"] == 48 * 3600


@pytest.mark.parametrize(
    ("fault", "expected_status", "says"),
    [
        ("bad-gateway", 502, b"<html>"),
        ("overloaded", 503, b"overloaded"),
        ("too-many-this-minute", 429, b"one minute"),
        ("too-many-today", 429, b"tomorrow"),
        ("bad-request", 400, b"reason"),
        ("redirect", 302, b""),
        ("web-page", 200, b"<html>"),
        ("not-a-number", 200, b'{"latitude":nan'),
        ("broken-stream", 200, b"Unexpected error while streaming data"),
        ("squeezed", 200, b"\x1f\x8b"),
        ("in-a-list", 200, b"[{"),
        ("wrong-units", 200, "°F".encode()),
        ("null-tail", 200, b"null,null]"),
    ],
)
def test_each_way_to_fail_looks_as_described(server, fault, expected_status, says):
    server.faults = {fault}
    status, _, body = get(server)
    assert status == expected_status
    assert says in body
    server.faults = set()
    assert get(server)[0] == 200


def test_half_an_answer_ends_in_the_middle(server):
    server.faults = {"cut-short"}
    with pytest.raises(http.client.IncompleteRead):
        get(server)


def test_a_huge_answer_is_huge(server):
    server.faults = {"huge"}
    assert len(get(server)[2]) > 20_000_000


def test_a_dripping_answer_drips_and_does_not_keep_the_server_from_stopping(clear_sky, place):
    begun_s = time.monotonic()
    with ForecastServer(clear_sky, place, FAULT, 3, now=lambda: NOW) as server:
        server.faults = {"drip"}
        connection = http.client.HTTPConnection(urlsplit(server.url).netloc, timeout=5)
        connection.request("GET", USUAL)
        answer = connection.getresponse()
        assert len(answer.read(2)) == 2
        server.stopping.set()
        with pytest.raises(http.client.IncompleteRead):
            answer.read()
        connection.close()
    assert time.monotonic() - begun_s < 5.0


@pytest.mark.parametrize("fault", sorted(set(FAULTS) - {"drip", "huge", "cut-short"}))
def test_no_fault_leaves_the_answer_as_it_was(server, fault):
    sound = get(server)
    server.faults = {fault}
    status, _, body = get(server)
    assert (status, body) != (sound[0], sound[2])


def test_a_client_that_leaves_in_the_middle_does_no_harm(server):
    server.faults = {"huge"}
    connection = http.client.HTTPConnection(urlsplit(server.url).netloc, timeout=5)
    connection.request("GET", USUAL)
    connection.getresponse().read(10)
    connection.sock.close() if connection.sock else None
    connection.close()
    server.faults = set()
    assert get(server)[0] == 200
