"""What a phone's screen shows now, and how it is kept fresh."""

import asyncio
from collections.abc import AsyncGenerator, Callable
from pathlib import Path

from starlette.responses import PlainTextResponse, Response

from controller.bus.topics import Topics
from controller.clock import Clock
from controller.guard.hand import LONGEST_ON_S
from controller.phone.chart import Chart, chart_of
from controller.phone.events import EventStream, event
from controller.phone.figures import figures_of
from controller.phone.forms import Forms
from controller.phone.history import NOTHING, Ledger, history_of, ledger_of
from controller.phone.orders import hours_to_choose
from controller.phone.page import Page, Said
from controller.phone.picture import STALE_AFTER_S, Picture, picture_of
from controller.phone.watch import Watch
from controller.phone.work import WordView, standing_words
from controller.site.model import Site

# Phones that watch at the same time, each for some 100 kB; one more is told to come back, and its page renews
# itself instead.
MOST_STREAMS = 20
# A stream looks for news this often, says that it lives this often, and ends after this long [s of the wall].
LOOK_EVERY_S = 0.5
PING_EVERY_S = 5.0
STREAM_FOR_S = 900.0
# A new picture is drawn at most this often, and the journal read at most this often [s of the wall].
DRAW_EVERY_S = 1.0
READ_EVERY_S = 20.0
LEDGER_EVERY_S = 600.0


class Screen:
    """What is shown.

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
        self.topics = Topics(site.name)
        self.page = Page(site)
        self.figures = figures_of(site)
        self._journal = journal
        self._history = NOTHING
        self._history_due_s = float("-inf")
        self._ledger: Ledger | None = None
        self._ledger_due_s = float("-inf")
        self._reading = asyncio.Lock()
        self.streams = 0
        self.asks_password = False
        self.can_be_installed = False

    async def renew(self) -> None:
        """Read the journal again if it is time; off the event loop, for a disk may stall."""
        loop = asyncio.get_running_loop()
        if self._reading.locked() or loop.time() < self._history_due_s:
            return
        async with self._reading:
            now = self.clock.utc()
            self._history = await asyncio.to_thread(history_of, self._journal, self.site, now)
            faster = max(1.0, min(self.clock.pace, 20.0))
            self._history_due_s = loop.time() + READ_EVERY_S / faster
            if loop.time() >= self._ledger_due_s:
                self._ledger = await asyncio.to_thread(ledger_of, self._journal, self.site, now)
                self._ledger_due_s = loop.time() + LEDGER_EVERY_S / faster

    def look(self) -> tuple[Picture, Chart | None]:
        """Return what is to be shown now."""
        heard, now = self.watch.heard, self.clock.utc()
        age_s = heard.age_s(self.clock)
        picture = picture_of(self.site, heard.status, self._history, self.figures, now, age_s, self._ledger)
        coming = heard.status.coming if heard.status else None
        return picture, chart_of(self.site, self._history, coming, self.figures, now)

    def words(self) -> tuple[WordView, ...]:
        """Return what people said was done and still stands."""
        status = self.watch.heard.status
        confirmed = status.confirmed if status else ()
        return standing_words(confirmed, self.site, self.figures, self.clock.utc())

    def whole(self, token: str, said: Said | None) -> str:
        """Return the whole page for the holder of a form token."""
        return self.page.whole(
            *self.look(),
            self._forms(token),
            said,
            log_out=self.asks_password,
            installed=self.can_be_installed,
        )

    def kept(self) -> str:
        """Return what a phone may keep of it."""
        picture, _ = self.look()
        return self.page.kept(picture, self.watch.heard.age_s(self.clock))

    def _part(self, token: str) -> str:
        return self.page.look(*self.look(), self._forms(token))

    def _forms(self, token: str) -> Forms:
        return Forms(token=token, hours=hours_to_choose(self.clock.utc(), self.figures, LONGEST_ON_S))

    def stream(self, token: str, still: Callable[[], bool]) -> Response:
        """Answer with the changing part, again and again, while ``still`` says that its reader may look.

        Server-sent events, WHATWG HTML section 9.2.
        """
        if self.streams >= MOST_STREAMS:
            return PlainTextResponse("", 503, headers={"retry-after": "60"})
        return EventStream(self._events(token, still))

    async def _events(self, token: str, still: Callable[[], bool]) -> AsyncGenerator[str, None]:
        self.streams += 1
        try:
            loop = asyncio.get_running_loop()
            ends_s, drawn_s, said_s = loop.time() + STREAM_FOR_S, float("-inf"), float("-inf")
            shown: tuple[int, bool] | None = None
            yield "retry: 3000\n\n"
            while loop.time() < ends_s and still():
                heard = self.watch.heard
                news = (heard.number, heard.age_s(self.clock) > STALE_AFTER_S)
                if news != shown and loop.time() - drawn_s >= DRAW_EVERY_S:
                    shown, drawn_s = news, loop.time()
                    await self.renew()
                    yield event("look", {"html": self._part(token)})
                    said_s = loop.time()
                elif loop.time() - said_s >= PING_EVERY_S:
                    said_s = loop.time()
                    yield event("ping", {"heard": self.look()[0].heard})
                await asyncio.sleep(LOOK_EVERY_S)
        finally:
            self.streams -= 1
