"""The routes that change something: logging in and out, orders to the guard, and what people say was done."""

import time
from collections.abc import Callable, Mapping
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from controller.links import Link, LinkError, read_link
from controller.phone.access import COOKIE, Access, RefusedError, address_of
from controller.phone.courier import By, Courier, Passed
from controller.phone.orders import OrderError, Wanted, consequence, wanted_from
from controller.phone.screen import Screen
from controller.phone.store import Session
from controller.phone.words import say
from controller.phone.work import Word, word_from


class Hand:
    """Everything that people may do here.

    Parameters
    ----------
    screen
        What is shown.
    access
        Who may.
    publish
        Sends a payload to the bus; whether it arrives is told by the guard's answer alone.
    """

    def __init__(self, screen: Screen, access: Access, publish: Callable[[str, bytes], None]) -> None:
        self._screen, self._access = screen, access
        self.courier = Courier(screen, access.store, publish)

    # ---- looking ---------------------------------------------------------------------------------------

    async def show(self, request: Request) -> Response:
        """Answer with the whole page, or ask who it is."""
        session = self._access.session(request)
        if session is None:
            return RedirectResponse("/login", 303)
        self._screen.asks_password = self._access.store.has_password
        self._screen.can_be_installed = self._access.secure
        await self._screen.renew()
        said = self.courier.said(request.query_params.get("said", ""))
        response = HTMLResponse(self._screen.whole(self._token(session), said))
        self._access.remember(response, session)
        return response

    async def stream(self, request: Request) -> Response:
        """Answer with the changing part of the page, again and again."""
        session = self._access.session(request)
        if session is None:
            raise RefusedError(401, say("refused-session"))

        def still() -> bool:
            return self._access.is_in(session)

        return self._screen.stream(self._token(session), still)

    # ---- coming and going ------------------------------------------------------------------------------

    async def ask(self, request: Request) -> Response:
        """Answer with the question who it is."""
        if self._access.session(request) is not None:
            return RedirectResponse("/", 303)
        return HTMLResponse(self._screen.page.login(""))

    async def log_in(self, request: Request) -> Response:
        """Let somebody in who knows the password."""
        if not self._access.store.has_password:
            return RedirectResponse("/", 303)
        try:
            session = await self._access.log_in(request)
        except RefusedError as refused:
            return HTMLResponse(self._screen.page.login(str(refused)), refused.status)
        response = RedirectResponse("/", 303)
        self._access.remember(response, session)
        return response

    async def log_out(self, request: Request) -> Response:
        """End this session, or all of them."""
        session, form = await self._form(request)
        if form.get("all") == "yes":
            self._access.store.end_all()
        else:
            self._access.store.end(session.token)
        response = RedirectResponse("/", 303)
        response.delete_cookie(COOKIE)
        return response

    # ---- orders and words ------------------------------------------------------------------------------

    async def order(self, request: Request) -> Response:
        """Pass an order to the guard and show its answer; one that keeps heat off is asked about first."""
        session, form = await self._form(request)
        wanted = self.wanted(form)
        if sentences := self.consequence(wanted):
            return HTMLResponse(self._screen.page.consent(wanted, sentences, self._token(session)))
        return _seen(await self.courier.order(wanted, by_whom(request, session)))

    async def confirm(self, request: Request) -> Response:
        """Pass on that something was done."""
        session, form = await self._form(request)
        return _seen(await self.courier.word(self.word(form), by_whom(request, session)))

    async def acknowledge(self, request: Request) -> Response:
        """Pass on that somebody has an alarm."""
        session, form = await self._form(request)
        return _seen(await self.acknowledged(form.get("key", ""), by_whom(request, session)))

    async def undo(self, request: Request) -> Response:
        """Let stand again what stood before an order or a word."""
        session, form = await self._form(request)
        return _seen(await self.undone(form.get("of", ""), by_whom(request, session)))

    def wanted(self, form: Mapping[str, str]) -> Wanted:
        """Return what a form orders; raise ``RefusedError`` for what cannot be ordered."""
        try:
            return wanted_from(form, self._screen.site, self._screen.clock.utc())
        except OrderError as error:
            raise RefusedError(422, str(error)) from None

    def consequence(self, wanted: Wanted) -> tuple[str, ...]:
        """Return what must be agreed to before an order is passed on; nothing for most."""
        if not wanted.needs_consent:
            return ()
        screen = self._screen
        status, now = screen.watch.heard.status, screen.clock.utc()
        return consequence(wanted, screen.site, status, screen.figures, now)

    def word(self, form: Mapping[str, str]) -> Word:
        """Return what a form says was done; raise ``RefusedError`` for nonsense."""
        try:
            return word_from(form, self._screen.site)
        except OrderError as error:
            raise RefusedError(422, str(error)) from None

    async def acknowledged(self, key: str, by: By) -> Passed:
        """Acknowledge an alarm, or all; raise ``RefusedError`` for one that does not stand."""
        try:
            return await self.courier.acknowledge(key, by)
        except OrderError as error:
            raise RefusedError(422, str(error)) from None

    async def undone(self, of: str, by: By) -> Passed:
        """Undo an order or a word; raise ``RefusedError`` for what cannot be undone."""
        try:
            return await self.courier.undo(of, by)
        except OrderError as error:
            raise RefusedError(422, str(error)) from None

    # ---- one-tap links ---------------------------------------------------------------------------------

    async def show_link(self, request: Request) -> Response:
        """Answer with what a link is for; nothing is done yet."""
        text = request.path_params["link"]
        return HTMLResponse(self._screen.page.tap(self._link(text), text))

    async def use_link(self, request: Request) -> Response:
        """Do what a link is for: order heat, or say that somebody has an alarm.

        It is used up by the guard's answer alone: an order that was lost on its way can be given again by the
        same link.  It is the same order each time, with the link's number for its id.
        """
        form = await self._access.own_form(request)
        text = form.get("link", "")
        link = self._link(text)
        self._access.count(link.number)
        by = by_whom(request, Session("", link.who))
        if link.alarm:
            passed = await self.acknowledged(link.alarm, by)
        else:
            until_s = self._screen.clock.utc().timestamp() + link.heat_s
            wanted = self.wanted({"target": link.target, "order": "hand-on", "until": str(int(until_s))})
            passed = await self.courier.order(wanted, by, number=link.number)
        if passed.answer is not None:
            self._access.store.use(link.number, link.ends_s, time.time())
        said = self.courier.said(passed.id)
        assert said is not None, "it has just been sent"  # noqa: S101 (the courier keeps it)
        return HTMLResponse(self._screen.page.tapped(said, text if passed.answer is None else ""))

    def _link(self, text: str) -> Link:
        try:
            link = read_link(self._access.store.link_key, text, time.time())
        except LinkError as error:
            raise RefusedError(410, say(f"link-{error.fault}")) from None
        if self._access.store.is_used(link.number):
            raise RefusedError(410, say("link-used"))
        return link

    async def _form(self, request: Request) -> tuple[Session, dict[str, str]]:
        session = self._access.session(request)
        if session is None:
            raise RefusedError(403, say("refused-session"))
        return session, dict(await self._access.form(request, session))

    def _token(self, session: Session) -> str:
        return self._access.store.form_token(session.token)


def by_whom(request: Request, session: Session) -> By:
    """Return who asks for something, and from where."""
    return By(session=session, address=address_of(request))


def _seen(passed: Passed) -> Response:
    """Lead back to the page, which says what became of it."""
    return RedirectResponse(f"/?said={quote(passed.id, safe='')}", 303)
