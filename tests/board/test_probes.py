import math
from pathlib import Path

import pytest

from controller.board.probes import ProbeFault, read_probe, reading_of

DEVICE = "28-00000a1b2c01"
# Linux, Documentation/w1/slaves/w1_therm.rst and widely printed examples of the file (from memory)
PRINTED = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
# DS18B20 data sheet, table 1: temperature and the register's two bytes, low one first (from memory)
TABLE = [
    (125.0, "d0 07"),
    (25.0625, "91 01"),
    (10.125, "a2 00"),
    (0.5, "08 00"),
    (0.0, "00 00"),
    (-0.5, "f8 ff"),
    (-10.125, "5e ff"),
    (-25.0625, "6f fe"),
    (-55.0, "90 fc"),
]


def test_the_printed_example():
    assert reading_of(PRINTED).temp_c == 23.125
    assert reading_of(PRINTED).fault is None


@pytest.mark.parametrize(("temp_c", "register"), TABLE)
def test_every_temperature_of_the_data_sheet_is_read(one_wire, temp_c, register):
    pad = f"{register} 4b 46 7f ff 0c 10 57"
    one_wire.say(DEVICE, temp_c, scratchpad=pad)
    low, high = (int(byte, 16) for byte in register.split())
    raw = low + 256 * high - (65536 if high > 127 else 0)
    reading = read_probe(one_wire.folder, DEVICE)
    assert reading.fault is None
    assert reading.temp_c == pytest.approx(raw / 16.0, abs=0.001)  # the kernel drops what is below 1/1000


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (PRINTED.replace("YES", "NO"), ProbeFault.CHECKSUM),
        ("00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", ProbeFault.ALL_ZERO),
        (
            "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n",
            ProbeFault.POWER_ON,
        ),
        (
            "ff 07 4b 46 7f ff 0c 10 1c : crc=1c YES\nff 07 4b 46 7f ff 0c 10 1c t=127937\n",
            ProbeFault.OUT_OF_RANGE,
        ),
        (PRINTED.replace("23125", "-127000"), ProbeFault.OUT_OF_RANGE),
        (PRINTED.replace("t=23125", "t=nan"), ProbeFault.GARBLED),
        (PRINTED[:45], ProbeFault.GARBLED),
        ("\n", ProbeFault.MISSING),
        ("", ProbeFault.MISSING),
    ],
)
def test_what_is_no_temperature_is_named(text, fault):
    reading = reading_of(text)
    assert reading.fault is fault
    assert math.isnan(reading.temp_c)


def test_a_missing_probe_is_missing(one_wire):
    assert read_probe(one_wire.folder, DEVICE).fault is ProbeFault.MISSING


def test_a_real_zero_is_not_the_scratchpad_of_zeros(one_wire):
    one_wire.say(DEVICE, 0.0)
    assert read_probe(one_wire.folder, DEVICE).temp_c == 0.0


def test_after_power_on_the_probe_is_asked_once_more(one_wire, monkeypatch):
    one_wire.say(DEVICE, 85.0)
    read_text, asked = Path.read_text, []

    def reading_moves_it_on(path, **options):
        text = read_text(path, **options)
        asked.append(path)
        one_wire.say(DEVICE, 3.5)
        return text

    monkeypatch.setattr(Path, "read_text", reading_moves_it_on)
    assert read_probe(one_wire.folder, DEVICE).temp_c == 3.5
    assert len(asked) == 2
