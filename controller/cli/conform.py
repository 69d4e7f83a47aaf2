"""The command that tells whether a real board keeps the contract."""

import sys
from pathlib import Path

import click

from controller.cli.options import SITE
from controller.site.load import load_site

_CAUTION = """\
Every heater of this board will switch, some of them often, for about two hours. Cut the breakers of its
heater circuits first (the board itself keeps its power), or stay with the strings the whole time; stop the
controller first; never do this on a day before a frost. Afterwards start the controller again and look at
its page."""


@click.command()
@SITE
@click.option("--board", "name", required=True, help="Which board of the site.")
@click.option("--alone", is_flag=True, help="Nobody is at the board: leave out what needs hands.")
@click.option("--case", "only", multiple=True, help="Only this case; may be given several times.")
@click.option("--list", "listing", is_flag=True, help="List the cases.")
@click.option("--yes", is_flag=True, help="I have read the caution.")
def conform(file: Path, name: str, only: tuple[str, ...], *, alone: bool, listing: bool, yes: bool) -> None:
    """Show whether a board keeps the bus contract, case by case, on the site's own broker.

    For installers, before a board is trusted with trees. Exit code 1 if a case fails.
    """
    from controller.board.conform import all_cases
    from controller.board.conform_live import conform as play

    if listing:
        for case in all_cases():
            click.echo(f"{case.name:32} {case.says}")
        return
    site = load_site(file)
    board = next((board for board in site.boards if board.name == name), None)
    if board is None:
        raise click.UsageError(f"there is no board '{name}' in {file}")
    if unknown := set(only) - {case.name for case in all_cases()}:
        raise click.UsageError(f"there is no case {', '.join(sorted(unknown))}; see --list")
    click.echo(_CAUTION)
    if not yes:
        click.confirm("Shall it begin?", abort=True)
    ask = None if alone else (lambda what: click.pause(f"Now {what}; then press a key."))
    sys.exit(1 if play(site, board, click.echo, ask, only) else 0)
