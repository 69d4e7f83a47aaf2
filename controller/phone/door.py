"""The door of the page: what no request passes without, whatever it asks for.

Only known host names (against DNS rebinding), bounded bodies, and headers under which a browser runs nothing
and frames nothing that did not come from here.
"""

import base64
import hashlib
from collections.abc import Iterable

from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from controller.phone.words import say

LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]")
LARGEST_BODY_BYTES = 16 * 1024


def source_of(text: str) -> str:
    """Return the CSP source that lets exactly this inline text through (CSP level 3, hash sources)."""
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"


def headers_for(style: str, *scripts: str) -> tuple[tuple[bytes, bytes], ...]:
    """Return the headers of every response; ``style`` and ``scripts`` are the only inline texts."""
    policy = "; ".join(
        (
            "default-src 'none'",
            f"style-src {source_of(style)}",
            f"script-src {' '.join(map(source_of, scripts))}",
            "connect-src 'self'",
            "img-src 'self'",
            "manifest-src 'self'",
            "worker-src 'self'",
            "form-action 'self'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
        )
    )
    named = {
        "content-security-policy": policy,
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        # "no-referrer" would make browsers send "Origin: null" with our own forms (Fetch standard)
        "referrer-policy": "same-origin",
        "permissions-policy": "camera=(), geolocation=(), microphone=()",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "cache-control": "no-store",
    }
    return tuple((name.encode(), value.encode()) for name, value in named.items())


class TooLargeError(HTTPException):
    """A body went on beyond the bound; an application that knows of such errors answers it itself."""

    def __init__(self) -> None:
        super().__init__(413)


class Door:
    """Wraps the page's application.

    Parameters
    ----------
    app
        The application.
    names
        The host names it may be called by, besides the loopback's own; a port is not looked at.
    headers
        Added to every response.
    """

    def __init__(self, app: ASGIApp, names: Iterable[str], headers: tuple[tuple[bytes, bytes], ...]) -> None:
        self._app = app
        self._names = frozenset(name.lower() for name in (*LOOPBACK_NAMES, *names))
        self._headers = headers

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        begun = False

        async def send_on(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                own = {name for name, _ in message.get("headers", ())}
                message["headers"] = [
                    *message.get("headers", ()),
                    *((name, value) for name, value in self._headers if name not in own),
                ]
            await send(message)

        if not self._is_known_host(scope):
            await PlainTextResponse(say("wrong-host"), 400)(scope, receive, send_on)
            return
        if _declared_bytes(scope) > LARGEST_BODY_BYTES:
            await PlainTextResponse(say("too-large"), 413)(scope, receive, send_on)
            return
        got_bytes = 0

        async def receive_on() -> Message:
            nonlocal got_bytes
            message = await receive()
            got_bytes += len(message.get("body", b""))
            if got_bytes > LARGEST_BODY_BYTES:
                raise TooLargeError
            return message

        try:
            await self._app(scope, receive_on, send_on)
        except TooLargeError:
            if not begun:
                await PlainTextResponse(say("too-large"), 413)(scope, receive, send_on)

    def _is_known_host(self, scope: Scope) -> bool:
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1:
            return False
        host = hosts[0].decode("latin-1").lower()
        name, colon, port = host.rpartition(":")
        if colon and not host.endswith("]"):
            return port.isdigit() and name in self._names
        return host in self._names


def _declared_bytes(scope: Scope) -> int:
    """Return the declared length; anything that is no plain number counts as too large."""
    for name, value in scope["headers"]:
        if name == b"content-length":
            return int(value) if value.isdigit() and len(value) < 10 else LARGEST_BODY_BYTES + 1
    return 0
