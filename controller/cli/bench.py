"""The command that says how fast and how large everything is on this machine."""

import json
from dataclasses import asdict

import click

from controller.cli.options import JSON


@click.command()
@click.option(
    "--days",
    type=click.IntRange(2, 180),
    default=180,
    show_default=True,
    help="Days of the winter that are played; fewer than all 180 are of January, and soon done.",
)
@JSON
def bench(days: int, *, as_json: bool) -> None:
    """Measure control loop, plan, fit, model, simulated house, memory and journal on this machine.

    Each figure stands beside what it is set against in the same run; ratios travel from one machine to
    another, figures hardly.  Takes four minutes, most of them for a whole winter,
    and wants an idle machine.
    """
    from simulator.bench import bench as measure
    from simulator.bench import line_of

    for row in measure(days):
        click.echo(json.dumps(asdict(row), ensure_ascii=False) if as_json else line_of(row))
