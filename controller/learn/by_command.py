"""The commands ``fit`` and ``predict``: read, learn, print, draw."""

import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

from controller.errors import LogbookError
from controller.guard.finding import Finding
from controller.learn.ahead import foretell, learn
from controller.learn.findings import findings_of, findings_of_logbook, findings_text
from controller.learn.from_journal import record_of_journal
from controller.learn.logbook import read_logbook
from controller.learn.models import Models
from controller.learn.picture import draw_foretold, draw_learnt
from controller.learn.words import foretold_json, foretold_text, learnt_json, learnt_text, parameter_rows
from controller.site.model import Site
from controller.thermal.doubt import doubt_of_fit
from controller.thermal.house_fit import fit_house
from controller.thermal.judge import judge
from controller.thermal.trial import SHORTEST_S, split_of


def fit_logbook(site: Site, logbook_file: Path, *, as_json: bool, picture: Path | None) -> str:
    """Return what a logbook tells of a site, as text or JSON; draw it too if asked."""
    learnt = learn(read_logbook(logbook_file, site))
    if picture is not None:
        draw_learnt(learnt, picture)
    return json.dumps(learnt_json(learnt, site)) if as_json else learnt_text(learnt, site, logbook_file.name)


def fit_journal(site: Site, folder: Path, now: datetime, *, as_json: bool) -> str:
    """Let a challenger learn from the journal, keep it if it is better than the model in use, and say so."""
    models = Models(folder)
    champion = models.in_use(site)
    logbook = record_of_journal(folder / "journal.db", site)
    split = split_of(logbook.record)
    if split == logbook.record.steps:
        raise LogbookError(
            f"the journal holds less than {SHORTEST_S / 86400.0:g} days of readings: too little to learn "
            "from and to judge by; the model in use stays"
        )
    challenger = fit_house(logbook.record.part(0, split), logbook.prior)
    verdict = judge(challenger, champion.parameters, champion.noise, logbook.record, split)
    evidence = {
        "verdict": asdict(verdict),
        "numbers": parameter_rows(challenger),
        "remarks": list(logbook.remarks),
    }
    name = champion.name
    if verdict.accepted:
        name = models.accept(
            now,
            logbook.prior,
            challenger.parameters,
            challenger.noise,
            doubt_of_fit(challenger),
            evidence,
        )
    if as_json:
        return json.dumps({"in_use": name, "before": champion.name, **evidence})
    word = "accepted" if verdict.accepted else "not accepted"
    lines = [f"{site.title}: a model learnt from the journal is {word}: {verdict.because}."]
    lines += [f"  - {remark}" for remark in logbook.remarks]
    lines.append(f"In use: {name}. Go back to the one before with: rimeward fit --back")
    return "\n".join(lines)


def diagnose_logbook(site: Site, logbook_file: Path, until: str | None, *, as_json: bool) -> str:
    """Return what a logbook's last days speak for, as text or JSON."""
    end = None if until is None else time_of(until, "--until")
    return _said(findings_of_logbook(read_logbook(logbook_file, site), site, end), site, as_json=as_json)


def diagnose_journal(site: Site, folder: Path, until: str | None, *, as_json: bool) -> str:
    """Return what the journal's last days speak for, as text or JSON, by the model in use."""
    end = None if until is None else time_of(until, "--until")
    model = Models(folder).in_use(site)
    if not model.is_learnt:
        raise LogbookError(
            f"no model learnt of this house is in use{f' ({model.remark})' if model.remark else ''}: the "
            "handbook's numbers cannot tell a fault from a house that differs; run rimeward fit first"
        )
    logbook = record_of_journal(folder / "journal.db", site)
    return _said(findings_of(logbook.record, model.parameters, model.noise, site, end), site, as_json=as_json)


def _said(found: tuple[Finding, ...], site: Site, *, as_json: bool) -> str:
    if as_json:
        return json.dumps({"site": site.name, "findings": [asdict(one) for one in found]})
    return findings_text(found, site)


def go_back(folder: Path) -> str:
    """Put the model before the present one in use again, and say so."""
    left, now = Models(folder).back()
    return f"{left} is no longer in use; {now} is. The next night's fit may propose another."


def predict_logbook(
    site: Site, logbook_file: Path, begin: str, hours: float, *, as_json: bool, picture: Path | None
) -> str:
    """Return a prediction from a time of a logbook on, as text or JSON; draw it too if asked."""
    foretold = foretell(read_logbook(logbook_file, site), time_of(begin), hours)
    if picture is not None:
        draw_foretold(foretold, picture)
    return json.dumps(foretold_json(foretold, site)) if as_json else foretold_text(foretold, site)


def time_of(text: str, option: str = "--from") -> datetime:
    """Return a time given by a person, with its zone."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise LogbookError(
            f"{option}: expected a time with its zone, such as 2027-01-14T18:00Z, but {text!r} came"
        )
    return at
