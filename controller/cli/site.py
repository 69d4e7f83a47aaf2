"""Commands that look at a site file."""

import json
from pathlib import Path

import click

from controller.cli.options import FILE
from controller.site.explain import explain
from controller.site.load import load_site
from controller.site.model import Site


@click.command()
@click.argument("file", type=FILE)
def check(file: Path) -> None:
    """Check a site file and say in plain words what was understood."""
    click.echo(explain(load_site(file)))


@click.command()
def schema() -> None:
    """Print the JSON Schema of site files, for editors that complete and check."""
    click.echo(json.dumps(Site.model_json_schema(by_alias=True), indent=2))
