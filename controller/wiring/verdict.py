"""What came of a test as a whole."""

from dataclasses import dataclass
from enum import StrEnum

from controller.wiring.cause import Diagnosis
from controller.wiring.check import Outcome, Record, Result, Scope, Stage
from controller.wiring.diagnose import diagnose
from controller.wiring.keep import GOES_ON_DAYS
from controller.wiring.stages import checks_of
from controller.wiring.step import Notes

GOES_ON = f"The same command goes on with what is left, within {GOES_ON_DAYS} days."
ATTENDED = "The whole test is the same command without --unattended, with an installer at the site."


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
    attended: bool = True
    goes_on: bool = True

    @property
    def sentence(self) -> str:
        """The verdict for people."""
        count = len(self.results)
        undone = sum(result.outcome is Outcome.NOT_DONE for result in self.results)
        match self.verdict:
            case Verdict.GOOD:
                left = " The heater step is left for another evening." if undone else ""
                return f"Good: {count - undone} checks were made, and all passed.{left}{self._then(undone)}"
            case Verdict.INCOMPLETE if not self.attended:
                return (
                    f"Not complete, as no test can be with nobody there: {undone} of {count} checks need "
                    f"eyes or hands; what was made passed. {ATTENDED}"
                )
            case Verdict.INCOMPLETE:
                left = f"{undone} of {count} checks were not made; what was made passed."
                return f"Incomplete: {left}{self._then(undone)}"
            case Verdict.FAULTY:
                bad = sum(result.outcome is Outcome.BAD for result in self.results)
                found = len(self.diagnoses)
                what = f"{found} thing{'s are' if found != 1 else ' is'} wrong, and " if found else ""
                then = "Mend, and repeat the test." if self.attended else f"Mend. {ATTENDED}"
                return f"Faulty: {what}{bad} of {count} checks did not pass. {then}"

    def _then(self, undone: int) -> str:
        return f" {GOES_ON}" if undone and self.goes_on else ""


def report_of(record: Record, scope: Scope, *, goes_on: bool = True) -> Report:
    """Return what came of a test, as far as its record goes; ``goes_on`` if that is kept for another day."""
    results = tuple(check.result(record.get(check.id, Notes()), record, scope) for check in checks_of(scope))
    diagnoses = diagnose(record, scope)
    if diagnoses or any(result.outcome is Outcome.BAD for result in results):
        verdict = Verdict.FAULTY
    elif any(result.outcome is Outcome.NOT_DONE and result.stage is not Stage.STEP for result in results):
        verdict = Verdict.INCOMPLETE
    else:
        verdict = Verdict.GOOD
    return Report(
        results=results, diagnoses=diagnoses, verdict=verdict, attended=scope.attended, goes_on=goes_on
    )
