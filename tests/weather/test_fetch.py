"""The bounded fetch against real sockets: what a mocked adapter cannot show."""

import gzip
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

import pytest

from controller.errors import FetchError, Retry
from controller.weather import fetch as module
from controller.weather.fetch import MAX_BYTES, fetch, parse_json, user_agent

Talk = Callable[[socket.socket, threading.Event], None]


class Server:
    """A server on loopback that reads one request a connection and then does as it is told."""

    def __init__(self, talk: Talk) -> None:
        self.talk, self.over, self.requests = talk, threading.Event(), []
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self.socket.getsockname()[1]}/v1/forecast"
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self.socket.accept()
                threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, suppress(OSError):
            connection.settimeout(20)
            self.requests.append(connection.recv(65536).decode(errors="replace"))
            self.talk(connection, self.over)

    def close(self) -> None:
        self.over.set()
        self.socket.close()


@pytest.fixture
def serve() -> Iterator[Callable[[Talk], Server]]:
    servers: list[Server] = []

    def start(talk: Talk) -> Server:
        servers.append(Server(talk))
        return servers[-1]

    yield start
    for server in servers:
        server.close()
    ends_s = time.monotonic() + 10.0
    while +module._hung and time.monotonic() < ends_s:
        time.sleep(0.01)


def says(body: bytes, *, status: str = "200 OK", kind: str = "application/json", more: str = "") -> Talk:
    head = f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n{more}\r\n".encode()
    return lambda connection, _: connection.sendall(head + body)


def test_a_good_answer_arrives(serve):
    server = serve(says(b'{"a": [1, 2.5, null]}'))
    answer = fetch(server.url, {"q": "1"}, headers={"User-Agent": user_agent("mailto:a@b.example")})
    assert answer.value == {"a": [1, 2.5, None]}
    assert server.requests[0].startswith("GET /v1/forecast?q=1 ")
    assert "Accept-Encoding: identity" in server.requests[0]
    assert "mailto:a@b.example" in server.requests[0]


def test_a_packed_answer_is_unpacked(serve):
    body = gzip.compress(b'{"a": 1}')
    assert fetch(serve(says(body, more="Content-Encoding: gzip\r\n")).url).value == {"a": 1}


def test_nothing_new_is_an_answer_without_a_document(serve):
    answer = fetch(serve(says(b"", status="304 Not Modified")).url)
    assert (answer.status, answer.value) == (304, None)


def _drip_body(connection, over):
    connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 5000\r\n\r\n")
    while not over.wait(0.02):
        connection.sendall(b" ")


def _drip_headers(connection, over):
    connection.sendall(b"HTTP/1.1 200 OK\r\n")
    while not over.wait(0.02):
        connection.sendall(b"X-A: b\r\n")


def _silence(_, over):
    over.wait(20)


@pytest.mark.parametrize("talk", [_drip_body, _drip_headers, _silence])
def test_the_deadline_bounds_the_whole_answer(serve, talk):
    begun_s = time.monotonic()
    with pytest.raises(FetchError, match=r"did not come in time|no answer in time"):
        fetch(serve(talk).url, deadline_s=0.4)
    assert time.monotonic() - begun_s < 5.0  # ten times the deadline: a hang would take twenty


def test_a_host_that_hangs_is_not_asked_for_ever(serve):
    server = serve(_drip_headers)
    for _ in range(module.MOST_HUNG):
        with pytest.raises(FetchError):
            fetch(server.url, deadline_s=0.1)
    with pytest.raises(FetchError, match="still hang"):
        fetch(server.url, deadline_s=0.1)
    assert len(server.requests) <= module.MOST_HUNG


def test_a_body_that_is_too_long_is_not_taken(serve):
    def pour(connection, over):
        connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n")
        sent = 0
        while not over.is_set() and sent < 50_000_000:
            connection.sendall(b" " * 65536)
            sent += 65536
        server.sent = sent

    server = serve(pour)
    with pytest.raises(FetchError, match=f"at most {MAX_BYTES} bytes"):
        fetch(server.url)


