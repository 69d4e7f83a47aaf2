"""Alarms to people, from the command line."""

import sys
from pathlib import Path

import click

from controller.cli.options import SITE
from controller.site.load import load_site


@click.group()
def alarm() -> None:
    """See that alarms reach people."""


@alarm.command()
@SITE
@click.option("--way", "only", help="Try this way only  [default: all]")
def test(file: Path, only: str | None) -> None:
    """Send a test message on every way of the site file, at once and from here, and say what each answered.

    Exit code 1 if a way did not take it.
    """
    from controller.alarm.ways import ways_of
    from controller.errors import DeliveryError

    site = load_site(file)
    ways = {name: send for name, send in ways_of(site.alarm).items() if only in {None, name}}
    if not ways:
        raise click.UsageError(f"{file} names no way {only or 'to reach anybody; add [[alarm.mail]]'}")
    refused = False
    for name, send in ways.items():
        try:
            send(f"{site.title}: a test: messages arrive", "It came this way, so an alarm would too.\n")
            click.echo(f"{name}: taken; see that it arrives")
        except DeliveryError as error:
            refused = True
            click.echo(f"{name}: NOT taken. {error}")
    sys.exit(1 if refused else 0)
