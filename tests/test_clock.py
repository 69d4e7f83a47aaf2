"""The paced clock: faster than life, and the same in two processes."""

import threading
import time
import zoneinfo
from datetime import UTC, datetime, timedelta

import pytest

from controller.clock import (
    RELEASED,
    SETTLED_S,
    JumpWatch,
    PacedClock,
    SystemClock,
    clock_for,
    now_on,
    paced_clock,
)
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


@pytest.mark.fault("C01", "C02", "C03", "C04")
@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 365.25 * 86400.0, -30.5 * 86400.0])
def test_a_clock_that_jumps_is_in_doubt_for_an_hour_and_then_taken_as_it_is(jump_s):
    watch = JumpWatch()
    assert watch.is_settled(100.0, START)
    assert watch.is_settled(110.0, START + timedelta(seconds=10.0))
    jumped = START + timedelta(seconds=20.0 + jump_s)
    assert not watch.is_settled(120.0, jumped)
    assert watch.jumped_s == pytest.approx(jump_s)
    assert not watch.is_settled(120.0 + SETTLED_S - 1.0, jumped + timedelta(seconds=SETTLED_S - 1.0))
    assert watch.is_settled(120.0 + SETTLED_S, jumped + timedelta(seconds=SETTLED_S))


@pytest.mark.fault("C05")
def test_the_first_setting_of_a_clock_without_battery_is_no_jump():
    watch = JumpWatch()
    boot = datetime(1970, 1, 1, tzinfo=UTC)
    assert watch.is_settled(5.0, boot)
    assert watch.is_settled(65.0, START)


@pytest.mark.fault("C09", "C10")
def test_drift_and_a_leap_second_are_no_jumps():
    watch = JumpWatch()
    for n in range(100):  # a second in a hundred is far more than any quartz drifts
        assert watch.is_settled(100.0 * n, START + timedelta(seconds=101.0 * n))


@pytest.mark.fault("C13")
def test_the_control_s_clock_goes_on_while_the_machine_is_suspended():
    # Linux, clock_gettime(2): CLOCK_BOOTTIME also counts the time that the system is suspended
    assert SystemClock().mono_s() == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=5.0)


def test_a_rehearsal_s_clock_is_sound():
    assert now_on(PacedClock(60.0, datetime(2020, 1, 1, tzinfo=UTC), time.time())).clock_trusted


@pytest.mark.fault("C11")
def test_without_the_machine_s_time_zones_those_that_came_along_count(met):
    zoneinfo.reset_tzpath(to=())
    try:
        summer = datetime(2027, 7, 1, 12, 0, tzinfo=UTC).astimezone(
            zoneinfo.ZoneInfo.no_cache("Europe/Dublin")
        )
    finally:
        zoneinfo.reset_tzpath()
    assert summer.hour == 13
    met(reaction="none: those that came along count", alarm="none: those that came along count")