def test_a_small_body_that_unpacks_to_a_huge_one_is_not_taken(serve):
    bomb = gzip.compress(b" " * 20_000_000)
    assert len(bomb) < 50_000
    with pytest.raises(FetchError, match=f"at most {MAX_BYTES} bytes"):
        fetch(serve(says(bomb, more="Content-Encoding: gzip\r\n")).url)


@pytest.mark.parametrize(
    ("talk", "pattern"),
    [
        (says(b"<html>sign in</html>", kind="text/html"), "expected JSON, got 'text/html'.*sign-in page"),
        (says(b'{"a": NaN}'), "NaN is not JSON"),
        (says(b'{"a": -Infinity}'), "Infinity is not JSON"),
        (says(b'{"a": 1e400}'), "too large"),
        (says(b'{"a": ' + b"9" * 5000 + b"}"), "too large"),
        (says(b"[" * 100_000), "nested too deeply|Expecting value"),
        (says(b'{"a": [1, 2'), "not .*character"),
        (says(b'{"a": "\xff"}'), "not UTF-8"),
        (says(b""), "0 bytes"),
        (says(gzip.compress(b"{}")[:-9], more="Content-Encoding: gzip\r\n"), "broke off"),
        (says(b"no gzip", more="Content-Encoding: gzip\r\n"), "gzip body is damaged"),
        (says(b"{}", more="Content-Encoding: br\r\n"), "packed as 'br'"),
        (lambda c, _: c.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{"), "broke off"),
        (lambda c, _: c.sendall(b"\x00\xff nonsense\r\n\r\n"), "broke off|no connection|no answer"),
        (lambda *_: None, "no connection|broke off"),
    ],
)
def test_what_is_no_json_document_is_refused_and_named(serve, talk, pattern):
    with pytest.raises(FetchError, match=pattern) as caught:
        fetch(serve(talk).url)
    assert caught.value.retry is Retry.SOON


@pytest.mark.parametrize(
    ("status", "body", "more", "pattern", "retry"),
    [
        ("302 Found", b"", "Location: http://other.example/\r\n", "other.example.*not", Retry.WHEN_MENDED),
        ("429 Slow", b'{"reason": "Hourly"}', "Retry-After: 99999999\r\n", "Hourly", Retry.NEXT_HOUR),
        ("429 Too Many", b"", "", "asked too often", Retry.NEXT_DAY),
        ("403 Forbidden", b"no", "", "key_file and contact", Retry.WHEN_MENDED),
        ("404 Not Found", b'{"detail": "No grid"}', "", "No grid.*base_url", Retry.WHEN_MENDED),
        ("500 Oops", b'{"hourly": {}}', "", "in trouble", Retry.SOON),
        ("503 Busy", b'{"title": "Forecast Grid Expired"}', "", "Forecast Grid Expired", Retry.SOON),
    ],
)  # fmt: skip
def test_a_status_that_carries_no_forecast_says_when_to_ask_again(serve, status, body, more, pattern, retry):
    server = serve(says(body, status=status, more=more))
    with pytest.raises(FetchError, match=pattern) as caught:
        fetch(server.url)
    assert caught.value.retry is retry
    assert len(server.requests) == 1


def test_errors_name_no_key(serve):
    server = serve(lambda *_: None)
    with pytest.raises(FetchError) as caught:
        fetch(server.url, {"apikey": "s3cret"})
    assert "s3cret" not in str(caught.value)


def test_a_closed_port_is_plain():
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    with pytest.raises(FetchError, match="no connection"):
        fetch(f"http://127.0.0.1:{port}/x")


def test_proxies_of_the_environment_are_not_used(serve, monkeypatch):
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:9")
    assert fetch(serve(says(b"{}")).url).value == {}


def test_foreign_text_is_made_harmless_in_an_error(serve):
    body = b'{"reason": "' + b"\\u001b[31m" * 100 + b'"}'
    with pytest.raises(FetchError) as caught:
        fetch(serve(says(body, status="400 Bad Request")).url)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400


def test_a_good_document_parses_as_the_standard_library_has_it():
    text = '{"a": [1, -2.5e3, null, true, "°C"], "b": {}}'
    assert parse_json(text.encode()) == json.loads(text)
