"""A forecast service on loopback: the answers of ``forecast_body`` over HTTP, well sent or badly."""

import gzip
import json
import threading
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlsplit

from controller.site.model import Place
from simulator.forecast_body import (
    HOUR_S,
    RUN_EVERY_S,
    SERVED_AFTER_S,
    WRONG_BODIES,
    BadQueryError,
    Query,
    forecast_body,
    latest_run,
)
from simulator.night import ForecastFault
from simulator.sky import Sky

_JSON = "application/json; charset=utf-8"
# Pause between the bytes of a dripping answer [s].
DRIP_S = 0.2

# Ways to fail, each with what a client sees.
FAULTS: dict[str, str] = {
    "bad-gateway": "502 with a page of HTML",
    "overloaded": "503 with a reason",
    "too-many-this-minute": "429, to be tried again in a minute",
    "too-many-today": "429, to be tried again tomorrow",
    "bad-request": "400 with a reason",
    "redirect": "302 to another address",
    "web-page": "200 with a page of HTML",
    "drip": "a body that comes byte by byte",
    "cut-short": "half a body, then the connection ends",
    "broken-stream": "200, and in mid-body the text of an error",
    "not-a-number": "200 with a bare nan in the body",
    "huge": "a body of 20 MB",
    "squeezed": "a body in gzip although none was asked for",
    "in-a-list": "a list of places instead of one",
    **WRONG_BODIES,
}


_PLAIN: dict[str, tuple[int, str, bytes]] = {
    "bad-gateway": (
        502,
        "text/html",
        b"<html><head><title>502 Bad Gateway</title></head><body></body></html>",
    ),
    "overloaded": (503, _JSON, b'{"reason":"The service is overloaded","error":true}'),
    "too-many-this-minute": (
        429,
        _JSON,
        b'{"reason":"Minutely API request limit exceeded. Please try again in one minute.","error":true}',
    ),
    "too-many-today": (
        429,
        _JSON,
        b'{"reason":"Daily API request limit exceeded. Please try again tomorrow.","error":true}',
    ),
    "bad-request": (400, _JSON, b'{"error":true,"reason":"Invalid request"}'),
    "redirect": (302, "text/plain", b""),
    "web-page": (200, "text/html", b"<html><body>Please log in</body></html>"),
}


class ForecastServer:
    """The service on a free port of 127.0.0.1, from ``with`` to the end of its block.

    Parameters
    ----------
    sky, place, fault, seed
        See ``forecast_body``.
    now : callable
        What the rehearsal's clock shows.

    Attributes
    ----------
    faults : set of str
        How it fails at present; names of ``FAULTS``, to be changed at any time.
    requests : int
        How many requests came.
    """

    def __init__(
        self, sky: Sky, place: Place, fault: ForecastFault, seed: int, *, now: Callable[[], datetime]
    ) -> None:
        self.faults: set[str] = set()
        self.requests = 0
        self.stopping = threading.Event()
        self._truth = (sky, place, fault, seed)
        self._now = now
        self._http = _Http(self)
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.05,), name="forecast-server")

    @property
    def url(self) -> str:
        """Base address, to be used as a service's ``base_url``."""
        return f"http://127.0.0.1:{self._http.server_address[1]}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stopping.set()
        self._http.shutdown()
        self._http.server_close()
        self._thread.join(5.0)

    def answer(self, path: str, query: str) -> tuple[int, dict[str, Any]]:
        """Return status and body of a sound answer."""
        if path.startswith("/data/") and path.endswith("/static/meta.json"):
            return 200, self._meta()
        if path != "/v1/forecast":
            return 404, {"error": True, "reason": "Not Found"}
        try:
            return 200, forecast_body(*self._truth, self._now(), Query.of(query), self.faults)
        except BadQueryError as error:
            return 400, {"error": True, "reason": str(error)}

    def _meta(self) -> dict[str, int]:
        run = latest_run(self._now(), stalled="stale" in self.faults)
        ready = run + timedelta(seconds=SERVED_AFTER_S)
        return {
            "chunk_time_length": 72,
            "data_end_time": int((run + timedelta(days=7)).timestamp()),
            "last_run_availability_time": int(ready.timestamp()),
            "last_run_initialisation_time": int(run.timestamp()),
            "last_run_modification_time": int(ready.timestamp()),
            "temporal_resolution_seconds": int(HOUR_S),
            "update_interval_seconds": int(RUN_EVERY_S),
        }


class _Http(ThreadingHTTPServer):
    """The socket side; ``service`` says what is to be answered."""

    daemon_threads = True

    def __init__(self, service: ForecastServer) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.service = service


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    timeout = 30
    server: _Http

    def do_GET(self) -> None:
        service = self.server.service
        service.requests += 1
        faults = frozenset(service.faults)
        plain = next((_PLAIN[name] for name in _PLAIN if name in faults), None)
        try:
            if plain is not None:
                self._send(*plain)
            else:
                self._send_forecast(faults)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True  # the client had enough

    def _send(self, status: int, kind: str, body: bytes, headers: Mapping[str, str] | None = None) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        if status == 302:
            self.send_header("Location", f"{self.server.service.url}/v1/elsewhere")
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _send_forecast(self, faults: frozenset[str]) -> None:
        url = urlsplit(self.path)
        status, answer = self.server.service.answer(url.path, url.query)
        said = [answer] if "in-a-list" in faults else answer
        body = json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode()
        if status != 200:
            self._send(status, _JSON, body)
        elif "squeezed" in faults:
            self._send(200, _JSON, gzip.compress(body), {"Content-Encoding": "gzip"})
        else:
            self._send_chunks(_garbled(body, faults), faults)

    def _send_chunks(self, body: bytes, faults: frozenset[str]) -> None:
        """Send a body as the service does, in chunks; or not to its end, or one byte at a time."""
        self.send_response(200)
        self.send_header("Content-Type", _JSON)
        self.send_header("Transfer-Encoding", "chunked")
        self.end_headers()
        if "cut-short" in faults:
            self._send_chunk(body[: len(body) // 2])
            self.close_connection = True
            return
        size = 1 if "drip" in faults else 65536
        for begin in range(0, len(body), size):
            if size == 1 and self.server.service.stopping.wait(DRIP_S):
                self.close_connection = True
                return
            self._send_chunk(body[begin : begin + size])
        self.wfile.write(b"0\r\n\r\n")

    def _send_chunk(self, part: bytes) -> None:
        self.wfile.write(b"%x\r\n%b\r\n" % (len(part), part))

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 (the library's name)
        """Say nothing: what was asked is in ``requests``."""


def _garbled(body: bytes, faults: frozenset[str]) -> bytes:
    """Spoil the text of an answer, as the faults have it."""
    if "broken-stream" in faults:
        return body[: len(body) // 2] + b"Unexpected error while streaming data: timeoutReached"
    if "not-a-number" in faults:
        return body.replace(b'"latitude":', b'"latitude":nan,"was":', 1)
    if "huge" in faults:
        return body[:-1] + b',"padding":"' + b"x" * 20_000_000 + b'"}'
    return body
