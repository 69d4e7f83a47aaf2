"""Jobs that may be late: forecast, plan, fit, housekeeping; each with a deadline, all by the monotonic clock.

APScheduler goes by the wall clock: set back, its jobs are silent until the old time comes again; set ahead by
years, it enumerates every run missed.  So each job is armed for one run at a time, by a date that is only the
monotonic due time in other words; when the two clocks part, every job is armed anew.  A job that hangs beyond
its deadline is armed again beside the hung run; too many of those, or a scheduler that does not start what is
due, and the process must end and be started again.
"""

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import structlog
from apscheduler.events import (
    EVENT_JOB_ERROR,
    EVENT_JOB_EXECUTED,
    EVENT_JOB_MAX_INSTANCES,
    EVENT_JOB_MISSED,
    EVENT_JOB_SUBMITTED,
    JobEvent,
)
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

# The wall clock has jumped when it parts from the monotonic one by more than this [s].
JUMP_S = 30.0
# A job that has not begun so long after it was due shows that the scheduler is stuck [s].
LATE_S = 120.0
MOST_HUNG = 3

log = structlog.stdlib.get_logger()


@dataclass(frozen=True, slots=True)
class Job:
    """Something done first after ``first_s``, then every ``every_s``, and given up after ``deadline_s``."""

    name: str
    run: Callable[[], object]
    first_s: float
    every_s: float
    deadline_s: float
    at_once_after_jump: bool = False


@dataclass(slots=True)
class _Run:
    """A job's next or present run: when it is due, when it began (both monotonic)."""

    number: int
    due_s: float
    began_s: float | None = None


class Jobs:
    """The jobs of a daemon; every method but ``soon`` and ``trouble`` is for the one thread that looks.

    Parameters
    ----------
    jobs
        What to do.
    mono_s, utc
        The clocks; a test's own are possible.
    """

    def __init__(
        self,
        jobs: tuple[Job, ...],
        mono_s: Callable[[], float] = time.monotonic,
        utc: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._jobs = {job.name: job for job in jobs}
        self._mono_s, self._utc = mono_s, utc
        self._runs: dict[str, _Run] = {}
        self._troubles: dict[str, str] = {}
        self._hung: set[str] = set()
        self._soon: deque[str] = deque(maxlen=100)
        # its threads only leave here what happened: it tells some of it while it holds its own locks
        self._happened: deque[tuple[JobEvent, float]] = deque()
        self._offset_s = self._parted_s()
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )
        ended = EVENT_JOB_EXECUTED | EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES
        self._scheduler.add_listener(
            lambda event: self._happened.append((event, self._mono_s())), ended | EVENT_JOB_SUBMITTED
        )

    @property
    def trouble(self) -> str:
        """What is wrong with jobs, in words; empty while each one's last run went well."""
        return "; ".join(self._troubles.copy().values())

    @property
    def is_dead(self) -> bool:
        """Whether only a new process helps: the scheduler starts nothing, or too many runs hang."""
        waiting = (run.due_s for run in self._runs.values() if run.began_s is None)
        late = any(self._mono_s() - due_s > LATE_S for due_s in waiting)
        return late or len(self._hung) >= MOST_HUNG or not self._scheduler.running

    def start(self) -> None:
        """Arm every job and begin."""
        self._scheduler.start()
        for job in self._jobs.values():
            self._arm(job, self._mono_s() + job.first_s)

    def stop(self) -> None:
        """End; a run that goes on is not waited for."""
        self._scheduler.shutdown(wait=False)

    def soon(self, name: str) -> None:
        """Let a job that waits for its time run at the next look; the caller never waits."""
        self._soon.append(name)

    def look(self) -> None:
        """Take in what happened, and arm what is to run next; called every second."""
        while self._happened:
            self._take_in(*self._happened.popleft())
        now_s = self._mono_s()
        while self._soon:
            self._arm_if_waiting(self._soon.popleft(), now_s)
        jump_s = self._parted_s() - self._offset_s
        if abs(jump_s) > JUMP_S:
            self._offset_s += jump_s
            log.warning("clock_jumped", by_s=round(jump_s), then="every job is armed anew")
            for name, run in list(self._runs.items()):
                self._arm_if_waiting(name, now_s if self._jobs[name].at_once_after_jump else run.due_s)
        for name, run in list(self._runs.items()):
            job = self._jobs[name]
            if run.began_s is not None and now_s - run.began_s > job.deadline_s:
                self._hung.add(_id(job, run))
                self._note(job, f"{job.name} has not ended within {job.deadline_s:.0f} s")
                self._arm(job, now_s + job.every_s)

    def _parted_s(self) -> float:
        return self._utc().timestamp() - self._mono_s()

    def _arm_if_waiting(self, name: str, due_s: float) -> None:
        job, run = self._jobs[name], self._runs.get(name)
        if run is None or run.began_s is not None:
            return
        try:
            self._scheduler.remove_job(_id(job, run))
        except JobLookupError:
            return  # it has just begun; its end arms the next
        self._arm(job, due_s)

    def _arm(self, job: Job, due_s: float) -> None:
        last = self._runs.get(job.name)
        run = _Run(number=last.number + 1 if last else 1, due_s=due_s)
        self._runs[job.name] = run
        at = self._utc() + timedelta(seconds=due_s - self._mono_s())
        self._scheduler.add_job(job.run, DateTrigger(at, timezone=UTC), id=_id(job, run))

    def _take_in(self, event: JobEvent, at_s: float) -> None:
        """Note what the scheduler says of a run, and arm the next one when it has ended."""
        name, _, number = event.job_id.rpartition("#")
        job, run = self._jobs[name], self._runs[name]
        if event.code == EVENT_JOB_SUBMITTED:
            if run.number == int(number):
                run.began_s = at_s
            return
        self._hung.discard(event.job_id)
        if run.number != int(number):
            return  # it was given up long ago, and has ended after all
        if event.code == EVENT_JOB_EXECUTED:
            self._troubles.pop(name, None)
        elif event.code == EVENT_JOB_ERROR:
            self._note(job, f"{name} failed ({type(event.exception).__name__}: {event.exception})")
        else:
            self._note(job, f"{name} was not started when it was due")
        self._arm(job, at_s + job.every_s)

    def _note(self, job: Job, trouble: str) -> None:
        self._troubles[job.name] = trouble
        log.warning("job_trouble", job=job.name, trouble=trouble)


def _id(job: Job, run: _Run) -> str:
    return f"{job.name}#{run.number}"
