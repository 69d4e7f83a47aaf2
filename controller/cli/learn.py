"""Commands that learn a house and foretell it."""

from pathlib import Path

import click

from controller.cli.options import FILE, JSON, PICTURE, SITE, STATE
from controller.journal.store import state_folder
from controller.site.load import load_site

_LOGBOOK_HELP = "The logbook: a CSV file; its columns are in the README."


@click.command()
@SITE
@click.option("--logbook", "logbook_file", type=FILE, help=f"{_LOGBOOK_HELP}  Left out, the journal is used.")
@STATE
@click.option("--back", is_flag=True, help="Go back to the model that was in use before the present one.")
@JSON
@PICTURE
def fit(
    file: Path,
    logbook_file: Path | None,
    folder: Path | None,
    picture: Path | None,
    *,
    back: bool,
    as_json: bool,
) -> None:
    """Learn a house from a record: its losses, capacities and gains, each with its error.

    From a logbook: says how well nights not seen would have been foretold twelve hours ahead, and what the
    record cannot tell yet; nothing is kept.

    From the journal, as the daemon does once a day: the learnt model is kept with its evidence and used from
    then on, if it foretells nights that it has not seen at least as well as the one in use, leaves nothing
    lasting out, and lies near the handbook.
    """
    from controller.clock import SystemClock
    from controller.learn.by_command import fit_journal, fit_logbook, go_back

    site = load_site(file)
    folder = state_folder(site.name, folder)
    if back:
        click.echo(go_back(folder))
    elif logbook_file is not None:
        click.echo(fit_logbook(site, logbook_file, as_json=as_json, picture=picture))
    elif picture is not None:
        raise click.UsageError("--picture needs --logbook")
    else:
        click.echo(fit_journal(site, folder, SystemClock().utc(), as_json=as_json))


@click.command()
@SITE
@click.option("--logbook", "logbook_file", type=FILE, required=True, help=_LOGBOOK_HELP)
@click.option("--from", "begin", required=True, help="When to predict from, such as 2027-01-14T18:00Z.")
@click.option(
    "--hours", type=click.FloatRange(1, 168), default=12.0, show_default=True, help="How far ahead [h]."
)
@JSON
@PICTURE
def predict(
    file: Path, logbook_file: Path, begin: str, hours: float, picture: Path | None, *, as_json: bool
) -> None:
    """Predict house and trees from a time of a logbook on, and compare with what came.

    The model is learnt from what stands before that time; the weather, fleece and powers written after it
    are taken as known.
    """
    from controller.learn.by_command import predict_logbook

    site = load_site(file)
    click.echo(predict_logbook(site, logbook_file, begin, hours, as_json=as_json, picture=picture))


@click.command()
@SITE
@click.option("--logbook", "logbook_file", type=FILE, help=f"{_LOGBOOK_HELP}  Left out, the journal is used.")
@STATE
@click.option("--until", help="Look at the four days before this time, such as 2027-01-14T08:00Z.")
@JSON
def diagnose(
    file: Path, logbook_file: Path | None, folder: Path | None, until: str | None, *, as_json: bool
) -> None:
    """Say what the last days' readings speak for: fleece off or wet, a dead string, a probe moved or swapped.

    A logbook's house is learnt from what stands before those days; the journal is judged by the model in use,
    as the daemon does every hour.  Nothing is switched.
    """
    from controller.learn.by_command import diagnose_journal, diagnose_logbook

    site = load_site(file)
    if logbook_file is not None:
        click.echo(diagnose_logbook(site, logbook_file, until, as_json=as_json))
    else:
        click.echo(diagnose_journal(site, state_folder(site.name, folder), until, as_json=as_json))
