"""A bus in memory for virtual time: one thread, no clock, the same order every time.

``MemoryBus`` plays broker and network.  Publishing only queues; ``deliver`` hands out what is queued until
nothing is left, so no listener is ever called from inside another.  The caller moves time with ``advance``.
A client can be cut off, frozen, slowed or robbed of messages; the bus then does what MQTT 5.0 says a broker
does: it gives a silent client up after one and a half keepalives (section 3.1.2.10), publishes its will
(3.1.2.5), and a client that returns is subscribed anew and hears retained messages again (3.8.4).
"""

import heapq
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import Literal

from controller.bus.topics import check_filter, check_topic, matches
from controller.bus.transport import Listener, Message

LONGEST_QUEUE = 100_000
# More than this in one ``deliver`` is two listeners answering one another for ever.
MOST_DELIVERIES = 1_000_000


class MemoryBus:
    """Broker and network in one.

    Attributes
    ----------
    now_s : float
        The time of the bus, as last given to ``advance`` [s].
    lost : int
        Messages pushed out of a full queue, oldest first.

    """

    def __init__(self, *, longest_queue: int = LONGEST_QUEUE) -> None:
        self.now_s = 0.0
        self.lost = 0
        self._longest_queue = longest_queue
        self._clients: dict[str, MemoryClient] = {}
        self._silent: dict[MemoryClient, float] = {}  # to the time when each is given up
        self._retained: dict[str, tuple[bytes, float | None]] = {}  # payload and when it expires
        self._routes: dict[str, tuple[MemoryClient, ...]] = {}  # a cache: topic to those who hear it
        self._queue: deque[tuple[tuple[MemoryClient, ...], Message, float | None]] = deque()
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._order = 0

    def connect(
        self,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None = None,
        *,
        birth: Message | None = None,
        on_up: Callable[[], None] | None = None,
        on_down: Callable[[], None] | None = None,
        keepalive_s: float = 10.0,
    ) -> "MemoryClient":
        """Return a client that hears what matches its filters; a client of the same id is thrown out.

        ``birth`` is published at each connection, before ``on_up`` is called; both happen in ``deliver``.
        """
        if client in self._clients:
            self._clients[client].kill()
        newcomer = MemoryClient(
            self,
            client,
            listener,
            will=will,
            birth=birth,
            on_up=on_up,
            on_down=on_down,
            keepalive_s=keepalive_s,
        )
        for topic_filter in filters:
            check_filter(topic_filter)
        newcomer.filters = tuple(filters)
        self._clients[client] = newcomer
        self._welcome(newcomer)
        return newcomer

    def advance(self, now_s: float) -> None:
        """Set the time [s]; what falls due by then happens in the next ``deliver``."""
        if not now_s >= self.now_s:
            raise ValueError(f"time only runs forward: {now_s} s after {self.now_s} s")
        self.now_s = now_s
        if self._silent:
            for client in [c for c, deadline_s in self._silent.items() if deadline_s <= now_s]:
                client._give_up()

    def deliver(self, most: int = MOST_DELIVERIES) -> int:
        """Hand out everything that is due, and what that brings forth; return how many messages it was."""
        queue, due = self._queue, self._due
        handed_out = 0
        while queue or (due and due[0][0] <= self.now_s):
            while due and due[0][0] <= self.now_s:
                heapq.heappop(due)[2]()
            while queue:
                receivers, message, expiry_s = queue.popleft()
                for client in receivers:
                    if client.hindered:
                        client._struggle(message, expiry_s)
                    else:
                        client.listener(message)
                handed_out += 1
                if handed_out > most:
                    raise RuntimeError(f"more than {most} messages at {self.now_s} s: an endless exchange")
        return handed_out

    @property
    def clients(self) -> tuple["MemoryClient", ...]:
        """Who is connected."""
        return tuple(self._clients.values())

    def retained(self, topic: str) -> bytes | None:
        """Return what is kept for a topic, if anything."""
        payload, expires_s = self._retained.get(topic, (None, None))
        return None if expires_s is not None and expires_s <= self.now_s else payload

    def _accept(self, topic: str, payload: bytes, retain: bool, expiry_s: float | None) -> None:  # noqa: FBT001 (on the path of every message, where keywords cost)
        receivers = self._routes.get(topic)
        if receivers is None:
            check_topic(topic)
            receivers = self._routes[topic] = tuple(c for c in self._clients.values() if c._hears(topic))
        if retain:
            self._keep(topic, payload, expiry_s)
        if receivers:
            self._enqueue(receivers, Message(topic, payload), expiry_s)

    def _keep(self, topic: str, payload: bytes, expiry_s: float | None) -> None:
        if payload:
            self._retained[topic] = (payload, None if expiry_s is None else self.now_s + expiry_s)
        else:  # an empty payload clears (section 3.3.1.3)
            self._retained.pop(topic, None)

    def _enqueue(
        self, receivers: tuple["MemoryClient", ...], message: Message, expiry_s: float | None = None
    ) -> None:
        queue = self._queue
        if len(queue) >= self._longest_queue:
            queue.popleft()
            self.lost += 1
        queue.append((receivers, message, expiry_s))

    def _at(self, due_s: float, step: Callable[[], None]) -> None:
        self._order += 1
        heapq.heappush(self._due, (due_s, self._order, step))

    def _welcome(self, client: "MemoryClient") -> None:
        """Subscribe a client that has come or come back, and let it do what it does first."""
        self._routes.clear()
        self._send_retained(client, client.filters)
        self._at(self.now_s, client._rise)

    def _send_retained(self, client: "MemoryClient", filters: Sequence[str]) -> None:
        for topic in self._retained:
            payload = self.retained(topic)
            if payload is not None and any(matches(f, topic) for f in filters):
                self._enqueue((client,), Message(topic, payload, retained=True))

    def _dismiss(self, client: "MemoryClient", *, with_will: bool) -> None:
        """Forget a connection; publish its will unless it left in good order."""
        self._silent.pop(client, None)
        self._routes.clear()
        if self._clients.get(client.name) is client:
            del self._clients[client.name]
        if with_will and client.will is not None:
            self._accept(client.will.topic, client.will.payload, client.will.retained, None)


