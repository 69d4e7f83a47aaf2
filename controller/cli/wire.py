"""The command that tests a site's wires."""

from pathlib import Path

import click

from controller.cli.options import JSON, SITE
from controller.site.load import load_site


@click.command()
@SITE
@click.option(
    "--rehearse", is_flag=True, help="Practise at a simulated installation; nothing real is switched."
)
@click.option(
    "--mistake", "mistakes", multiple=True, help="Plant this mistake in the rehearsal; may be repeated."
)
@click.option("--list-mistakes", is_flag=True, help="List the mistakes there are.")
@click.option(
    "--fast", is_flag=True, help="In a rehearsal: let a simulated installer do and answer everything."
)
@click.option(
    "--pace",
    type=click.FloatRange(1, 600),
    default=60.0,
    show_default=True,
    help="Pace of a rehearsal by keys.",
)
@click.option("--meters", is_flag=True, help="In a rehearsal: every circuit has a power meter.")
@click.option("--seed", default=0, show_default=True, help="In a rehearsal: decides every chance.")
@JSON
def wire(
    file: Path,
    mistakes: tuple[str, ...],
    pace: float,
    seed: int,
    *,
    rehearse: bool,
    list_mistakes: bool,
    fast: bool,
    meters: bool,
    as_json: bool,
) -> None:
    """Prove every wire of a site, with an installer's eyes and hands, and leave a sheet."""
    from controller.wiring.check import Scope
    from simulator import wire_by_command as command

    if list_mistakes:
        command.list_mistakes()
        return
    if not rehearse:
        raise click.UsageError("so far only --rehearse is there")
    command.rehearse_wiring(
        Scope(site=load_site(file)),
        mistakes,
        seed=seed,
        fast=fast or as_json,
        pace=pace,
        meters=meters,
        as_json=as_json,
    )
