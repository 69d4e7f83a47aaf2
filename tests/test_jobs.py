"""Jobs with a real scheduler: whatever the wall clock does, what is due is done, once, and a hang is seen."""

import itertools
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from controller.jobs import LATE_S, MOST_HUNG, Job, Jobs

YEAR_S = 365.25 * 86400.0


class Time:
    """The machine's clocks, of which a test moves the wall clock."""

    def __init__(self):
        self.ahead_s = 0.0
        self.later_s = 0.0

    def mono_s(self):
        return time.monotonic() + self.later_s

    def utc(self):
        return datetime.now(UTC) + timedelta(seconds=self.ahead_s)


@pytest.fixture
def clocks():
    return Time()


@pytest.fixture
def begin(clocks):
    """Return a way to start jobs, each given as what it does."""
    started = []

    def begin(*runs, first_s=0.0, every_s=1000.0, deadline_s=1000.0, **others):
        jobs = Jobs(
            tuple(Job(f"job-{n}", run, first_s, every_s, deadline_s, **others) for n, run in enumerate(runs)),
            clocks.mono_s,
            clocks.utc,
        )
        jobs.start()
        started.append(jobs)
        return jobs

    yield begin
    for jobs in started:
        jobs.stop()


def wait_for(jobs, condition, within_s=10.0):
    waiting = threading.Event()
    ends_s = time.monotonic() + within_s
    while not condition():
        jobs.look()
        assert time.monotonic() < ends_s, "it did not come"
        waiting.wait(0.005)


def test_a_job_runs_first_then_at_its_interval(begin):
    times = []
    jobs = begin(lambda: times.append(time.monotonic()), every_s=0.05)
    wait_for(jobs, lambda: len(times) >= 4)
    assert all(later - earlier >= 0.04 for earlier, later in itertools.pairwise(times))


def test_a_job_that_fails_is_told_until_it_goes_well_and_goes_on(begin):
    turns = iter([ZeroDivisionError("a fault put in by the test"), None])

    def run():
        if error := next(turns, None):
            raise error

    jobs = begin(run, every_s=0.2)
    wait_for(jobs, lambda: jobs.trouble)
    assert jobs.trouble == "job-0 failed (ZeroDivisionError: a fault put in by the test)"
    wait_for(jobs, lambda: not jobs.trouble)
    assert not jobs.is_dead


@pytest.mark.fault("C02", "P-12", "P13")
def test_a_clock_set_back_an_hour_delays_no_job(begin, clocks):
    clocks.ahead_s = 3600.0  # armed by a clock that is then set back
    done = threading.Event()
    jobs = begin(done.set, first_s=0.05)
    assert not done.wait(0.3)
    clocks.ahead_s = 0.0
    wait_for(jobs, done.is_set)


@pytest.mark.fault("C01", "C03", "C05", "P-13")
@pytest.mark.parametrize("years", [0.0001, 1.0, 57.0])
def test_a_clock_set_ahead_by_years_runs_a_job_once_and_not_once_for_every_run_missed(begin, clocks, years):
    clocks.ahead_s = -years * YEAR_S  # armed by a clock that is then set ahead
    runs = []
    jobs = begin(lambda: runs.append(1), first_s=0.0, every_s=60.0)
    clocks.ahead_s = 0.0
    wait_for(jobs, lambda: runs)
    for _ in range(3):
        jobs.look()
    threading.Event().wait(0.1)
    assert len(runs) == 1


def test_what_looks_at_the_time_runs_at_once_after_a_jump_and_the_rest_when_it_is_due(begin, clocks):
    clocks.ahead_s = -3600.0  # then set ahead
    done, late = threading.Event(), threading.Event()
    jobs = begin(done.set, first_s=10000.0, at_once_after_jump=True)
    others = begin(late.set, first_s=10000.0)
    clocks.ahead_s = 0.0
    others.look()
    wait_for(jobs, done.is_set)
    assert not late.wait(0.1)


def test_a_job_can_be_asked_for_soon(begin):
    done = threading.Event()
    jobs = begin(done.set, first_s=1000.0)
    jobs.look()
    assert not done.is_set()
    jobs.soon("job-0")
    wait_for(jobs, done.is_set)


@pytest.mark.fault("P12")
def test_a_job_that_hangs_is_told_and_started_again_beside_it_but_not_for_ever(begin, clocks, met):
    release, began = threading.Event(), []

    def hangs():
        began.append(1)
        release.wait(30.0)

    other = []
    jobs = begin(hangs, lambda: other.append(1), every_s=0.0, deadline_s=25.0)
    try:
        for n in range(1, MOST_HUNG + 1):
            wait_for(jobs, lambda n=n: len(began) == n and jobs._runs["job-0"].began_s is not None)
            assert not jobs.is_dead
            clocks.later_s += 26.0
            jobs.look()
            assert jobs.trouble == "job-0 has not ended within 25 s"
        assert jobs.is_dead
        assert other, "the other job ran meanwhile"
    finally:
        release.set()
    wait_for(jobs, lambda: not jobs.is_dead)
    met(
        reaction=clocks.later_s, alarm=clocks.later_s / MOST_HUNG
    )  # in the clock moved by hand; each hung alike


@pytest.mark.fault("P13")
def test_a_scheduler_that_starts_nothing_is_dead(begin, clocks, met):
    jobs = begin(lambda: None, first_s=100.0)
    clocks.later_s = clocks.ahead_s = 100.0 + LATE_S - 5.0
    assert not jobs.is_dead
    clocks.later_s = clocks.ahead_s = 100.0 + LATE_S + 5.0
    assert jobs.is_dead
    met(reaction=clocks.later_s - 100.0, alarm="none: the process is started anew, with heat on meanwhile")


def test_a_scheduler_that_ended_is_dead(begin):
    jobs = begin(lambda: None, first_s=100.0)
    jobs._scheduler.shutdown(wait=False)
    assert jobs.is_dead
    jobs._scheduler.start()