class MemoryClient:
    """A ``Transport`` on a ``MemoryBus``, and the handles by which a test troubles it.

    Attributes
    ----------
    name : str
        The client id.
    filters : tuple of str
        What it is subscribed to.
    connected : bool
        Whether the bus holds a connection for it; a client cut off a moment ago still counts.

    """

    def __init__(
        self,
        bus: MemoryBus,
        name: str,
        listener: Listener,
        *,
        will: Message | None,
        birth: Message | None,
        on_up: Callable[[], None] | None,
        on_down: Callable[[], None] | None,
        keepalive_s: float,
    ) -> None:
        self.name = name
        self.listener = listener
        self.will = will
        self.filters: tuple[str, ...] = ()
        self.connected = True
        self.hindered = False  # whether anything below is out of the ordinary: the one test on the fast path
        self._bus = bus
        self._birth = birth
        self._on_up = on_up
        self._on_down = on_down
        self._keepalive_s = keepalive_s
        self._ended = False
        self._cut = False
        self._frozen = False
        self._delay_s = 0.0
        self._to_drop = {"sent": 0, "heard": 0}
        self._waiting: deque[Message] = deque(maxlen=LONGEST_QUEUE)

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: float | None = None
    ) -> None:
        """Send a message; a client that is cut off, frozen or gone sends nothing and is not told."""
        if self.hindered:
            self._struggle_out(topic, payload, retain=retain, expiry_s=expiry_s)
        else:
            self._bus._accept(topic, payload, retain, expiry_s)

    def subscribe(self, topic_filter: str) -> None:
        """Hear what matches one more filter, beginning with what is retained."""
        check_filter(topic_filter)
        self.filters = (*self.filters, topic_filter)
        self._bus._routes.clear()
        if not self.hindered:
            self._bus._send_retained(self, (topic_filter,))

    def close(self) -> None:
        """Leave in good order: no will."""
        self._end(with_will=False)

    def kill(self) -> None:
        """End as a killed process does: its connection breaks at once, so the will is published."""
        self._end(with_will=True)

    def cut(self) -> None:
        """Lose the network in both directions."""
        self._cut = True
        self._fall_silent()

    def restore(self) -> None:
        """Have the network back; if the bus had given the client up, it connects again."""
        self._cut = False
        self._speak_again()

    def freeze(self) -> None:
        """Stand still like a stopped process: send nothing, and leave what arrives waiting."""
        self._frozen = True
        self._fall_silent()

    def thaw(self) -> None:
        """Run on: hear what waited, then connect again if the bus had given the client up."""
        self._frozen = False
        for message in self._waiting:
            self._bus._at(self._bus.now_s, partial(self.listener, message))
        self._waiting.clear()
        self._speak_again()

    def delay(self, seconds: float) -> None:
        """Let everything it sends or hears from now on take that much longer; 0 ends it."""
        self._delay_s = seconds
        self._mind()

    def drop_next(self, number: int, direction: Literal["sent", "heard"] = "sent") -> None:
        """Lose the next messages it sends, or those on their way to it."""
        self._to_drop[direction] = number
        self._mind()

    def _mind(self) -> None:
        self.hindered = (
            self._ended
            or self._cut
            or self._frozen
            or not self.connected
            or self._delay_s > 0
            or any(self._to_drop.values())
        )

    def _hears(self, topic: str) -> bool:
        return self.connected and any(matches(f, topic) for f in self.filters)

    def _drops(self, direction: Literal["sent", "heard"]) -> bool:
        if not self._to_drop[direction]:
            return False
        self._to_drop[direction] -= 1
        self._mind()
        return True

    def _struggle_out(self, topic: str, payload: bytes, *, retain: bool, expiry_s: float | None) -> None:
        if self._ended or self._cut or self._frozen or self._drops("sent"):
            return
        step = partial(self._bus._accept, topic, payload, retain, expiry_s)
        self._bus._at(self._bus.now_s + self._delay_s, step)

    def _struggle(self, message: Message, expiry_s: float | None) -> None:
        """Hear a message as far as the troubles allow; one that outlives its expiry on the way is lost."""
        if not self.connected or self._cut or self._drops("heard"):
            return
        if self._delay_s > 0:
            if expiry_s is None or self._delay_s < expiry_s:
                self._bus._at(self._bus.now_s + self._delay_s, partial(self._arrive, message))
        else:
            self._arrive(message)

    def _arrive(self, message: Message) -> None:
        if self._frozen and self.connected:
            self._waiting.append(message)
        elif self.connected and not self._cut:
            self.listener(message)

    def _fall_silent(self) -> None:
        self._mind()
        if self.connected and self not in self._bus._silent:
            # MQTT 5.0 section 3.1.2.10: one and a half times the keepalive.
            self._bus._silent[self] = self._bus.now_s + 1.5 * self._keepalive_s

    def _speak_again(self) -> None:
        if self._ended or self._cut or self._frozen:
            return
        self._bus._silent.pop(self, None)
        if not self.connected:
            self.connected = True
            self._bus._clients[self.name] = self
            self._mind()
            self._bus._welcome(self)
        self._mind()

    def _give_up(self) -> None:
        self.connected = False
        self._mind()
        self._bus._dismiss(self, with_will=True)
        if self._on_down is not None:
            self._bus._at(self._bus.now_s, self._on_down)

    def _end(self, *, with_will: bool) -> None:
        if self._ended:
            return
        was_connected, self.connected, self._ended = self.connected, False, True
        self._mind()
        self._bus._dismiss(self, with_will=with_will and was_connected)

    def _rise(self) -> None:
        if not self.connected:
            return
        if self._birth is not None:
            self.publish(self._birth.topic, self._birth.payload, retain=self._birth.retained)
        if self._on_up is not None:
            self._on_up()
