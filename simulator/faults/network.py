"""Faults between the clients: the broker, the lines to it, and what lies about on topics."""

import math
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager

from controller.bus.memory import MemoryClient
from controller.bus.messages import AlivePayload
from controller.bus.transport import Message
from simulator.faults.stage import Stage, injects, while_in

# What a broker that starts anew needs at the least, when nobody says how long it is gone [s].
BROKER_AWAY_S = 1800.0


@contextmanager
def cut_off(stage: Stage, *names: str) -> Iterator[None]:
    """Cut clients off the broker for a while; without names, everyone."""
    cut: list[MemoryClient] = [client for client in stage.bus.clients if client.name in names or not names]
    for client in cut:
        client.cut()
    try:
        yield
    finally:
        for client in cut:
            client.restore()


@injects("M02", "M21", "N15")
def broker_gone(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one)
    """Take the broker, or the network under it, from everyone, also from those who come anew."""
    gone: set[MemoryClient] = set()
    try:
        while True:
            newcomers = set(stage.bus.clients) - gone
            for client in sorted(newcomers, key=lambda each: each.name):
                client.cut()
            gone |= newcomers
            yield
    finally:
        for client in sorted(gone, key=lambda each: each.name):
            client.restore()


@injects("M01", usual_s=BROKER_AWAY_S)
def broker_gone_at_the_start(stage: Stage, target: str) -> Iterator[None]:
    """Start the controller while there is no broker."""
    stage.controller.end()
    stage.controller.start()
    yield from broker_gone(stage, target)


@injects("M03")
def broker_comes_and_goes(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one)
    """Take the broker away in every other period of the control loop."""
    while True:
        with cut_off(stage):
            yield
        yield


@injects("M14")
def name_taken(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one controller)
    """Let another client of the controller's name throw it out, again and again."""
    while True:
        with cut_off(stage, "controller"):
            yield
        yield


@injects("M04")
def broker_slow(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one)
    """Delay everything by five seconds each way."""
    slow = stage.bus.clients
    for client in slow:
        client.delay(5.0)
    try:
        while True:
            yield
    finally:
        for client in slow:
            client.delay(0.0)


@injects("M05", "M06", "M15")
def controller_cut_off(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (there is one controller)
    """Cut the controller off, or let the broker refuse it, for as long as this lasts."""
    with cut_off(stage, "controller"):
        while True:
            yield


@injects("M07")
def board_cut_off(stage: Stage, target: str) -> Iterator[None]:
    """Cut one board off."""
    with cut_off(stage, stage.board(target).name):
        while True:
            yield


@injects("M16")
def leases_dropped(stage: Stage, target: str) -> Iterator[None]:  # noqa: ARG001 (every board)
    """Let the broker take every lease and pass none on."""
    with ExitStack() as stack:
        for board in stage.world.boards.values():
            stack.enter_context(while_in(board.incoming, _nothing))
        while True:
            yield


@injects("M17", usual_s=1200.0)
def leases_late(stage: Stage, target: str) -> Iterator[None]:
    """Keep a board's leases back, and hand them all out at the end."""
    board = stage.board(target)
    kept: deque[Message] = deque(maxlen=1000)

    def keep(message: Message) -> Iterable[Message]:
        kept.append(message)
        return ()

    try:
        with while_in(board.incoming, keep):
            while True:
                yield
    finally:
        for message in kept:
            board.hear(message)


@injects("M18", usual_s=180.0)
def board_not_subscribed(stage: Stage, target: str) -> Iterator[None]:
    """Restart a board that speaks at once and hears only later."""
    board = stage.board(target)
    board.reboot()
    with while_in(board.incoming, _nothing):
        while True:
            yield


def _nothing(_: Message) -> Iterable[Message]:
    return ()


@injects("M12")
def huge_payloads(stage: Stage, target: str) -> Iterator[None]:
    """Send a megabyte as a reading and as an echo, once a minute."""
    topics = (stage.probe_topic(stage.probe(target))[1], stage.topics.echo(stage.board("").name))
    yield from _now_and_then(
        stage, [(topic, b'{"temp_c":8.0,"x":"' + b"x" * 1_000_000 + b'"}') for topic in topics]
    )


@injects("M13", usual_s=300.0)
def flood(stage: Stage, target: str) -> Iterator[None]:
    """Send a thousand messages in every period of the control loop, none of them sound."""
    topic = stage.probe_topic(stage.probe(target))[1]
    while True:
        for number in range(1000):
            stage.publish(topic, b'{"temp_c":"%d"}' % number)
        yield


@injects("M22")
def late_will(stage: Stage, target: str) -> Iterator[None]:
    """Restart a board and let the will of its earlier run arrive half a minute after its birth."""
    board = stage.board(target)
    will = AlivePayload(session=board.contract.boot, alive=False).to_json()
    board.reboot()
    begun_s = stage.now_s
    while stage.now_s - begun_s < 30.0:
        yield
    stage.publish(stage.topics.alive(board.name), will)


@injects("M23")
def will_retained(stage: Stage, target: str) -> Iterator[None]:
    """Keep a board's will for ever, and restart the controller."""
    board = stage.board(target)
    will = AlivePayload(session=board.contract.boot, alive=False).to_json()
    stage.publish(stage.topics.alive(board.name), will, retain=True)
    stage.controller.end()
    stage.controller.start()
    yield


def _now_and_then(stage: Stage, messages: Iterable[tuple[str, bytes]]) -> Iterator[None]:
    due_s = -math.inf
    while True:
        if stage.now_s >= due_s:
            due_s = stage.now_s + 60.0
            for topic, payload in messages:
                stage.publish(topic, payload)
        yield
