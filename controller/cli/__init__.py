"""The command line, thin: each command finds its site and folder and calls the room that does the work.

Imports inside a command are those that only it needs: they cost up to a second on a small board.  For that
reason, too, a command's own module is loaded when it is called, or asked for help.
"""

import sys
from importlib import import_module

import click

from controller import __version__
from controller.errors import FileError, RimewardError

# Each command and the module of this package that holds it, in the order of the help.
COMMANDS = {
    "hand": "hand",
    "alarm": "alarm",
    "check": "site",
    "schema": "site",
    "run": "run",
    "board": "board",
    "conform": "conform",
    "phone": "phone",
    "rehearse": "rehearse",
    "campaign": "campaign",
    "study": "study",
    "bench": "bench",
    "size": "plan",
    "plan": "plan",
    "forecast": "forecast",
    "fit": "learn",
    "predict": "learn",
    "diagnose": "learn",
    "probe": "probe",
    "report": "report",
    "wire": "wire",
}


class _Group(click.Group):
    """Loads commands when they are asked for; says what went wrong in one sentence, by the error's code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        del ctx
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, loaded; None if there is none of that name."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(f"controller.cli.{COMMANDS[cmd_name]}"), cmd_name)
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run a command."""
        try:
            return self._invoke(ctx)
        except RimewardError as error:
            click.echo(str(error), err=True)
            sys.exit(error.exit_code)

    def _invoke(self, ctx: click.Context) -> object:
        """Run a command; a file or folder that cannot be used, named or by default, is told as such."""
        try:
            return super().invoke(ctx)
        except OSError as error:
            if error.filename is None:  # of no file
                raise
            raise FileError(
                f"{error.filename}: cannot be used ({error.strerror}); give a path where files can be read "
                "and written, and see who owns it"
            ) from error


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rimeward")
def main() -> None:
    """See frost coming and keep tender citrus just warm enough."""
