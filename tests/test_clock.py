"""The paced clock: faster than life, and the same in two processes."""

import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from controller.clock import RELEASED, PacedClock, SystemClock, clock_for, now_on, paced_clock
from controller.errors import RimewardError

START = datetime(2027, 1, 14, 16, 0, tzinfo=UTC)


def test_a_paced_clock_runs_faster():
    clock = PacedClock(100.0, START, time.time() - 3.0)
    assert clock.utc() - START >= timedelta(seconds=300)
    assert clock.mono_s() == pytest.approx(300.0, abs=20.0)


def test_waiting_is_shortened():
    clock = PacedClock(1000.0, START, time.time())
    begun = time.monotonic()
    assert clock.wait(threading.Event(), 20.0) is False
    assert time.monotonic() - begun < 5.0


def test_two_processes_agree():
    one = PacedClock(60.0, START, time.time() - 1.0)
    other = paced_clock(60.0, str(one))
    assert abs((other.utc() - one.utc()).total_seconds()) < 10.0
    assert (other.start, other.origin_s) == (one.start, one.origin_s)


def test_without_another_clock_it_starts_at_the_wall_s_time():
    assert abs((paced_clock(2.0, None).utc() - datetime.now(UTC)).total_seconds()) < 10.0


def test_a_wall_clock_older_than_this_release_is_not_trusted(monkeypatch):
    clock = SystemClock()
    assert now_on(clock).clock_trusted
    monkeypatch.setattr(SystemClock, "utc", lambda _: RELEASED - timedelta(days=1))
    assert not now_on(clock).clock_trusted


def test_the_system_clock_waits_and_runs_on():
    clock = SystemClock()
    before = clock.mono_s()
    assert clock.wait(threading.Event(), -1.0) is False
    assert clock.mono_s() >= before


def test_a_command_s_clock(curlew_yard):
    assert isinstance(clock_for(curlew_yard, 1.0, None), SystemClock)
    rehearsal = curlew_yard.model_copy(update={"rehearsal": True})
    assert clock_for(rehearsal, 60.0, None).pace == 60.0
    with pytest.raises(RimewardError, match="real site's"):
        clock_for(curlew_yard, 60.0, None)
