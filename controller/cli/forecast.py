"""Commands that judge the forecasts."""

from pathlib import Path

import click

from controller.cli.options import FILE, PICTURE, SITE, STATE
from controller.journal.store import state_folder
from controller.site.load import load_site


@click.group()
def forecast() -> None:
    """Judge the forecasts."""


@forecast.command()
@SITE
@STATE
@click.option("--pairs", "pairs_file", type=FILE, help="A logbook to score in place of the journal.")
@PICTURE
def verify(file: Path, folder: Path | None, pairs_file: Path | None, picture: Path | None) -> None:
    """Score what was forecast against what the outside probe saw.

    Bias, RMSE, CRPS and Brier score of frost, by lead and by kind of hour, raw and corrected for the site as
    it would have been at the time; and the nights whose frost was missed or warned of in vain.

    --pairs takes a CSV file with a head line and these columns: 'time' (what the forecast was for, ISO 8601
    with its zone); 'lead_h' (hours) or 'issued' (as time); 'forecast_c', or up to 51 columns 'member01',
    'member02', ...; 'observed_c' (empty if unknown); and, where known, 'dew_point_c', 'wind_m_s',
    'cloud_frac' (0..1) and 'spread_k' as forecast.
    """
    from controller.journal.pairs import pairs_in
    from controller.weather.pairs import read_pairs
    from controller.weather.verify import replay, text_of

    site = load_site(file)
    if pairs_file is not None:
        pairs = read_pairs(pairs_file)
    else:
        pairs = pairs_in(state_folder(site.name, folder) / "journal.db", site)
    played = replay(pairs, site.place)
    click.echo(text_of(played))
    if picture is not None:
        from controller.weather.verify_picture import draw

        draw(played, picture)
