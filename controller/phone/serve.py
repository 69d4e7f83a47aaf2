"""The page's process: a bus client, a web server, and nothing the controller would miss."""

import asyncio
import ipaddress
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from controller.bus.messages import LARGEST_STATUS_BYTES
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.clock import Clock
from controller.errors import PageError
from controller.memory import give_back, stay_small
from controller.phone.access import Access
from controller.phone.app import application
from controller.phone.screen import Screen
from controller.phone.store import Store
from controller.phone.watch import Watch
from controller.site.model import Broker, Site

STORE_FILE = "phone.db"
# Who has not finished asking by then is hung up on: 400 sockets that never finish must not pile up.
PATIENCE_S = 10.0
# An open stream would otherwise keep a stopping server for ever.
STOP_WITHIN_S = 2


class ImpatientProtocol(H11Protocol):
    """HTTP/1.1 that hangs up on a connection which has not sent a whole request head in time."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        self._waited = False
        self._patience = self.loop.call_later(PATIENCE_S, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._patience.cancel()
        super().connection_lost(exc)

    def _look(self) -> None:
        cycle: RequestResponseCycle | None = self.cycle  # None before the first request
        waits = cycle is None or cycle.response_complete
        if waits and (cycle is None or self._waited):
            self.transport.close()
            return
        self._waited = waits
        self._patience = self.loop.call_later(PATIENCE_S, self._look)


def connect(site: Site, watch: Watch) -> MqttTransport:
    """Return the page's client of the bus, begun."""
    own = {"user": site.phone.user, "password_file": site.phone.password_file} if site.phone.user else {}
    broker = Broker.model_validate({**site.broker.model_dump(), **own})
    transport = MqttTransport(
        broker,
        f"{site.name}-phone",
        watch.filters,
        watch.hear,
        protocol=broker.protocol,
        largest_payload_bytes=LARGEST_STATUS_BYTES,
    )
    transport.start()
    return transport


def check_address(host: str, folder: Path, *, has_password: bool) -> None:
    """Raise ``PageError`` if the network can reach the address and no password is set in the state folder."""
    try:
        loopback = ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = host == "localhost"
    if not loopback and not has_password:
        raise PageError(
            f"--host {host} would let anybody on the network switch heaters, for no password is set in "
            f"{folder}. Set one with 'rimeward phone password' and the same --state, or serve the page on "
            "127.0.0.1"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the page listens, and by which certificate."""

    host: str
    port: int
    certificate: Path | None = None
    key: Path | None = None


def check_certificate(place: Place) -> None:
    """Raise ``PageError`` if the page could not be served by the certificate it is given.

    No header makes browsers insist on TLS from then on (RFC 6797): it would hold for every port of that name,
    and when the certificate of a yard's own authority ends, nobody could click past the warning at 3 am.
    """
    if place.certificate is None:
        if place.key is not None:
            raise PageError("--key without --certificate would serve plain HTTP; give both, or neither")
        return
    try:
        # asked for a password, a service would wait for ever: an empty one is refused
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(place.certificate, place.key, password="")
    except (OSError, ValueError) as error:  # ssl's own errors are OSErrors
        raise PageError(
            f"{place.certificate} and {place.key or 'the key in it'} cannot be used for TLS ({error}). "
            "Wanted are a certificate and its own private key in PEM, the key without a password"
        ) from error


def config(app: ASGIApp, place: Place) -> uvicorn.Config:
    """Return the server's settings."""
    settings: dict[str, Any] = {
        "host": place.host,
        "port": place.port,
        "ssl_certfile": place.certificate,
        "ssl_keyfile": place.key,
        "http": ImpatientProtocol,
        "ws": "none",
        "lifespan": "off",
        "proxy_headers": False,
        "server_header": False,
        "access_log": False,
        "log_level": "warning",
        "h11_max_incomplete_event_size": 16384,
        "timeout_keep_alive": 5,
        "timeout_graceful_shutdown": STOP_WITHIN_S,
        "backlog": 512,
    }
    return uvicorn.Config(app, **settings)


def serve(site: Site, folder: Path, clock: Clock, place: Place) -> None:
    """Serve a site's page until told to stop; ``folder`` holds the journal and the page's own memory."""
    stay_small()
    check_certificate(place)
    store = Store(folder / STORE_FILE)
    check_address(place.host, folder, has_password=store.has_password)
    watch = Watch(Topics(site.name), clock)
    transport = connect(site, watch)
    screen = Screen(site, watch, folder / "journal.db", clock)
    access = Access(store, secure=place.certificate is not None)
    try:
        app = application(screen, access, transport.publish, (place.host,))
        give_back()
        uvicorn.Server(config(app, place)).run()
    finally:
        transport.close()
        store.close()
