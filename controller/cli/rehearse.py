"""The command that plays a night."""

from pathlib import Path

import click

from controller.cli.options import FILE


@click.command()
@click.argument("name", default="clear-calm", metavar="[NIGHT]")
@click.option("--list", "listing", is_flag=True, help="List the nights there are.")
@click.option("--list-faults", "faults_listed", is_flag=True, help="List what can be made to go wrong.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="FAULT[:TARGET][@WHEN][+LENGTH][~LASTS/EVERY]",
    help="Let something go wrong (with --fast), such as S01:air-lemon@02:00+2h; may be given more than once.",
)
@click.option("--fast", is_flag=True, help="Play in-process on virtual time, without broker or network.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print one final line of JSON with the figures (with --fast)."
)
@click.option(
    "--seed", default=1, show_default=True, help="Decides every chance: the same seed, the same night."
)
@click.option("--site", "file", type=FILE, help="Play at this site instead of the night's own.")
@click.option(
    "--pace",
    type=click.FloatRange(1, 600),
    default=240.0,
    show_default=True,
    help="How much faster than life a live rehearsal runs.",
)
@click.option(
    "--trace", type=click.Path(path_type=Path, dir_okay=False), help="Write every step here (with --fast)."
)
@click.option(
    "--restart-after",
    type=click.FloatRange(0, 3600),
    default=5.0,
    show_default=True,
    help="Seconds until a live rehearsal starts a killed controller or broker again.",
)
def rehearse(
    name: str,
    file: Path | None,
    trace: Path | None,
    seed: int,
    pace: float,
    restart_after: float,
    faults: tuple[str, ...],
    *,
    faults_listed: bool,
    listing: bool,
    fast: bool,
    as_json: bool,
) -> None:
    """Play a night with the real controller against a simulated house.

    Live by default: the real daemon, a real broker and real HTTP, paced.  With --fast in-process on virtual
    time.  Nothing real is switched either way.
    """
    from simulator import play_by_command as command

    if listing:
        command.list_all()
    elif faults_listed:
        command.list_faults()
    elif fast:
        command.play_fast(name, seed, site_file=file, trace_file=trace, as_json=as_json, faults=faults)
    elif as_json or trace is not None or faults:
        raise click.UsageError(
            "--json, --trace and --fault need --fast: a live rehearsal has no virtual time"
        )
    else:
        command.play_live(name, seed, site_file=file, pace=pace, restart_after_s=restart_after)
