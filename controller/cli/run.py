"""The command that guards."""

import sys
from pathlib import Path
from typing import Literal

import click

from controller.cli.options import PACE, SINCE, SITE, STATE
from controller.journal.store import state_root
from controller.site.last_good import load_or_last_good


@click.command()
@SITE
@STATE
@click.option(
    "--log", "form", type=click.Choice(["json", "console"]), default="json", help="Form of the log lines."
)
@PACE
@SINCE
def run(
    file: Path, folder: Path | None, form: Literal["json", "console"], pace: float, since: str | None
) -> None:
    """Guard a site: the daemon."""
    from controller.daemon import run_daemon

    site, trouble = load_or_last_good(file, folder or state_root())
    sys.exit(run_daemon(site, folder=folder, form=form, pace=pace, since=since, site_trouble=trouble))
