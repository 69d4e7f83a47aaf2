"""The commands ``fit`` and ``predict``: read, learn, print, draw."""

import json
from datetime import datetime
from pathlib import Path

from controller.errors import LogbookError
from controller.learn.ahead import foretell, learn
from controller.learn.logbook import read_logbook
from controller.learn.picture import draw_foretold, draw_learnt
from controller.learn.words import foretold_json, foretold_text, learnt_json, learnt_text
from controller.site.model import Site


def fit_logbook(site: Site, logbook_file: Path, *, as_json: bool, picture: Path | None) -> str:
    """Return what a logbook tells of a site, as text or JSON; draw it too if asked."""
    learnt = learn(read_logbook(logbook_file, site))
    if picture is not None:
        draw_learnt(learnt, picture)
    return json.dumps(learnt_json(learnt, site)) if as_json else learnt_text(learnt, site, logbook_file.name)


def predict_logbook(
    site: Site, logbook_file: Path, begin: str, hours: float, *, as_json: bool, picture: Path | None
) -> str:
    """Return a prediction from a time of a logbook on, as text or JSON; draw it too if asked."""
    foretold = foretell(read_logbook(logbook_file, site), time_of(begin), hours)
    if picture is not None:
        draw_foretold(foretold, picture)
    return json.dumps(foretold_json(foretold, site)) if as_json else foretold_text(foretold, site)


def time_of(text: str) -> datetime:
    """Return a time given by a person, with its zone."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise LogbookError(
            f"--from: expected a time with its zone, such as 2027-01-14T18:00Z, but {text!r} came"
        )
    return at
