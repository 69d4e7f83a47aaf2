"""1-wire temperature probes through the kernel: a file to read, and what can be wrong with what it says.

The kernel's ``w1_therm`` driver shows each probe as a folder with a file ``w1_slave`` of two lines: the nine
bytes of the probe's scratchpad with ``crc=.. YES`` or ``NO``, and the same bytes with ``t=`` and the
temperature in thousandths of a degree (Linux, Documentation/w1/slaves/w1_therm.rst).  Reading it starts a
conversion and takes 0.75 s (DS18B20 data sheet, 12 bits).

What passes the checksum and is no temperature all the same: the register's value after power-on, 85.0 °C
(data sheet, table 1), a scratchpad of zeros, whose checksum is zero too and which would read 0.0 °C, and
07FF, 127.94 °C, of a probe with too little supply (common practice, no source).
"""

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

POWER_ON_C = 85.0
# DS18B20 data sheet: the range of the probe.
LOWEST_C, HIGHEST_C = -55.0, 125.0
_LINES = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\s+(?:[0-9a-f]{2} ){9}t=(-?\d{1,6})\s*")


class ProbeFault(StrEnum):
    """Why a reading is none."""

    MISSING = "missing"
    GARBLED = "garbled"
    CHECKSUM = "checksum"
    POWER_ON = "power-on"
    ALL_ZERO = "all-zero"
    OUT_OF_RANGE = "out-of-range"


@dataclass(frozen=True, slots=True)
class OneWireReading:
    """What a probe said: a temperature [°C], or NaN and why."""

    temp_c: float
    fault: ProbeFault | None = None


def read_probe(folder: Path, device: str) -> OneWireReading:
    """Return a probe's reading; one just after its power-on is asked a second time."""
    reading = _read_once(folder / device / "w1_slave")
    return _read_once(folder / device / "w1_slave") if reading.fault is ProbeFault.POWER_ON else reading


def _read_once(path: Path) -> OneWireReading:
    try:
        text = path.read_text(encoding="ascii", errors="replace")
    except OSError:
        return OneWireReading(math.nan, ProbeFault.MISSING)
    return reading_of(text)


def reading_of(text: str) -> OneWireReading:
    """Return the reading that a ``w1_slave`` file's text holds."""
    found = _LINES.fullmatch(text)
    if found is None:
        return OneWireReading(math.nan, ProbeFault.GARBLED if text.strip() else ProbeFault.MISSING)
    scratchpad, checksum, thousandths = found.groups()
    temp_c = int(thousandths) / 1000.0
    fault = None
    if checksum != "YES":
        fault = ProbeFault.CHECKSUM
    elif set(scratchpad.split()) == {"00"}:
        fault = ProbeFault.ALL_ZERO
    elif temp_c == POWER_ON_C:
        fault = ProbeFault.POWER_ON
    elif not LOWEST_C <= temp_c <= HIGHEST_C:
        fault = ProbeFault.OUT_OF_RANGE
    return OneWireReading(temp_c if fault is None else math.nan, fault)
