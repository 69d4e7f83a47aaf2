"""The command that tests a site's wires."""

from pathlib import Path

import click
from click.core import ParameterSource

from controller.cli.options import JSON, SITE, STATE
from controller.journal.store import state_folder
from controller.site.load import load_site

# The parameters of a rehearsal: beside a real site they would be ignored, and real strings switched.
REHEARSED = ("mistakes", "fast", "pace", "meters", "seed")


@click.command()
@SITE
@STATE
@click.option("--by", default="", help="Who makes the test; it stands on the sheet.")
@click.option("--short", is_flag=True, help="The grower's autumn check: nothing to open, unplug or measure.")
@click.option(
    "--unattended", is_flag=True, help="Ask nobody: as far as echoes, meters and probes tell by themselves."
)
@click.option("--anew", is_flag=True, help="Begin again, rather than go on with a test that was broken off.")
@click.option("--compare", is_flag=True, help="Say what changed between the last two sheets; switch nothing.")
@click.option("--rehearse", is_flag=True, help="Practise at a simulated site; nothing real is switched.")
@click.option("--mistake", "mistakes", multiple=True, help="In a rehearsal: plant this; may be repeated.")
@click.option("--list-mistakes", is_flag=True, help="List the mistakes that can be planted.")
@click.option("--fast", is_flag=True, help="In a rehearsal: a simulated installer does and answers all.")
@click.option(
    "--pace", type=click.FloatRange(1, 600), default=60.0, show_default=True, help="Of a rehearsal by keys."
)
@click.option("--meters", is_flag=True, help="In a rehearsal: every circuit has a power meter.")
@click.option("--seed", default=0, show_default=True, help="In a rehearsal: decides every chance.")
@JSON
def wire(
    file: Path,
    folder: Path | None,
    by: str,
    mistakes: tuple[str, ...],
    pace: float,
    seed: int,
    *,
    short: bool,
    unattended: bool,
    anew: bool,
    compare: bool,
    rehearse: bool,
    list_mistakes: bool,
    fast: bool,
    meters: bool,
    as_json: bool,
) -> None:
    """Prove every wire of a site, with an installer's eyes and hands, and leave a sheet.

    Stop the controller first: the test takes its place on the bus. Whatever it will switch is said and has
    to be confirmed. S, Esc or Ctrl-C puts everything to rest, which for a string means: on.
    """
    from controller.wiring import by_command
    from controller.wiring.check import Scope

    if not (rehearse or list_mistakes):
        _refuse_rehearsed(click.get_current_context())
    site = load_site(file)
    scope = Scope(site=site, attended=not unattended, short=short)
    if list_mistakes:
        from simulator.wire_by_command import list_mistakes as list_all

        list_all()
    elif compare:
        compared = by_command.compare_kept(state_folder(site.name, folder), site)
        click.echo(by_command.as_json(compared) if as_json else by_command.comparison_text(compared, site))
    elif rehearse:
        from simulator.wire_by_command import rehearse_wiring

        rehearse_wiring(
            scope,
            mistakes,
            folder,
            by=by,
            seed=seed,
            fast=fast or as_json,
            pace=pace,
            meters=meters,
            as_json=as_json,
        )
    else:
        sheet = by_command.wire_on_bus(
            scope, state_folder(site.name, folder), by=by, anew=anew, tell=click.echo, confirm=click.confirm
        )
        if as_json and sheet is not None:
            click.echo(by_command.as_json(sheet))


def _refuse_rehearsed(context: click.Context) -> None:
    """Raise if an option of rehearsals was given."""
    given = [
        each.opts[0]
        for each in context.command.params
        if each.name in REHEARSED and context.get_parameter_source(each.name) is ParameterSource.COMMANDLINE
    ]
    if given:
        raise click.UsageError(
            f"{', '.join(given)}: only in a rehearsal; add --rehearse: without it real strings are switched"
        )
