"""Who may look and order: sessions, forms that came from this page, and how often one may try.

A change needs all of: a known host (the door), the method POST, a form body, an ``Origin`` that is this
page's own, a session, and the form's token of that session.
"""

import asyncio
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import Response

from controller.phone.door import LOOPBACK_NAMES
from controller.phone.rate import Rate
from controller.phone.store import IDLE_S, Session, Store, is_password
from controller.phone.words import say

COOKIE = "rimeward"
FORM_TYPE = "application/x-www-form-urlencoded"
BODY_WITHIN_S = 10.0
MOST_FIELDS = 20
LONGEST_WHO = 40
# Passwords: five tries a minute for an address and twenty for all together, but those on this machine itself
# are never shut out by others.
LOGINS_A_MINUTE, LOGINS_TOGETHER = 5, 20
ORDERS_A_MINUTE = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How often one may try [1/min]: passwords from one address and from all, and orders of a session."""

    logins: int = LOGINS_A_MINUTE
    logins_together: int = LOGINS_TOGETHER
    orders: int = ORDERS_A_MINUTE


LIMITS = Limits()
# Passwords checked at the same time; each takes 16 MiB for a quarter of a second.
CHECKED_TOGETHER = 2


class RefusedError(Exception):
    """A request is not let in; the text says why."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class Access:
    """Lets people in.

    Parameters
    ----------
    store
        The page's own memory.
    secure
        Whether the page is served by TLS, so that the cookie may never travel without.
    limits
        How often one may try.
    """

    def __init__(self, store: Store, *, secure: bool, limits: Limits = LIMITS) -> None:
        self.store, self.secure = store, secure
        apart = frozenset(LOOPBACK_NAMES)
        self._logins = Rate(limits.logins, 60.0, limits.logins_together, apart)
        self._orders = Rate(limits.orders, 60.0)
        self._checking = asyncio.Semaphore(CHECKED_TOGETHER)

    def session(self, request: Request) -> Session | None:
        """Return who asks; without a password, anybody who can reach this machine's own address."""
        token = request.cookies.get(COOKIE, "")
        if self.store.has_password:
            return self.store.session(token, time.time()) if token else None
        known = 20 <= len(token) <= 100 and token.isascii()
        return Session(token if known else secrets.token_urlsafe(32), say("this-machine"))

    def is_in(self, session: Session) -> bool:
        """Tell whether a session has not been ended since."""
        store = self.store
        return not store.has_password or store.session(session.token, time.time()) is not None

    def remember(self, response: Response, session: Session) -> None:
        """Give a browser its session."""
        response.set_cookie(
            COOKIE,
            session.token,
            max_age=int(IDLE_S),
            httponly=True,
            samesite="strict",
            secure=self.secure,
        )

    async def form(self, request: Request, session: Session) -> Mapping[str, str]:
        """Return a form that came from this page and this session; raise ``RefusedError`` for any other."""
        form = await self.own_form(request)
        self.check(form.get("form", ""), session)
        return form

    def check(self, token: str, session: Session) -> None:
        """Raise ``RefusedError`` unless a form token is this session's, and not too often used."""
        if not self.store.is_form_token(token, session.token):
            raise RefusedError(403, say("refused-form"))
        self.count(session.token)

    def count(self, of: str) -> None:
        """Count what a session or a link changes; raise ``RefusedError`` if that is too often."""
        if not self._orders.allows(of, time.monotonic()):
            raise RefusedError(429, say("refused-often"))

    async def own_form(self, request: Request) -> Mapping[str, str]:
        """Return a form sent from this page's own origin."""
        if not is_own_origin(request):
            raise RefusedError(403, say("refused-origin"))
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM_TYPE:
            raise RefusedError(415, say("refused-kind"))
        body = await self.body(request)
        try:
            fields = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS)
        except ValueError:  # bytes that are no UTF-8, or too many fields
            raise RefusedError(400, say("refused-kind")) from None
        return {name: values[0] for name, values in fields.items()}

    @staticmethod
    async def body(request: Request) -> bytes:
        """Return a request's body; raise ``RefusedError`` if it does not arrive in time."""
        try:
            async with asyncio.timeout(BODY_WITHIN_S):
                return await request.body()
        except TimeoutError:
            raise RefusedError(408, say("refused-slow")) from None

    async def log_in(self, request: Request) -> Session:
        """Return a new session for whoever knows the password, by the form of the page."""
        form = await self.own_form(request)
        return await self.let_in(request, form.get("who", ""), form.get("password", ""))

    async def let_in(self, request: Request, who: str, password: str) -> Session:
        """Return a new session for whoever knows the password; raise ``RefusedError`` for others."""
        address = address_of(request)
        who = " ".join(who.split())[:LONGEST_WHO] or say("somebody")
        if not self._logins.allows(address, time.monotonic()):
            raise RefusedError(429, say("refused-tries"))
        async with self._checking:
            kept = self.store.kept_password
            right = await asyncio.to_thread(is_password, kept, password)
        self.store.note(time.time(), who, address, "log in", "let in" if right else "refused")
        if not right:
            raise RefusedError(403, say("refused-password"))
        return self.store.begin(who, time.time())


def address_of(request: Request) -> str:
    """Return where a request came from."""
    return request.client.host if request.client else ""


def is_own_origin(request: Request) -> bool:
    """Tell whether the browser says that the form was shown by this very page (RFC 6454).

    Every browser of the last years sends ``Origin`` with a POST; what does not is refused.
    """
    origin = request.headers.get("origin", "")
    return origin in {f"{scheme}://{request.headers.get('host', '')}" for scheme in ("http", "https")}
