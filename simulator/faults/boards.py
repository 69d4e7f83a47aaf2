"""Faults of relay boards: their supply, their contacts, their timers and what they say of themselves."""

import json
import math
from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta

from controller.bus.messages import EchoPayload, LeasePayload
from controller.bus.transport import Message
from simulator.boards import ECHO_EVERY_S, Sent, SimBoard
from simulator.faults.network import cut_off
from simulator.faults.stage import Stage, injects, while_in

HOUR_S = 3600.0
Contacts = tuple[str, ...]
# What a relay does to the channels that are on, given the channel that is broken.
Relay = Callable[[str, Contacts], Contacts]


def _without(channel: str, on: Contacts) -> Contacts:
    return tuple(name for name in on if name != channel)


def _with(channel: str, on: Contacts) -> Contacts:
    return on if channel in on else (*on, channel)


def _inverted(channel: str, on: Contacts) -> Contacts:
    return _without(channel, on) if channel in on else _with(channel, on)


def _contact(*faults: str) -> Callable[[Relay], None]:
    """Note a fault of one contact."""

    def note(relay: Relay) -> None:
        @injects(*faults)
        def suffer(stage: Stage, target: str) -> Iterator[None]:
            board, channel = stage.channel(target)
            with while_in(board.relays, lambda on: relay(channel, on)):
                while True:
                    yield

    return note


_contact("B05")(_inverted)
_contact("B07", "B09")(_with)
_contact("B08", "B16", "H08")(_without)


@injects("B01")
def restart(stage: Stage, target: str) -> Iterator[None]:
    """Restart a board once."""
    stage.board(target).reboot()
    yield


@injects("B02")
def away(stage: Stage, target: str) -> Iterator[None]:
    """Take a board's supply; its resting contacts close."""
    board = stage.board(target)
    board.power(on=False)
    try:
        while True:
            yield
    finally:
        board.power(on=True)


@injects("B03")
def restarts_for_ever(stage: Stage, target: str) -> Iterator[None]:
    """Restart a board every twenty seconds."""
    board, due_s = stage.board(target), stage.now_s
    while True:
        if stage.now_s >= due_s:
            due_s += 20.0
            board.reboot("brown-out")
        yield


@injects("B04")
def relay_does_not_move(stage: Stage, target: str) -> Iterator[None]:
    """Leave a board's contacts as they are, whatever it confirms."""
    board = stage.board(target)
    held = board.closed
    with while_in(board.relays, lambda _: held):
        while True:
            yield


@injects("B06")
def two_channels_swapped(stage: Stage, target: str) -> Iterator[None]:
    """Swap a heater's channel with the next one of its board."""
    board, one = stage.channel(target)
    other = board.heaters[(board.heaters.index(one) + 1) % len(board.heaters)]
    swap = {one: other, other: one}
    with while_in(board.relays, lambda on: tuple(swap.get(name, name) for name in on)):
        while True:
            yield


@injects("B17")
def arcing(stage: Stage, target: str) -> Iterator[None]:
    """Open a contact by itself three times in ten."""
    board, channel = stage.channel(target)
    chance = stage.chance("B17")
    is_open = [False]
    with while_in(board.relays, lambda on: _without(channel, on) if is_open[0] else on):
        while True:
            is_open[0] = bool(chance.random() < 0.3)
            yield


@injects("B10")
def contradicts(stage: Stage, target: str) -> Iterator[None]:
    """Let a board's echo say the contrary of what its heaters do."""
    board = stage.board(target)

    def contrary(said: dict[str, object]) -> None:
        said["on"] = [name for name in board.heaters if name not in board.on]

    yield from _echoes_become(stage, board, contrary)


@injects("B14")
def speaks_an_older_contract(stage: Stage, target: str) -> Iterator[None]:
    """Leave the board's boot name out of its echoes."""
    yield from _echoes_become(stage, stage.board(target), lambda said: said.pop("boot"))


