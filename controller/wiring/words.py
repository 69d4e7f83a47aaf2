"""A report for people and for programs."""

from collections.abc import Iterator, Mapping
from typing import Any

from controller.site.model import Site
from controller.wiring.cause import KNOWN
from controller.wiring.verdict import Report

_MARKS = {"good": "good", "bad": "BAD ", "not done": "----"}


def sheet_text(sheet: Mapping[str, Any]) -> str:
    """Return a sheet for a terminal."""
    return "\n".join(_lines(sheet))


def _lines(sheet: Mapping[str, Any]) -> Iterator[str]:
    for check in sheet["checks"]:
        yield f"{_MARKS[check['outcome']]}  {check['title']}: {check['evidence']}"
    yield ""
    for found in sheet["found"]:
        yield f"{found['cause']}: {', '.join(found['targets'])}: {found['what']} ({found['because']})"
        yield f"    what to do: {found['mend']}"
    for change in sheet.get("changes", ()):
        yield f"since {sheet['changed_since']}: {change}"
    yield sheet["sentence"]


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
