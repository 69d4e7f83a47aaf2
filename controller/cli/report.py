"""The command that tells in spring what the season came to."""

import json
from contextlib import closing
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.cli.options import FILE, JSON, SITE, STATE
from controller.errors import JournalError, RimewardError
from controller.journal.store import open_for_reading, state_folder
from controller.site.load import load_site
from controller.site.model import Site

_DAY = click.DateTime(["%Y-%m-%d"])


@click.command()
@SITE
@STATE
@click.option("--from", "begin", type=_DAY, help="First day  [default: the midsummer before the last day]")
@click.option("--until", "end", type=_DAY, help="Last day  [default: today]")
@click.option("--page", type=FILE, help="Also write it into this file as a page with pictures (HTML).")
@JSON
def report(
    file: Path,
    folder: Path | None,
    begin: datetime | None,
    end: datetime | None,
    page: Path | None,
    *,
    as_json: bool,
) -> None:
    """Say what a season came to, and what to change before the next.

    Nights, energy and money for each tree and fruit, how cold each tree became, alarms and how soon somebody
    had them, orders by hand, and how good the forecasts were; all from the journal.
    """
    from zoneinfo import ZoneInfo

    from controller.journal.spans import season_begin
    from controller.report.season import season_of
    from controller.report.season_page import page_of
    from controller.report.season_text import as_text, parts_of

    site = load_site(file)
    until = end.replace(hour=23, minute=59, second=59, tzinfo=UTC) if end else datetime.now(UTC)
    since = begin.replace(tzinfo=UTC) if begin else season_begin(site.place, until)
    journal = state_folder(site.name, folder) / "journal.db"
    with closing(open_for_reading(journal)) as connection:
        season = season_of(connection, site, since, until)
    if season is None:
        raise JournalError(
            f"{journal}: nothing was decided from {since:%Y-%m-%d} to {until:%Y-%m-%d}; give other days by "
            "--from and --until"
        )
    zone = ZoneInfo(site.place.time_zone)
    title = f"{site.title}: the season"
    parts = parts_of(season, zone, _forecasts(journal, site))
    if page is not None:
        try:
            page.write_text(page_of(title, season, parts, zone), encoding="utf-8")
        except OSError as error:
            raise RimewardError(f"{page}: cannot be written ({error.strerror}); give another file") from error
    if as_json:
        click.echo(json.dumps(asdict(season), default=lambda at: at.isoformat()))
    else:
        click.echo(as_text(title, parts))


def _forecasts(journal: Path, site: Site) -> str:
    from controller.journal.pairs import pairs_in
    from controller.weather.pairs import PairsError
    from controller.weather.verify import replay, text_of

    try:
        return text_of(replay(pairs_in(journal, site), site.place))
    except PairsError as error:
        return str(error)