@injects("M28")
def clock_off(stage: Stage, target: str) -> Iterator[None]:
    """Date everything a board sends an hour ahead."""
    board = stage.board(target)

    def redate(sent: Sent) -> Iterable[Sent]:
        said = json.loads(sent.payload)
        said["at"] = (stage.world.now_utc + timedelta(hours=1)).isoformat()
        yield Sent(topic=sent.topic, payload=json.dumps(said).encode())

    with while_in(board.outgoing, redate):
        while True:
            yield


@injects("M27")
def extra_fields(stage: Stage, target: str) -> Iterator[None]:
    """Let a board speak a newer version, and hear leases with a field that it does not know."""
    board = stage.board(target)

    def newer(message: Message) -> Iterable[Message]:
        said = json.loads(message.payload) | {"version": 99}
        yield Message(message.topic, json.dumps(said).encode(), retained=message.retained)

    with while_in(board.incoming, newer):
        yield from _echoes_become(stage, board, lambda said: said.update(version=99, colour="blue"))


def _echoes_become(
    stage: Stage, board: SimBoard, change: Callable[[dict[str, object]], object]
) -> Iterator[None]:
    """Let a fault change every echo of a board."""
    topic = stage.topics.echo(board.name)

    def spoil(sent: Sent) -> Iterable[Sent]:
        if sent.topic != topic:
            return (sent,)
        said = json.loads(sent.payload)
        change(said)
        return (Sent(topic=topic, payload=json.dumps(said).encode()),)

    with while_in(board.outgoing, spoil):
        while True:
            yield


@injects("B11")
def timer_stands_still(stage: Stage, target: str) -> Iterator[None]:
    """Stop a board's timer: it holds its last lease for ever, and the controller falls silent with it."""
    board = stage.board(target)
    stood_s = board.timer(stage.now_s)
    yield from _timer_shows(board, lambda _: stood_s)


@injects("B12")
def timer_jumps_back(stage: Stage, target: str) -> Iterator[None]:
    """Let a board count leases on a wall clock, which is then set back by an hour."""
    yield from _timer_shows(stage.board(target), lambda mono_s: mono_s - HOUR_S)


def _timer_shows(board: SimBoard, timer: Callable[[float], float]) -> Iterator[None]:
    sound, board.timer = board.timer, timer
    try:
        while True:
            yield
    finally:
        board.timer = sound


@injects("B15")
def slow_to_join(stage: Stage, target: str) -> Iterator[None]:
    """Restart a board that needs 90 s to be on the network again."""
    board = stage.board(target)
    board.reboot("power-on")
    begun_s = stage.now_s
    with cut_off(stage, board.name):
        while stage.now_s - begun_s < 90.0:
            yield


@injects("B18")
def twin(stage: Stage, target: str) -> Iterator[None]:
    """Let a second board of the same name send its own echoes."""
    board, due_s, number = stage.board(target), stage.now_s, 0
    while True:
        if stage.now_s >= due_s:
            due_s += ECHO_EVERY_S
            number += 1
            echo = EchoPayload(boot="twin", seq=0, on=board.heaters, uptime_s=30.0 * number)
            stage.publish(stage.topics.echo(board.name), echo.to_json())
        yield


@injects("M08")
def garbage_retained(stage: Stage, target: str) -> Iterator[None]:
    """Keep garbage on a board's lease topic, and restart the board."""
    board = stage.board(target)
    for payload in (b"\xff\x00", b"OFF"):
        stage.publish(stage.topics.lease(board.name), payload, retain=True)
        board.reboot()
        yield


@injects("M09", "N03")
def old_lease(stage: Stage, target: str) -> Iterator[None]:
    """Bring an old lease back, retained and live, before and after the board restarts."""
    board = stage.board(target)
    lease = LeasePayload(
        session=board.contract.session or "old",
        boot=board.contract.boot,
        seq=max(1, board.contract.seq),
        ttl_s=300.0,
        off=board.heaters,
    ).to_json()
    stage.publish(stage.topics.lease(board.name), lease, retain=True)
    board.reboot()
    due_s = -math.inf
    while True:
        if stage.now_s >= due_s:
            due_s = stage.now_s + 60.0
            stage.publish(stage.topics.lease(board.name), lease)
        yield
