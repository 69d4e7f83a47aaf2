"""Asking the guard something over the bus and waiting for its answer, for a command."""

import secrets
import time
from collections.abc import Callable
from datetime import datetime
from queue import Empty, SimpleQueue

from controller.bus.messages import LARGEST_STATUS_BYTES, AnswerPayload, HandPayload, StatusPayload, read
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.errors import OrderError
from controller.site.model import Site

# How long the status, which comes every 30 s or is retained, and the answer are waited for [s].
STATUS_WITHIN_S = 35.0
ANSWER_S = 10.0


def order_by_hand(site: Site, wish_at: Callable[[datetime], HandPayload]) -> tuple[str, AnswerPayload]:
    """Send an order and return its id and what the guard answers.

    ``wish_at`` makes the order, given the time on the guard's own clock.  It is sent with the version after
    the last for its target, as the status shows it: so an order that somebody else gives meanwhile is not
    overwritten unseen.

    Raises
    ------
    OrderError
        No answer came: whether it was taken is not known.
    """
    topics, number, heard = Topics(site.name), secrets.token_hex(8), SimpleQueue[Message]()
    answer_topic = topics.answer(number)
    transport = MqttTransport(
        site.broker,
        f"{site.name}-hand-{number[:6]}",
        (answer_topic, topics.status),
        heard.put,
        protocol=site.broker.protocol,
        largest_payload_bytes=LARGEST_STATUS_BYTES,
    )
    transport.start()
    try:
        shown = _next(heard, topics.status, STATUS_WITHIN_S)
        if shown is None:
            raise OrderError(
                f"no status came within {STATUS_WITHIN_S:.0f} s, so nothing was ordered "
                f"(broker: {transport.trouble or 'connected'}); see that broker and controller run"
            )
        status = read(StatusPayload, shown.payload)
        wish = wish_at(status.at)
        versioned = wish.model_copy(update={"version": _version(status, wish) + 1})
        transport.publish(topics.hand(number), versioned.to_json())
        answer = _next(heard, answer_topic, ANSWER_S)
        if answer is None:
            raise OrderError(
                f"no answer came within {ANSWER_S:.0f} s: whether it was taken is not known. See the page, "
                "and that the controller runs"
            )
        return number, read(AnswerPayload, answer.payload)
    finally:
        transport.close()


def _next(heard: "SimpleQueue[Message]", topic: str, wait_s: float) -> Message | None:
    end_s = time.monotonic() + wait_s
    while (left_s := end_s - time.monotonic()) > 0.0:
        try:
            message = heard.get(timeout=left_s)
        except Empty:
            return None
        if message.topic == topic:
            return message
    return None


def _version(status: StatusPayload, wish: HandPayload) -> int:
    """Return the version of the last order for the same target; 0 if there was none."""
    kind, name = ("tree", wish.tree) if wish.tree else ("vent", wish.vent) if wish.vent else ("all", "all")
    return status.versions.get(f"{kind}/{name}", 0)
