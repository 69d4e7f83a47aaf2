"""The routes that change something: logging in and out, and orders to the guard."""

import asyncio
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from controller.bus.messages import AnswerPayload
from controller.errors import PageError
from controller.phone.access import COOKIE, Access, RefusedError, address_of
from controller.phone.links import Link, read_link
from controller.phone.orders import OrderError, Wanted, consequence, in_words, wanted_from
from controller.phone.screen import Said, Screen
from controller.phone.store import Session
from controller.phone.words import say

ANSWER_WITHIN_S = 4.0
ANSWER_EVERY_S = 0.05
MOST_SENT = 100


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an order: its id and the guard's answer, or the consequence to be agreed to first."""

    wanted: Wanted
    id: str = ""
    answer: AnswerPayload | None = None
    consequence: tuple[str, ...] = ()


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
        self._screen, self._access, self._publish = screen, access, publish
        self._sent: OrderedDict[str, Wanted] = OrderedDict()

    # ---- looking ---------------------------------------------------------------------------------------

    async def show(self, request: Request) -> Response:
        """Answer with the whole page, or ask who it is."""
        session = self._access.session(request)
        if session is None:
            return RedirectResponse("/login", 303)
        self._screen.asks_password = self._access.store.has_password
        await self._screen.renew()
        said = self._said(request.query_params.get("said", ""))
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

    # ---- orders ----------------------------------------------------------------------------------------

    async def order(self, request: Request) -> Response:
        """Pass an order to the guard and show its answer; one that keeps heat off is asked about first."""
        session, form = await self._form(request)
        outcome = await self.carry_out(request, session, form)
        if outcome.consequence:
            token = self._token(session)
            return HTMLResponse(self._screen.page.consent(outcome.wanted, outcome.consequence, token))
        return RedirectResponse(f"/?said={outcome.id}", 303)

    async def carry_out(self, request: Request, session: Session, form: Mapping[str, str]) -> Outcome:
        """Return what became of an order; raise ``RefusedError`` for what cannot be ordered.

        One that would keep heat off a tree is not sent before it was agreed to: its consequence is returned.
        """
        screen, now = self._screen, self._screen.clock.utc()
        try:
            wanted = wanted_from(form, screen.site, now)
        except OrderError as error:
            raise RefusedError(422, str(error)) from None
        if wanted.needs_consent:
            status = screen.watch.heard.status
            return Outcome(wanted, consequence=consequence(wanted, screen.site, status, screen.figures, now))
        order = secrets.token_hex(8)
        self._sent[order] = wanted
        while len(self._sent) > MOST_SENT:
            self._sent.popitem(last=False)
        self._publish(screen.topics.hand(order), wanted.payload(session.who).to_json())
        answer = await self._answer(order)
        what = f"{in_words(wanted.kind, wanted.name, wanted.position)} ({wanted.until:%Y-%m-%d %H:%M} UTC)"
        self._access.store.note(
            time.time(),
            session.who,
            address_of(request),
            what,
            "no answer"
            if answer is None
            else f"{'taken' if answer.accepted else 'refused'}: {answer.because}",
        )
        return Outcome(wanted, order, answer)

    # ---- one-tap links ---------------------------------------------------------------------------------

    async def show_link(self, request: Request) -> Response:
        """Answer with what a link is for; nothing is done yet."""
        text = request.path_params["link"]
        return HTMLResponse(self._screen.page.tap(self._link(text), text))

    async def use_link(self, request: Request) -> Response:
        """Order the heat that a link is for, once."""
        form = await self._access.own_form(request)
        link = self._link(form.get("link", ""))
        if not self._access.store.use(link.number, link.ends_s, time.time()):
            raise RefusedError(410, say("link-used"))
        until_s = self._screen.clock.utc().timestamp() + link.heat_s
        order = {"target": link.target, "order": "hand-on", "until": str(int(until_s))}
        outcome = await self.carry_out(request, Session("", link.who), order)
        said = self._said(outcome.id)
        assert said is not None, "it has just been sent"  # noqa: S101 (carry_out keeps it)
        return HTMLResponse(self._screen.page.tapped(said))

    def _link(self, text: str) -> Link:
        try:
            return read_link(self._access.store, text, time.time())
        except PageError as error:
            raise RefusedError(410, str(error)) from None

    async def _answer(self, order: str) -> AnswerPayload | None:
        for _ in range(round(ANSWER_WITHIN_S / ANSWER_EVERY_S)):
            if (answer := self._screen.watch.answer(order)) is not None:
                return answer
            await asyncio.sleep(ANSWER_EVERY_S)
        return None

    async def _form(self, request: Request) -> tuple[Session, dict[str, str]]:
        session = self._access.session(request)
        if session is None:
            raise RefusedError(403, say("refused-session"))
        return session, dict(await self._access.form(request, session))

    def _token(self, session: Session) -> str:
        return self._access.store.form_token(session.token)

    def _said(self, order: str) -> Said | None:
        """Return what became of an order, for the page that follows it."""
        wanted = self._sent.get(order)
        if wanted is None:
            return None
        now = self._screen.clock.utc()
        target = wanted.kind if wanted.kind == "all" else f"{wanted.kind}:{wanted.name}"
        words = in_words(wanted.kind, wanted.name, wanted.position)
        answer = self._screen.watch.answer(order)
        if answer is None:
            return Said("look", say("said-nothing", order=words), "", None)
        because = self._screen.figures.localised(answer.because, now)
        if not answer.accepted:
            return Said("go", say("said-no", order=words), because, None)
        undo = None if wanted.position == "auto" else target
        return Said("well", say("said-yes", order=words), because, undo)
