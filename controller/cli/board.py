"""The command that is a board."""

import sys
from pathlib import Path
from typing import Literal

import click

from controller.cli.options import FILE


@click.command()
@click.argument("file", type=FILE)
@click.option("--mock", is_flag=True, help="Use mock pins: everything as in life, but nothing is switched.")
@click.option("--check", is_flag=True, help="Only check the file and say in plain words what was understood.")
@click.option(
    "--log", "form", type=click.Choice(["json", "console"]), default="json", help="Form of the log lines."
)
def board(file: Path, form: Literal["json", "console"], *, mock: bool, check: bool) -> None:
    """Be a board: relays and 1-wire probes on this computer's pins.

    FILE is the board's own small file; an example is config/boards/east.toml.
    """
    from controller.board.file import explain, load_board
    from controller.board.process import run_board, run_folder

    described = load_board(file)
    if check:
        click.echo(explain(described))
        return
    sys.exit(run_board(described, folder=run_folder(), form=form, mock=mock))
