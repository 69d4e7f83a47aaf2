"""A simulated house whose board is the real process: mock pins carry its strings, a 1-wire folder its probes.

Real are the board's program with its threads, the broker and both connections to it. Simulated are what hangs
on the pins, the air that the probes feel, a power meter, and time, which a test moves on as soon as all was
heard that has to be heard.
"""

import math
import threading
from contextlib import contextmanager
from itertools import count

from controller.board.file import BoardProbe, example_board, load_board
from controller.board.process import BoardProcess
from controller.board.relays import Relays, pin_factory
from controller.bus.mqtt import MqttTransport
from controller.bus.plain import plain_boards
from controller.wiring.on_bus import BusRun
from simulator.installation import Installation
from simulator.wired_board import WiredPlainBoard
from simulator.wires import as_declared
from simulator.wiring_rehearsal import Truthful, autumn_day, tick_s
from tests.board.conftest import OneWire, Running, until

LOOK_S = 0.002
# Time goes on without the board's word after so many looks in vain: it may have nothing new to say.
MOST_LOOKS = 1000
# Between two moves of time, so that what threads and broker still carry arrives [looks].
LEAST_LOOKS = 4


class HouseClock:
    """The simulated house's time; whoever waits on it waits until it has gone on so far."""

    pace = 1.0
    is_sound = True

    def __init__(self):
        self.world = None

    def mono_s(self):
        return 1000.0 + (self.world.elapsed_s if self.world else 0.0)

    def utc(self):
        return self.world.now_utc

    def wait(self, event, seconds):
        ends_s = self.mono_s() + seconds
        while not event.wait(LOOK_S):
            if self.mono_s() >= ends_s:
                return False
        return True


class MovingClock(HouseClock):
    """The same time for the thread that moves it on: the test's own loop."""

    def __init__(self, world, run):
        self.world, self.run, self.looks = world, run, 0
        self._mover = threading.get_ident()

    def wait(self, event, seconds):
        if threading.get_ident() != self._mover:
            return super().wait(event, seconds)
        self.looks += 1
        if (self.looks >= LEAST_LOOKS and self._is_settled()) or self.looks >= MOST_LOOKS:
            self.looks = 0
            state = self.run().session.state
            self.world.step(min(self.world.most_tick_s, tick_s(state, self.mono_s() - state.began_s)))
        return event.wait(LOOK_S)

    def _is_settled(self):
        """Whether every board has said how it stands now."""
        state = self.run().session.state
        plain = [board.name for board in self.run()._plain._boards.joined]
        if any((board.name in plain) == (board.name == state.cut) for board in plain_boards(self.world.site)):
            return False  # it is still to be cut off, or joined again
        for name, board in self.world.boards.items():
            if not board.powered or name == state.cut:
                continue
            echo, heard_s = state.echoes.get(name), state.heard_s.get(name, self.mono_s())
            if not board.is_settled(echo, self.mono_s() - heard_s):
                return False
        return True


class PinBoard:
    """Our own board process in a simulated board's place."""

    def __init__(self, described, spoken, clock, folder):
        self.described, self.clock = described, clock
        self.heaters, self.vents = described.heaters, described.vents
        self.relays = Relays(described, pin_factory(mock=True))
        self.one_wire = OneWire(folder)
        self._spoken = {probe.name: sim for probe, sim in spoken}
        self._devices = {probe.name: probe.device for probe in described.probes}
        self.powered = False
        self.starts = 0

    @property
    def on(self):
        return self.relays.on()

    def is_settled(self, echo, age_s):
        """Whether its last echo, not older than it may be, says what its pins do now."""
        contract = self.process.outputs.contract
        return (
            echo is not None
            and age_s <= 31.0
            and (echo.boot, echo.seq) == (contract.boot, contract.seq)
            and set(echo.on) == set(self.on)
        )

    def tick(self, _mono_s, _at):
        for name, sim in self._spoken.items():
            temp_c = sim.reading_c()
            if math.isfinite(temp_c):
                self.one_wire.say(self._devices[name], temp_c)
            else:
                (self.one_wire.folder / self._devices[name] / "w1_slave").unlink(missing_ok=True)
        if not self.starts:
            self.power(True)

    def power(self, on):
        if on:
            self.starts += 1
            self.process = BoardProcess(self.described, self.relays, self.clock, reset_reason="power-on")
            self.running = Running(self.process)
        else:
            self.process.transport.kill()  # nobody says goodbye for a board whose supply is out
            self.running.stop()
            self.relays.show(self.heaters)  # its coils are dead
        self.powered = on

    def end(self):
        """End its program in good order."""
        if self.powered:
            self.running.stop()
        self.relays.close()


