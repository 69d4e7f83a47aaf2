"""What the rest of Rimeward asks of a bus."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Message:
    """One message: as it was heard, or as a will or birth is to be sent.

    Heard, ``retained`` means that the broker had kept it from earlier (MQTT 5.0 section 3.3.1.3); such a
    message never switches anything.  To be sent, it asks the broker to keep it.
    """

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


class Connect(Protocol):
    """How a board gets onto the bus, whichever bus it is."""

    def __call__(
        self,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None,
        /,
        *,
        on_up: Callable[[], None],
    ) -> Transport:
        """Return a connection that hears what matches the filters, and calls ``on_up`` whenever it stands."""
        ...
