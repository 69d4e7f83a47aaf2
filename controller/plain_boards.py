"""The thread that keeps a site's plain boards under the lease contract, apart from the loop that decides.

It holds its own leases: when the control loop stands still they run out here, and heat is said.  When this
thread or the whole process dies, the broker says it by the wills.  When it only stands still, the connections
would stay and no will would be published; so the daemon watches ``stood_still_s`` and ends the process.
"""

import threading
import time
from collections.abc import Callable, Sequence
from secrets import token_hex

from controller.bus.mqtt import MqttTransport
from controller.bus.plain import PlainBoards, plain_boards
from controller.bus.transport import Listener, Message
from controller.clock import Clock, now_on
from controller.site.model import Site

TICK_S = 1.0
KEEPALIVE_S = 10


class PlainThread(threading.Thread):
    """Every plain board of a site; with none it ends at once."""

    def __init__(self, site: Site, clock: Clock) -> None:
        super().__init__(name="plain boards", daemon=True)
        self._site, self._clock = site, clock
        self._stopping = threading.Event()
        self._cycled_s = time.monotonic()  # the wall's pace, also in rehearsals
        self._boards = PlainBoards(site, self._connect, lambda: token_hex(6))
        self._cut: frozenset[str] = frozenset()

    def run(self) -> None:
        """Connect, and say what the leases want until told to stop."""
        while plain_boards(self._site) and not self._stopping.is_set():
            now = now_on(self._clock)
            self._boards.tick(now.mono_s, now.utc if now.clock_trusted else None, self._cut)
            self._cycled_s = time.monotonic()
            self._clock.wait(self._stopping, TICK_S)
        self._boards.close(self._clock.mono_s())

    def cut_off(self, board: str) -> None:
        """Break the connections to a board off within a second, without a goodbye."""
        self._cut |= {board}

    def rejoin(self, board: str) -> None:
        """Connect to a board again within a second, as at a start."""
        self._cut -= {board}

    @property
    def is_dead(self) -> bool:
        """Whether it has ended unasked."""
        return bool(plain_boards(self._site)) and not self.is_alive() and not self._stopping.is_set()

    @property
    def stood_still_s(self) -> float:
        """How long ago the last cycle was completed [s]; 0 without plain boards."""
        return time.monotonic() - self._cycled_s if plain_boards(self._site) else 0.0

    @property
    def strangers(self) -> int:
        """How many texts of others were heard on the topics of its channels."""
        return sum(output.strangers for board in self._boards.joined for output in board.outputs)

    def stop(self, within_s: float) -> None:
        """Say every channel's rest, leave and end."""
        self._stopping.set()
        if self.is_alive():
            self.join(within_s)

    def _connect(
        self,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None,
        /,
        *,
        on_up: Callable[[], None],
    ) -> MqttTransport:
        broker = self._site.broker
        name = f"{self._site.name}-{client.replace(' ', '-')}"
        transport = MqttTransport(
            broker,
            name,
            filters,
            listener,
            on_up=on_up,
            will=will,
            protocol=broker.protocol,
            keepalive_s=KEEPALIVE_S,
        )
        transport.start()
        return transport
