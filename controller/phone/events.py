"""Server-sent events (WHATWG HTML, section 9.2): one as text, and a response that goes on sending them."""

import asyncio
import json
from collections.abc import AsyncGenerator
from contextlib import suppress

from starlette.responses import Response
from starlette.types import Message, Receive, Scope, Send


def event(name: str, data: dict[str, object]) -> str:
    """Return one event; ``data`` goes as JSON, which holds no line end."""
    return f"event: {name}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n"


class EventStream(Response):
    """Sends events until there are no more or the reader has gone.

    Starlette's own streaming would load a second event-loop library for this alone, and each reader would
    hold a task group.
    """

    media_type = "text/event-stream"

    def __init__(self, events: AsyncGenerator[str, None]) -> None:
        super().__init__()
        del self.headers["content-length"]
        self._events = events

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send them; an error in making one is raised here."""
        del scope
        gone, sending = asyncio.create_task(_gone(receive)), asyncio.create_task(self._send_all(send))
        try:
            await asyncio.wait((gone, sending), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (gone, sending):
                task.cancel()
            await asyncio.wait((gone, sending))
            await self._events.aclose()
        if not sending.cancelled():
            sending.result()

    async def _send_all(self, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        with suppress(StopAsyncIteration):
            while True:  # no name holds what was sent: a whole picture for each reader, until the next
                await send(_piece(await anext(self._events)))
        await send({"type": "http.response.body", "body": b"", "more_body": False})


def _piece(text: str) -> Message:
    return {"type": "http.response.body", "body": text.encode(), "more_body": True}


async def _gone(receive: Receive) -> None:
    """Return when the reader has hung up."""
    while (await receive())["type"] != "http.disconnect":
        pass
