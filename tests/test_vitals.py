"""The process's own health."""

import os
import threading
from pathlib import Path

import pytest

from controller.vitals import (
    MANY_FILES,
    MOST_BYTES,
    MUCH_BYTES,
    Vitals,
    leave_within,
    open_files,
    resident_bytes,
)


@pytest.mark.fault("P04", "D12")
@pytest.mark.parametrize(
    ("used", "files", "says", "bursting"),
    [
        (MUCH_BYTES, MANY_FILES, "", False),
        (MUCH_BYTES + 1, 3, "250 MB of memory held; at 400 MB it starts anew", False),
        (MOST_BYTES + 1, 3, "400 MB of memory held; at 400 MB it starts anew", True),
        (3, MANY_FILES + 1, "513 files held open", False),
    ],
)
def test_growth_is_told_before_it_ends_the_process(used, files, says, bursting):
    vitals = Vitals(lambda: used, lambda: files)
    assert vitals.trouble == says
    assert vitals.is_bursting is bursting


def test_this_process_is_measured():
    assert resident_bytes(os.getpid()) > 10_000_000  # an interpreter with numpy holds more
    assert resident_bytes(2**22 + 1) == 0  # beyond Linux's largest process id
    before = open_files()
    with Path(os.devnull).open() as _:
        assert open_files() == before + 1


def test_leaving_that_hangs_is_cut_short_and_leaving_in_time_is_not():
    left, in_time = threading.Event(), threading.Event()
    leave_within(0.01, 70, lambda code: left.set() if code == 70 else None)
    assert left.wait(10.0)
    leave_within(30.0, 70, lambda _: in_time.set()).cancel()
    assert not in_time.is_set()
