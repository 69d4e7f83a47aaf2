from datetime import datetime

import pytest

from controller.errors import RehearsalError
from simulator.faults.setting import FaultSetting

START = datetime(2027, 1, 15, 16, 0)


def test_a_fault_in_one_word():
    fault = FaultSetting.read("S24:air-lemon@02:30+2h~30s/5m")
    assert (fault.id, fault.target) == ("S24", "air-lemon")
    assert fault.onset_s(START) == 10.5 * 3600.0
    assert fault.length_s == 7200.0
    assert fault.cycle_s == (30.0, 300.0)


def test_what_is_left_out_is_the_whole_night():
    fault = FaultSetting.read("P-01")
    assert fault.onset_s(START) == 0.0
    assert fault.length_s == float("inf")
    assert fault.cycle_s is None


@pytest.mark.parametrize(
    ("at", "onset_s"), [("16:00", 0.0), ("15:59", 86340.0), ("90m", 5400.0), ("2.5h", 9000.0), ("45s", 45.0)]
)
def test_an_onset_is_a_time_of_day_or_a_time_since_the_start(at, onset_s):
    assert FaultSetting(id="S01", at=at).onset_s(START) == onset_s


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("S01 at two", "expected FAULT"),
        ("S99", "^'S99' is no fault: there is no fault 'S99'"),
        ("S01@25:00", "time of day"),
        ("S01@two", "length such as 30s"),
        ("S01+0h", "longer than 0 s"),
        ("S01~5m/5m", "shorter than"),
    ],
)
def test_what_is_no_fault_is_refused_with_what_was_expected(word, says):
    with pytest.raises(RehearsalError, match=says):
        FaultSetting.read(word)


def test_half_a_cycle_is_refused():
    with pytest.raises(ValueError, match="needs both"):
        FaultSetting(id="S01", comes_for="30s")
