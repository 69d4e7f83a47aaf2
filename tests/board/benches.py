"""Benches for the conformance cases: the simulated board, the board process, a board that knows only texts.

Time is moved by hand; of the first two, messages take the real way through a mosquitto.
"""

import socket
import threading
from collections import deque
from datetime import timedelta
from itertools import count

from controller.board.conform import Can
from controller.board.process import BoardProcess
from controller.board.relays import Relays, pin_factory
from controller.bus.memory import MemoryBus
from controller.bus.messages import AlivePayload, EchoPayload, read
from controller.bus.mqtt import MqttTransport
from controller.bus.plain import PlainBoard, plain_boards
from controller.bus.topics import Topics
from controller.site.model import Broker
from simulator.boards import SimBoard
from simulator.plain_board import SimPlainBoard
from tests.board.conftest import START, HandClock, until

STEP_S = 10.0


class Line:
    """Breaks and mends the connection of a client of paho's, as a pulled network cable does."""

    def __init__(self, transport):
        self._client = transport._client
        self._client.reconnect_delay_set(0.02, 0.05)
        self._port = None

    def cut(self):
        self._port, self._client._port = self._client._port, 1  # nothing listens there
        self.break_once()

    def mend(self):
        self._client._port = self._port

    def break_once(self):
        self._client.socket().shutdown(socket.SHUT_RDWR)


class LocalBench:
    """What both have in common: a controller's client, and a fence through the broker and the board."""

    slack_s = 0.0
    can = frozenset(Can)

    def __init__(self, port, site):
        self.topics = Topics(site)
        self.said = []
        self.taken = []  # payloads that the board has weighed
        self.sent = 0  # echoes that the board has put on the wire
        self._fences = count()
        self._broker = Broker(port=port)
        self.client = MqttTransport(
            self._broker, "bench", (f"{self.topics.root}/echo/+", f"{self.topics.root}/alive/+"), self._hear
        )
        self.client.start()
        until(lambda: self.client.connected)

    def _hear(self, message):
        if not message.retained:
            self.said.append(message)

    def pour(self, payload, *, retained=False):
        self.client.publish(self.topics.lease("east"), payload, retain=retained)

    def send(self, payload, *, retained=False, board=None):
        self.client.publish(self.topics.lease(board or "east"), payload, retain=retained)
        self._fence()

    def _fence(self):
        fence = f"fence {next(self._fences)}".encode()
        self.pour(fence)
        self._until_weighed(fence)
        self._settle()

    def echoes(self):
        return [read(EchoPayload, m.payload) for m in list(self.said) if "/echo/east" in m.topic]

    def alives(self):
        return [read(AlivePayload, m.payload) for m in list(self.said) if "/alive/east" in m.topic]

    def kept(self):
        kept = []
        client = MqttTransport(self._broker, "late", (f"{self.topics.root}/#", "late"), kept.append)
        client.start()
        until(lambda: client.connected)
        client.publish("late", b"")
        until(lambda: any(m.topic == "late" for m in kept))
        client.close()
        return [m.topic for m in kept if m.retained]

    def wait(self, seconds):
        while seconds > 0.0:
            step_s = min(seconds, STEP_S)
            self._move(step_s)
            seconds -= step_s
        self._settle()

    def restart(self):
        before = len(self.echoes())
        births = len(self.alives())
        self._power_cut()
        until(lambda: any(not alive.alive for alive in self.alives()[births:]))
        self._power_on()
        until(lambda: len(self.echoes()) > before and self.alives()[-1].alive)
        self._settle()

    def cut(self):
        wills = len(self.alives())
        self.line.cut()
        until(lambda: len(self.alives()) > wills)

    def mend(self):
        echoes = len(self.echoes())
        self.line.mend()
        until(lambda: len(self.echoes()) > echoes and self.alives()[-1].alive)
        self._fence()

    def _note(self, contract):
        """Let the bench know what the board has weighed."""
        hear = contract.hear

        def heard(message, mono_s):
            refusal = hear(message, mono_s)
            self.taken.append(message.payload)
            return refusal

        contract.hear = heard

    def close(self):
        self._stop()
        self.client.close()


class ProcessBench(LocalBench):
    """The board process with mock pins."""

    def __init__(self, port, site, board):
        super().__init__(port, site)
        channels = tuple(c.model_copy(update={"probe": None}) for c in board.channels)
        self.board = board.model_copy(
            update={"site": site, "broker": self._broker, "channels": channels, "probes": ()}
        )
        self.heaters, self.vents = board.heaters, board.vents
        self.clock = HandClock()
        self.factory = pin_factory(mock=True)
        self._power_on()
        until(self.echoes)

    def _power_on(self):
        self.relays = Relays(self.board, self.factory)
        self.cycles = 0
        self.process = BoardProcess(self.board, self.relays, self.clock, pet=self._pet)
        self._note(self.process.outputs.contract)
        self.line = Line(self.process.transport)
        self._sent = self.process.transport.publish
        self.process.transport.publish = self._publish
        self.thread = threading.Thread(target=self.process.run)
        self.thread.start()

    def _publish(self, topic, payload, **more):
        self.sent += "/echo/" in topic and self.process.transport.connected
        self._sent(topic, payload, **more)

    def _pet(self):
        self.cycles += 1

    def _power_cut(self):
        self.process._leave = lambda: None
        self.process.stopping.set()
        self.thread.join(5.0)
        self.line.cut()
        self.process.transport.close()
        self.relays.close()

    def _until_weighed(self, fence):
        until(lambda: fence in self.taken)

    def _settle(self):
        cycles = self.cycles
        until(lambda: self.cycles >= cycles + 2 or not self.thread.is_alive())
        until(lambda: len(self.echoes()) >= self.sent or not self.process.transport.connected)

    def _move(self, step_s):
        self.clock.now_s += step_s
        cycles = self.cycles
        self.process._arrived.set()
        until(lambda: self.cycles >= cycles + 2)

    def on(self):
        return frozenset(self.relays.on())

    def set_clock(self, jump_s):
        self.clock.wall_jump_s += jump_s

    def _stop(self):
        self.process.stopping.set()
        self.thread.join(5.0)
        self.relays.close()


