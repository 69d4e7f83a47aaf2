"""The command line, thin: each command finds its site and folder and calls the room that does the work.

Imports inside a command are those that only it needs: they cost up to a second on a small board.
"""

import sys

import click

from controller import __version__
from controller.cli.alarm import alarm
from controller.cli.board import board
from controller.cli.campaign import campaign
from controller.cli.conform import conform
from controller.cli.forecast import forecast
from controller.cli.hand import hand
from controller.cli.learn import diagnose, fit, predict
from controller.cli.phone import phone
from controller.cli.plan import plan, size
from controller.cli.probe import probe
from controller.cli.rehearse import rehearse
from controller.cli.run import run
from controller.cli.site import check, schema
from controller.cli.study import study
from controller.cli.wire import wire
from controller.errors import RimewardError


class _Group(click.Group):
    """Says what went wrong in one sentence, without a traceback, and exits by the error's code."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except RimewardError as error:
            click.echo(str(error), err=True)
            sys.exit(error.exit_code)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rimeward")
def main() -> None:
    """See frost coming and keep tender citrus just warm enough."""


for command in (
    hand,
    alarm,
    check,
    schema,
    run,
    board,
    conform,
    phone,
    rehearse,
    campaign,
    study,
    size,
    plan,
    forecast,
    fit,
    predict,
    diagnose,
    probe,
    wire,
):
    main.add_command(command)
