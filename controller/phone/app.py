"""The page's routes."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from controller.clock import Clock
from controller.phone.chart import Chart, chart_of
from controller.phone.door import Door, headers_for
from controller.phone.figures import figures_of
from controller.phone.history import NOTHING, history_of
from controller.phone.page import Page
from controller.phone.picture import STALE_AFTER_S, Picture, picture_of
from controller.phone.watch import Watch
from controller.phone.words import say
from controller.site.model import Site

# Phones that watch at the same time; one more is told to come back, and its page renews itself instead.
MOST_STREAMS = 40
# A stream looks for news this often, says that it lives this often, and ends after this long [s of the wall].
LOOK_EVERY_S = 0.5
PING_EVERY_S = 5.0
STREAM_FOR_S = 900.0
# A new picture is drawn at most this often, and the journal read at most this often [s of the wall].
DRAW_EVERY_S = 1.0
READ_EVERY_S = 20.0


class Phone:
    """Everything the page needs.

    Parameters
    ----------
    site
        The site.
    watch
        What is heard on the bus.
    journal
        The journal's file; read only.
    clock
        The machine's clock, or a paced one in rehearsals.
    """

    def __init__(self, site: Site, watch: Watch, journal: Path, clock: Clock) -> None:
        self.site, self.watch, self.clock = site, watch, clock
        self.page = Page(site)
        self.figures = figures_of(site)
        self._journal = journal
        self._history = NOTHING
        self._history_due_s = float("-inf")
        self._reading = asyncio.Lock()
        self.streams = 0

    async def renew(self) -> None:
        """Read the journal again if it is time; off the event loop, for a disk may stall."""
        loop = asyncio.get_running_loop()
        if self._reading.locked() or loop.time() < self._history_due_s:
            return
        async with self._reading:
            now = self.clock.utc()
            self._history = await asyncio.to_thread(history_of, self._journal, self.site, now)
            self._history_due_s = loop.time() + READ_EVERY_S / max(1.0, min(self.clock.pace, 20.0))

    def look(self) -> tuple[Picture, Chart | None]:
        """Return what is to be shown now."""
        heard, now = self.watch.heard, self.clock.utc()
        age_s = heard.age_s(self.clock)
        picture = picture_of(self.site, heard.status, self._history, self.figures, now, age_s)
        coming = heard.status.coming if heard.status else None
        return picture, chart_of(self.site, self._history, coming, self.figures, now)

    async def show(self, _request: Request) -> Response:
        """Answer with the whole page."""
        await self.renew()
        return HTMLResponse(self.page.whole(*self.look()))

    async def stream(self, _request: Request) -> Response:
        """Answer with the changing part, again and again (server-sent events, WHATWG HTML section 9.2)."""
        if self.streams >= MOST_STREAMS:
            return PlainTextResponse("", 503, headers={"retry-after": "60"})
        return StreamingResponse(self._events(), media_type="text/event-stream")

    async def _events(self) -> AsyncIterator[str]:
        self.streams += 1
        try:
            loop = asyncio.get_running_loop()
            ends_s, drawn_s, said_s = loop.time() + STREAM_FOR_S, float("-inf"), float("-inf")
            shown: tuple[int, bool] | None = None
            yield "retry: 3000\n\n"
            while loop.time() < ends_s:
                heard = self.watch.heard
                news = (heard.number, heard.age_s(self.clock) > STALE_AFTER_S)
                if news != shown and loop.time() - drawn_s >= DRAW_EVERY_S:
                    shown, drawn_s = news, loop.time()
                    await self.renew()
                    yield _event("look", {"html": self.page.look(*self.look())})
                    said_s = loop.time()
                elif loop.time() - said_s >= PING_EVERY_S:
                    said_s = loop.time()
                    yield _event("ping", {"heard": self.look()[0].heard})
                await asyncio.sleep(LOOK_EVERY_S)
        finally:
            self.streams -= 1

    @staticmethod
    async def well(_request: Request) -> Response:
        """Answer that the page itself runs."""
        return PlainTextResponse("ok\n")

    @staticmethod
    async def icon(_request: Request) -> Response:
        """Answer that there is no icon, so that browsers report no fault."""
        return Response(status_code=204)


def _event(name: str, data: dict[str, object]) -> str:
    return f"event: {name}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n"


async def _refuse(_request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    text = {404: say("not-found"), 500: say("failed")}.get(status, f"{status}")
    headers = error.headers if isinstance(error, HTTPException) else None
    return PlainTextResponse(text, status, headers=headers)


def application(phone: Phone) -> ASGIApp:
    """Return the page as an ASGI application."""
    app = Starlette(
        routes=[
            Route("/", phone.show, methods=["GET"]),
            Route("/events", phone.stream, methods=["GET"]),
            Route("/well", phone.well, methods=["GET"]),
            Route("/favicon.ico", phone.icon, methods=["GET"]),
        ],
        exception_handlers={HTTPException: _refuse, 500: _refuse},
    )
    headers = headers_for(phone.page.style, phone.page.script)
    return Door(GZipMiddleware(app, minimum_size=500, compresslevel=6), phone.site.phone.names, headers)
