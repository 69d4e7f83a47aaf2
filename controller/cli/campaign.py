"""The command that plays many nights and says what was lost in them."""

from pathlib import Path

import click

from controller.cli.options import JSON


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--night", "nights", multiple=True, help="A night to play; may be given more than once.")
@click.option("--seeds", type=click.IntRange(1, 1000), default=1, show_default=True, help="How many seeds.")
@click.option("--fault", "faults", multiple=True, help="Only this fault of the catalogue; more than once.")
@click.option("--pairs", is_flag=True, help="Play the catalogue's pairs in place of its single faults.")
@click.option("--processes", type=click.IntRange(1, 1024), help="Runs at a time  [default: one a processor]")
@click.option("--scheduler", default="", help="Play on the workers of this Dask scheduler, tcp://host:port.")
@JSON
def campaign(
    folder: Path,
    nights: tuple[str, ...],
    seeds: int,
    faults: tuple[str, ...],
    processes: int | None,
    scheduler: str,
    *,
    pairs: bool,
    as_json: bool,
) -> None:
    """Play nights with every fault at three onsets, and say what was lost, beside what others would lose.

    Results are kept in FOLDER as they come; a campaign that was stopped goes on where it was.  FOLDER also
    gets the scoreboard (score.json) and a page with pictures (campaign.html).
    """
    from simulator.campaign.by_command import campaign as play

    play(
        folder, nights, seeds, faults, pairs=pairs, processes=processes, scheduler=scheduler, as_json=as_json
    )
