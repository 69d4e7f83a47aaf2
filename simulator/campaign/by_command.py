"""What `rimeward campaign` does and prints."""

import json
import sys
from pathlib import Path

import click

from simulator.campaign.campaign import run_campaign
from simulator.campaign.outcome import tasks_of
from simulator.campaign.page import courses_of, page_of
from simulator.campaign.score import score_of, score_text
from simulator.faults.catalogue import catalogue
from simulator.night import load_night

CALM, WINDY, BUST = "clear-calm", "windy-frost", "forecast-bust"
USUAL_NIGHTS = (CALM, WINDY, BUST)
PAGE, SCORE = "campaign.html", "score.json"


def campaign(
    folder: Path,
    nights: tuple[str, ...],
    seeds: int,
    faults: tuple[str, ...],
    *,
    pairs: bool,
    processes: int | None,
    scheduler: str,
    as_json: bool,
) -> None:
    """Play what is not played yet, and print and write the scoreboard."""
    nights = nights or USUAL_NIGHTS
    for night in nights:
        load_night(night)
    for fault in faults:
        if fault not in catalogue():
            raise click.UsageError(f"there is no fault '{fault}'; rimeward rehearse --list-faults lists them")
    tasks = tasks_of(nights, tuple(range(1, seeds + 1)), singles=not pairs, pairs=pairs, only=faults)
    with click.progressbar(length=len(tasks), label=f"{len(tasks)} runs", file=sys.stderr) as bar:
        outcomes = run_campaign(
            tasks,
            folder,
            processes=processes,
            scheduler=scheduler,
            on_progress=lambda done, _: bar.update(done - bar.pos),
        )
    score = score_of(outcomes)
    (folder / SCORE).write_text(json.dumps(score.to_dict(), ensure_ascii=False, indent=1), encoding="utf-8")
    (folder / PAGE).write_text(page_of(score, outcomes, courses_of()), encoding="utf-8")
    if as_json:
        click.echo(json.dumps(score.to_dict(), ensure_ascii=False))
    else:
        click.echo(score_text(score))
        click.echo(f"\nthe page for growers: {folder / PAGE}")
