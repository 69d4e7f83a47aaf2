"""The command that compares what one could buy over many winters."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

import click

from controller.cli.options import JSON, SITE
from controller.site.load import load_site
from controller.site.model import Site


@click.command()
@SITE
@click.option(
    "--weather",
    default="1",
    show_default=True,
    help="The climate: a German reference year, 1 to 15 (1: North Sea coast), or an EPW or TMY3 file.",
)
@click.option(
    "--winters", type=click.IntRange(1, 1000), default=10, show_default=True, help="How many winters."
)
@click.option(
    "--processes", type=click.IntRange(1, 1024), help="Winters at a time  [default: one a processor]"
)
@click.option(
    "--controller",
    "with_controller",
    is_flag=True,
    help="Play the site as it is with the whole controller, beside simpler rules: minutes a winter.",
)
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep winters in this folder as they come, and go on there with a study that was stopped.",
)
@JSON
def study(
    file: Path,
    weather: str,
    winters: int,
    processes: int | None,
    keep: Path | None,
    *,
    with_controller: bool,
    as_json: bool,
) -> None:
    """Play many winters at a site, as it is and changed one way at a time, and say what to buy first.

    More or fewer watts, more or less fleece, double film, another hold temperature: the risk of loss, the
    electricity, and what each change may cost.  With --controller the site stays as it is, and the real
    controller heats it, beside a plain thermostat and others.
    """
    site = load_site(file)
    if with_controller:
        _with_controller(site, weather, winters, processes, keep, as_json=as_json)
        return
    from simulator.study import designs_of, study_text, verdicts_of
    from simulator.study import study as play

    with click.progressbar(
        play(site, weather, winters, processes=processes, keep=keep),
        length=winters * len(designs_of(site)),
        label="winters",
        file=sys.stderr,
    ) as bar:
        played = list(bar)
    verdicts = verdicts_of(site, played)
    if as_json:
        click.echo(json.dumps([asdict(verdict) for verdict in verdicts], ensure_ascii=False))
    else:
        click.echo(study_text(verdicts, site.tariff.currency))


def _with_controller(
    site: Site, weather: str, winters: int, processes: int | None, keep: Path | None, *, as_json: bool
) -> None:
    from simulator.lived import live, lived_text

    with click.progressbar(
        live(site, weather, winters, processes=processes, keep=keep),
        length=winters,
        label="winters",
        file=sys.stderr,
    ) as bar:
        lived = sorted(bar, key=lambda winter: winter.seed)
    if as_json:
        click.echo(json.dumps([asdict(winter) for winter in lived], ensure_ascii=False))
    else:
        click.echo(lived_text(site, lived))
