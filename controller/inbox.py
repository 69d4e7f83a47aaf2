"""What other threads leave for the control loop."""

import threading
from collections import OrderedDict

from controller.bus.transport import Message
from controller.guard.events import Event

MOST_WAITING = 2000


class Inbox:
    """Messages waiting for the control loop: the latest of each topic, in order of arrival, bounded."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: OrderedDict[str, Message | Event] = OrderedDict()
        self.arrived = threading.Event()
        self.dropped = 0

    def put(self, key: str, item: Message | Event) -> None:
        """Leave an item; an older one with the same key is forgotten."""
        with self._lock:
            self._waiting.pop(key, None)
            if len(self._waiting) >= MOST_WAITING:
                self._waiting.popitem(last=False)
                self.dropped += 1
            self._waiting[key] = item
        self.arrived.set()

    def take_all(self) -> list[Message | Event]:
        """Return what waits, and forget it."""
        with self._lock:
            self.arrived.clear()
            items = list(self._waiting.values())
            self._waiting.clear()
        return items
