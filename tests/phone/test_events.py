"""The stream of events, at the level of ASGI."""

import asyncio
import json

import pytest

from controller.phone.events import EventStream, event


async def two(left):
    try:
        yield event("look", {"html": "a\nb"})
        await asyncio.sleep(3600)
        yield event("look", {})
    finally:
        left.append("left")


async def broken():
    yield event("look", {})
    raise ZeroDivisionError


def play(events, *, disconnects):
    """Play a stream against a reader that hangs up after the first piece, or never."""
    sent = []

    async def run():
        told = asyncio.Event()

        async def receive():
            await told.wait()
            return {"type": "http.disconnect"}

        async def send(message):
            sent.append(message)
            if message.get("body") and disconnects:
                told.set()

        await asyncio.wait_for(EventStream(events)({}, receive, send), 5.0)

    asyncio.run(run())
    return sent


def test_the_data_of_an_event_is_one_line_of_json():
    name, data, *rest = event("look", {"html": "a\nb", "temp": "−4 °C"}).split("\n")
    assert (name, rest) == ("event: look", ["", ""])
    assert json.loads(data.removeprefix("data: ")) == {"html": "a\nb", "temp": "−4 °C"}


def test_a_reader_who_hangs_up_frees_their_place_at_once():
    left = []
    start, first = play(two(left), disconnects=True)
    assert dict(start["headers"]) == {b"content-type": b"text/event-stream; charset=utf-8"}
    assert first["body"].startswith(b"event: look")
    assert left == ["left"]


def test_a_fault_in_making_an_event_is_not_swallowed():
    with pytest.raises(ZeroDivisionError):
        play(broken(), disconnects=False)
