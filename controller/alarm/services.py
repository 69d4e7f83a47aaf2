"""Findings about what the daemon needs besides probes and boards: forecast, plan, model, journal, broker."""

from collections.abc import Iterator
from dataclasses import dataclass

from controller.guard.finding import Finding, FindingCode, finding

# A forecast older than this leaves the coming night unforeseen [s]; until then its trouble is only shown.
FORECAST_OLD_S = 12 * 3600.0
# The source these findings name themselves by.
SERVICES = "services"


@dataclass(frozen=True, slots=True, kw_only=True)
class Troubles:
    """What each service says is wrong with it, or nothing; ``outlook_age_s`` [s] may be infinite."""

    site: str = ""
    forecast: str = ""
    plan: str = ""
    model: str = ""
    journal: str = ""
    broker: str = ""
    alarm: str = ""
    job: str = ""
    clock: str = ""
    memory: str = ""
    outlook_age_s: float = 0.0

    @property
    def notices(self) -> tuple[str, ...]:
        """The troubles, for people."""
        own = (self.job, self.clock, self.memory)
        each = (self.site, self.forecast, self.plan, self.model, self.journal, self.broker, self.alarm, *own)
        return tuple(text for text in each if text)


def found_in(troubles: Troubles) -> tuple[Finding, ...]:
    """Return the troubles as findings."""
    return tuple(_each(troubles))


def _each(troubles: Troubles) -> Iterator[Finding]:
    old = troubles.outlook_age_s > FORECAST_OLD_S
    if troubles.forecast or old:
        because = troubles.forecast or "no forecast has come yet"
        yield finding(FindingCode.NO_FORECAST, "forecast", because, severity=2 if old else 1)
    for code, target, because in (
        (FindingCode.SITE_FILE_TROUBLE, "site-file", troubles.site),
        (FindingCode.PLAN_TROUBLE, "plan", troubles.plan),
        (FindingCode.MODEL_TROUBLE, "model", troubles.model),
        (FindingCode.JOURNAL_TROUBLE, "journal", troubles.journal),
        (FindingCode.BROKER_TROUBLE, "broker", troubles.broker),
        (FindingCode.ALARM_TROUBLE, "alarm", troubles.alarm),
        (FindingCode.JOB_TROUBLE, "jobs", troubles.job),
        (FindingCode.CLOCK_TROUBLE, "clock", troubles.clock),
        (FindingCode.MEMORY_TROUBLE, "memory", troubles.memory),
    ):
        if because:
            yield finding(code, target, because)
