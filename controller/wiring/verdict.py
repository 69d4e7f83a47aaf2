"""What came of a test as a whole."""

from dataclasses import dataclass
from enum import StrEnum

from controller.wiring.cause import Diagnosis
from controller.wiring.check import Outcome, Record, Result, Scope, Stage
from controller.wiring.diagnose import diagnose
from controller.wiring.stages import checks_of
from controller.wiring.step import Notes


class Verdict(StrEnum):
    """Whether a site may be left to work by itself."""

    GOOD = "good"
    FAULTY = "faulty"
    INCOMPLETE = "incomplete"


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Every check's result, what is wrong, and the verdict."""

    results: tuple[Result, ...]
    diagnoses: tuple[Diagnosis, ...]
    verdict: Verdict

    @property
    def sentence(self) -> str:
        """The verdict for people."""
        count = len(self.results)
        match self.verdict:
            case Verdict.GOOD:
                undone = sum(result.outcome is Outcome.NOT_DONE for result in self.results)
                left = " The heater step is left for another evening." if undone else ""
                return f"Good: {count - undone} checks were made, and all passed.{left}"
            case Verdict.INCOMPLETE:
                undone = sum(result.outcome is Outcome.NOT_DONE for result in self.results)
                return f"Incomplete: {undone} of {count} checks were not made; what was made passed."
            case Verdict.FAULTY:
                bad = sum(result.outcome is Outcome.BAD for result in self.results)
                found = len(self.diagnoses)
                what = f"{found} thing{'s are' if found != 1 else ' is'} wrong, and " if found else ""
                return f"Faulty: {what}{bad} of {count} checks did not pass. Mend, and repeat the test."


def report_of(record: Record, scope: Scope) -> Report:
    """Return what came of a test, as far as its record goes."""
    results = tuple(check.result(record.get(check.id, Notes()), record, scope) for check in checks_of(scope))
    diagnoses = diagnose(record, scope)
    if diagnoses or any(result.outcome is Outcome.BAD for result in results):
        verdict = Verdict.FAULTY
    elif any(result.outcome is Outcome.NOT_DONE and result.stage is not Stage.STEP for result in results):
        verdict = Verdict.INCOMPLETE
    else:
        verdict = Verdict.GOOD
    return Report(results=results, diagnoses=diagnoses, verdict=verdict)
