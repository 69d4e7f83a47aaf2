"""A computer's 1-wire folder, mock pins, and a clock that a test moves by hand."""

import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from controller.board.file import example_board, load_board
from controller.board.relays import Relays, pin_factory

START = datetime(2027, 1, 15, 15, tzinfo=UTC)


class HandClock:
    """Time that stands still until a test moves it; waiting takes a moment of real time."""

    pace = 1.0
    is_sound = True

    def __init__(self):
        self.now_s = 1000.0
        self.wall_jump_s = 0.0

    def mono_s(self):
        return self.now_s

    def utc(self):
        return START + timedelta(seconds=self.now_s + self.wall_jump_s)

    def wait(self, event, _seconds):
        return event.wait(0.005)


class OneWire:
    """The kernel's folder of 1-wire devices, as far as the board reads it."""

    def __init__(self, folder):
        self.folder = folder

    def say(self, device, temp_c, *, checksum="YES", scratchpad=None):
        """Let a probe say a temperature, in the form of Linux's w1_therm.rst."""
        raw = round(temp_c * 16) & 0xFFFF
        pad = scratchpad or f"{raw & 0xFF:02x} {raw >> 8:02x} 4b 46 7f ff 0c 10 57"
        text = f"{pad} : crc=57 {checksum}\n{pad} t={int(temp_c * 1000)}\n"
        (self.folder / device).mkdir(exist_ok=True)
        written = self.folder / device / "written"  # the board may read at this very moment
        written.write_text(text)
        written.replace(self.folder / device / "w1_slave")


@pytest.fixture
def one_wire(tmp_path):
    folder = tmp_path / "w1"
    folder.mkdir()
    return OneWire(folder)


@pytest.fixture
def east():
    return load_board(example_board("east"))


@pytest.fixture
def factory():
    return pin_factory(mock=True)


@pytest.fixture
def relays(east, factory):
    made = Relays(east, factory)
    yield made
    made.close()


class Running:
    """A board process on a thread of its own."""

    def __init__(self, process):
        self.process = process
        self.code = None
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        self.code = self.process.run()

    def stop(self):
        self.process.stopping.set()
        self.process._arrived.set()
        self._thread.join(10.0)
        assert not self._thread.is_alive()


def until(true, within_s=15.0):
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s, "it did not come true in time"
        time.sleep(0.005)
