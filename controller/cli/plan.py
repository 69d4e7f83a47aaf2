"""Commands that look ahead: what to install, and what the coming day asks."""

from pathlib import Path

import click

from controller.cli.options import JSON, PICTURE, SITE, STATE
from controller.site.load import load_site


@click.command()
@SITE
@click.option(
    "--design-min",
    "design_min_c",
    type=click.FloatRange(-30, 5),
    default=-9.0,
    show_default=True,
    help="The coldest outside temperature to stand [°C].",
)
@click.option(
    "--weather",
    help="Also cost a winter: a German reference year, 1 to 15 (1: North Sea coast), or an EPW or TMY3 file.",
)
@JSON
def size(file: Path, design_min_c: float, weather: str | None, *, as_json: bool) -> None:
    """Say how many watts each tree needs, and what a winter would cost.

    Watts at -3, -6, -9 and -12 °C for three kinds of night, circuits, and what one more layer of fleece or a
    house of double film would change; from what the site file says the house is made of.
    """
    from controller.plan.size import changed
    from controller.plan.size import size as size_of
    from controller.plan.size_text import json_of, text_of
    from controller.plan.winter import winter_of

    site = load_site(file)
    sizing, winters = size_of(site, design_min_c), []
    if weather is not None:
        from simulator.weather_years import winter_weather

        hours = winter_weather(weather, site.place)
        winters = [(what, winter_of(each, hours)) for what, each in (("as it is", site), *changed(site))]
    click.echo(json_of(sizing, winters) if as_json else text_of(site, sizing, winters))


@click.command()
@SITE
@STATE
@JSON
@PICTURE
def plan(file: Path, folder: Path | None, picture: Path | None, *, as_json: bool) -> None:
    """Say what the coming day asks of the strings and of hands, and what is warmed ahead.

    From the forecast and what the journal's probes last said; nothing is switched.
    """
    from controller.foresight import plan_now
    from controller.plan.plan_text import json_of, text_of

    site = load_site(file)
    found, advice = plan_now(site, folder)
    click.echo(json_of(found, advice) if as_json else text_of(site, found, advice))
    if picture is not None:
        from controller.report.plan_picture import draw

        draw(site, found, picture)
