"""A report for people and for programs."""

from collections.abc import Iterator
from typing import Any

from controller.site.model import Site
from controller.wiring.cause import KNOWN
from controller.wiring.check import Outcome
from controller.wiring.verdict import Report

_MARKS = {Outcome.GOOD: "good", Outcome.BAD: "BAD ", Outcome.NOT_DONE: "----"}


def report_text(report: Report) -> str:
    """Return what came of a test, for a terminal."""
    return "\n".join(_lines(report))


def _lines(report: Report) -> Iterator[str]:
    for result in report.results:
        yield f"{_MARKS[result.outcome]}  {result.title}: {result.evidence}"
    yield ""
    for diagnosis in report.diagnoses:
        yield f"{diagnosis.cause}: {diagnosis.sentence}"
        yield f"    what to do: {KNOWN[diagnosis.cause].mend}"
    yield report.sentence


def report_json(report: Report, site: Site) -> dict[str, Any]:
    """Return what came of a test, for programs."""
    return {
        "site": site.name,
        "verdict": str(report.verdict),
        "sentence": report.sentence,
        "found": [
            {
                "cause": str(d.cause),
                "targets": list(d.targets),
                "what": KNOWN[d.cause].what,
                "because": d.because,
                "mend": KNOWN[d.cause].mend,
            }
            for d in report.diagnoses
        ],
        "checks": [
            {
                "id": r.check,
                "stage": str(r.stage),
                "title": r.title,
                "outcome": str(r.outcome),
                "evidence": r.evidence,
            }
            for r in report.results
        ],
    }