class SimLine:
    """A simulated board's connection: what it hears waits until the bench hands it out."""

    def __init__(self, bench, filters, listener, will, on_up):
        self.heard, self._listener, self._bench = deque(), listener, bench
        self.mqtt = MqttTransport(bench._broker, "east", filters, self.heard.append, will=will, on_up=on_up)
        self.line = Line(self.mqtt)
        self.mqtt.start()

    def publish(self, topic, payload, **more):
        self._bench.sent += "/echo/" in topic and self.mqtt.connected
        self.mqtt.publish(topic, payload, **more)

    def take_in(self):
        while self.heard:
            self._listener(self.heard.popleft())

    def kill(self):
        self.line.cut()
        self.mqtt.close()


class SimBench(LocalBench):
    """The simulated board."""

    def __init__(self, port, site_name, site):
        super().__init__(port, site_name)
        described = next(b for b in site.boards if b.name == "east")
        self.now_s = self.jump_s = 0.0
        self.board = SimBoard(described, site.model_copy(update={"name": site_name}), [], 1, self._connect)
        self.heaters, self.vents = self.board.heaters, self.board.vents
        self._note(self.board._contract)
        until(lambda: self.wire.mqtt.connected)
        self._move(0.0)
        until(self.echoes)

    def _connect(self, _client, filters, listener, will, *, on_up):
        self.wire = SimLine(self, filters, listener, will, on_up)
        self.line = self.wire.line
        return self.wire

    def _until_weighed(self, fence):
        def weighed():
            self.wire.take_in()
            return fence in self.taken

        until(weighed)

    def _settle(self):
        self.wire.take_in()
        until(lambda: len(self.echoes()) >= self.sent or not self.wire.mqtt.connected)

    def _move(self, step_s):
        self.now_s += step_s
        self.board.tick(self.now_s, START)

    def on(self):
        return frozenset(self.board.on)

    def _power_cut(self):
        self.board.power(on=False)

    def _power_on(self):
        self.board.power(on=True)
        self._note(self.board._contract)
        until(lambda: self.wire.mqtt.connected)
        self._move(0.0)

    def set_clock(self, jump_s):
        self.jump_s += jump_s

    def _stop(self):
        self.wire.kill()


class PlainBench:
    """A simulated board that knows only texts, and our side of the contract, on a bus in memory.

    Both together are the board: a restart is one of both, and to cut this side off is what its wills are for.
    """

    slack_s = 2.0  # both take a second to hear one another, and heaters come on a second apart
    can = frozenset({Can.RESTART, Can.SET_CLOCK, Can.SEE})

    def __init__(self, site):
        self.site, self.topics, self.bus = site, Topics(site.name), MemoryBus()
        self.said, self.now_s, self.jump_s, self._starts = [], 0.0, 0.0, count()
        self.bus.connect("spy", ("#",), self.said.append)
        self.client = self.bus.connect("bench", (), lambda _: None)
        (self.described,) = plain_boards(site)
        self.real = SimPlainBoard(self.described, site, [], 1, self.bus.connect)
        self.heaters, self.vents = self.real.heaters, self.real.vents
        self._power_on()

    def _connect(self, *args, **more):
        self.lines.append(self.bus.connect(*args, **more))
        return self.lines[-1]

    def _power_on(self):
        self.lines = []
        self.side = PlainBoard(
            self.described, self.site, f"boot-{next(self._starts)}", self._connect, started_s=self.now_s
        )
        self._go()

    def _go(self):
        self.bus.advance(self.now_s)
        for _ in range(3):
            self.side.tick(self.now_s, START + timedelta(seconds=self.now_s + self.jump_s))
            self.real.tick(self.now_s, START)
            self.bus.deliver()

    def wait(self, seconds):
        ends_s = self.now_s + seconds
        while self.now_s < ends_s:
            self.now_s = min(ends_s, self.now_s + 1.0)
            self._go()

    def pour(self, payload, *, retained=False):
        self.client.publish(self.topics.lease("east"), payload, retain=retained)

    def send(self, payload, *, retained=False, board=None):
        self.client.publish(self.topics.lease(board or "east"), payload, retain=retained)
        self._go()

    def _heard(self, kind, topic):
        heard = [m for m in self.said if m.topic == topic and not m.retained]
        return [read(kind, m.payload) for m in heard]

    def echoes(self):
        return self._heard(EchoPayload, self.topics.echo("east"))

    def alives(self):
        return self._heard(AlivePayload, self.topics.alive("east"))

    def kept(self):
        kept = []
        self.bus.connect("late", ("#",), kept.append)
        self.bus.deliver()
        return [m.topic for m in kept if m.retained]

    def on(self):
        return frozenset(self.real.on)

    def restart(self):
        for line in self.lines:
            line.kill()
        self.bus.deliver()
        self.real.power(on=False)
        self.now_s += 5.0
        self.real.power(on=True)
        self._power_on()
        self.wait(1.0)

    def set_clock(self, jump_s):
        self.jump_s += jump_s

    def close(self):
        """Nothing runs."""
