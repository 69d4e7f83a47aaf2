"""What people do: orders forgotten, repeated or at odds."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Literal

from controller.bus.messages import HandPayload
from simulator.faults.stage import Stage, injects

TWELVE_H = timedelta(hours=12)


def _order(
    stage: Stage, number: str, order: Literal["hand-on", "hand-off", "auto"], target: str, version: int = 0
) -> None:
    payload = HandPayload(
        who="somebody",
        tree=stage.site.trees[stage.tree(target)].name if target else None,
        all=None if target else True,
        order=order,
        until=stage.world.now_utc + TWELVE_H,
        version=version,
    )
    stage.publish(stage.topics.hand(number), payload.to_json())


@injects("U01", "U02")
def off_forgotten(stage: Stage, target: str) -> Iterator[None]:
    """Order heat off for as long as the guard allows, and forget it."""
    _order(stage, "off", "hand-off", target)
    yield


@injects("U03")
def on_forgotten(stage: Stage, target: str) -> Iterator[None]:
    """Order heat on for as long as the guard allows, and forget it."""
    _order(stage, "on", "hand-on", target)
    yield


@injects("U04")
def at_odds(stage: Stage, target: str) -> Iterator[None]:
    """Let two phones that saw the same state order against each other."""
    _order(stage, "one", "hand-off", target, version=1)
    _order(stage, "other", "hand-on", target, version=1)
    yield


@injects("U10")
def tapped_twice(stage: Stage, target: str) -> Iterator[None]:
    """Order heat off, take it back, and let the first order arrive once more."""
    _order(stage, "tap", "hand-off", target, version=1)
    yield
    _order(stage, "tap-2", "auto", target, version=2)
    yield
    _order(stage, "tap", "hand-off", target, version=1)


@injects("N04")
def flood_of_orders(stage: Stage, target: str) -> Iterator[None]:
    """Order off and automatic by turns, in every period of the control loop."""
    number = 0
    while True:
        number += 1
        _order(stage, f"flood-{number}", "hand-off" if number % 2 else "auto", target, version=number)
        yield