class WiredHouse(Installation):
    """An installation on a real broker."""

    def __init__(self, site, clock, wiring):
        self._lines = []
        start, sky = autumn_day(site, seed=0)
        super().__init__(site, sky, start, self._line, wiring)
        clock.world = self

    def _line(self, client, filters, listener, will, *, on_up):
        line = MqttTransport(
            self.site.broker, client.replace(" ", "-"), filters, listener, will=will, on_up=on_up
        )
        line.start()
        until(lambda: line.connected)
        self._lines.append(line)
        return line

    def close(self):
        for line in self._lines:
            line.close()


class PinnedHouse(WiredHouse):
    """One whose board is a process with mock pins."""

    most_tick_s = 15.0  # leases are renewed every 20 s and live for 75 s

    def __init__(self, site, described, clock, folder, wiring):
        self._described, self._clock, self._folder = described, clock, folder
        super().__init__(site, clock, wiring)

    def _board(self, _board, probes, _seed, _connect):
        spoken = self._spoken([probe for probe, _ in probes])
        return PinBoard(self._described, spoken, self._clock, self._folder)

    def close(self):
        for board in self.boards.values():
            board.end()
        super().close()


class TextBoard(WiredPlainBoard):
    """A board that knows only texts, on a real broker."""

    def is_settled(self, _echo, _age_s):
        return True  # our own side speaks for it only once time has gone on


class PlainHouse(WiredHouse):
    """One whose board knows only texts."""

    most_tick_s = 2.0  # each word takes some moves of time: lease, text, echo, and what our side makes of it

    def _board(self, board, probes, seed, connect):
        spoken = self._spoken([probe for probe, _ in probes])
        return TextBoard(board, self.site, spoken, seed, connect, self.wiring.boards[board.name])


def one_board(site, broker, trees):
    """Return a site with its first board alone and so many trees of one string each, and the board's file."""
    trees = [tree.model_copy(update={"strings": tree.strings[:1]}) for tree in site.trees[:trees]]
    used = {string.channel for tree in trees for string in tree.strings} | {v.channel for v in site.vents}
    hung = {name for tree in trees for name in tree.probes}
    probes = tuple(p for p in site.probes if p.measures != "tree" or p.name in hung)
    board = site.boards[0]
    kept = {channel.partition("/")[2] for channel in used}
    site = site.model_copy(
        update={
            "trees": tuple(trees),
            "probes": probes,
            "boards": (
                board.model_copy(update={"channels": tuple(c for c in board.channels if c.id in kept)}),
            ),
            "circuits": site.circuits[:1],
            "broker": broker,
        }
    )
    if board.is_plain:
        return site, None
    file = load_board(example_board(board.name))
    devices = (f"28-0000000000{number:02x}" for number in count(1))
    described = file.model_copy(
        update={
            "channels": tuple(c for c in file.channels if c.id in kept),
            "probes": tuple(BoardProbe(name=p.name, device=next(devices)) for p in probes),
            "broker": broker,
        }
    )
    return site, described


@contextmanager
def house_at_pins(site, described, folder, wiring=None):
    """Have a house at mock pins under way."""
    described = described.model_copy(update={"one_wire": str(folder)})
    house = PinnedHouse(site, described, HouseClock(), folder, wiring or as_declared(site, meters=True))
    try:
        house.step(1.0)
        yield house
    finally:
        house.close()


def run_at_pins(scope, described, folder, wiring=None):
    """Make a test of a site at mock pins; return the run and the house, everything closed."""
    with house_at_pins(scope.site, described, folder, wiring) as house:
        return _run(scope, house), house


def run_with_texts(scope, wiring=None):
    """Make a test of a site whose board knows only texts; return the run and the house, everything closed."""
    house = PlainHouse(scope.site, HouseClock(), wiring or as_declared(scope.site, meters=True))
    house.turned_up = set(house.wiring.strings)  # its channels, where that is asked for, are not tried here
    try:
        house.step(1.0)
        return _run(scope, house), house
    finally:
        house.close()


def _run(scope, house):
    made = []
    made.append(BusRun(scope, Truthful(house), MovingClock(house, lambda: made[0])))
    made[0].run()
    return made[0]
