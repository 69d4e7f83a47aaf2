"""What the rest of Rimeward asks of a bus."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it was heard."""

    topic: str
    payload: bytes
    retained: bool = False


Listener = Callable[[Message], None]


class Transport(Protocol):
    """The sending half of a bus; hearing is by the ``Listener`` given to its constructor."""

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: float | None = None
    ) -> None:
        """Send a message if the bus is there; never wait for it, never keep it for later."""
        ...
