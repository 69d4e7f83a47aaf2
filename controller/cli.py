"""The command line: thin, one function for each command."""

import json
import sys
from pathlib import Path
from typing import Literal

import click

from controller import __version__
from controller.errors import RimewardError
from controller.journal.store import state_folder
from controller.site.explain import explain
from controller.site.load import load_site
from controller.site.model import Site

_FILE = click.Path(path_type=Path, dir_okay=False)
_SITE = click.option("--site", "file", type=_FILE, required=True, help="The site file.")
_STATE = click.option(
    "--state",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of journal, models and caches  [default: $STATE_DIRECTORY, else ~/.local/state/rimeward]",
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one line of JSON in place of text.")
_PICTURE = click.option("--picture", type=_FILE, help="Also draw it into this file (.png, .svg or .pdf).")
_PACE = click.option(
    "--pace", type=click.FloatRange(1, 1000), default=1.0, help="Clock speed; above 1 in rehearsals only."
)
_SINCE = click.option("--since", hidden=True, help="Another paced clock to agree with.")


class _Group(click.Group):
    """Says what went wrong in one sentence, without a traceback, and exits by the error's code."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except RimewardError as error:
            click.echo(str(error), err=True)
            sys.exit(error.exit_code)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rimeward")
def main() -> None:
    """See frost coming and keep tender citrus just warm enough."""


@main.command()
@click.argument("file", type=_FILE)
def check(file: Path) -> None:
    """Check a site file and say in plain words what was understood."""
    click.echo(explain(load_site(file)))


@main.command()
def schema() -> None:
    """Print the JSON Schema of site files, for editors that complete and check."""
    click.echo(json.dumps(Site.model_json_schema(by_alias=True), indent=2))


@main.command()
@_SITE
@_STATE
@click.option(
    "--log", "form", type=click.Choice(["json", "console"]), default="json", help="Form of the log lines."
)
@_PACE
@_SINCE
def run(
    file: Path, folder: Path | None, form: Literal["json", "console"], pace: float, since: str | None
) -> None:
    """Guard a site: the daemon."""
    from controller.daemon import run_daemon  # noqa: PLC0415 (the daemon's imports cost a second on a small board)

    sys.exit(run_daemon(load_site(file), folder=folder, form=form, pace=pace, since=since))


@main.group(invoke_without_command=True)
@click.option("--site", "file", type=_FILE, help="The site file.  [required]")
@_STATE
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8484, show_default=True)
@click.option("--certificate", type=_FILE, help="Serve by TLS with this certificate (PEM).")
@click.option("--key", type=_FILE, help="Its private key (PEM).")
@_PACE
@_SINCE
@click.pass_context
def phone(
    context: click.Context,
    file: Path | None,
    folder: Path | None,
    host: str,
    port: int,
    certificate: Path | None,
    key: Path | None,
    pace: float,
    since: str | None,
) -> None:
    """Serve the page for phones: a process of its own, which control never needs."""
    if context.invoked_subcommand is not None:
        return
    from controller.clock import clock_for  # noqa: PLC0415 (only this command needs it)
    from controller.phone.serve import Place, serve  # noqa: PLC0415 (same)

    if file is None:
        raise click.UsageError("name the site file with --site")
    site = load_site(file)
    clock = clock_for(site, pace, since)
    click.echo(f"{site.title}: {'https' if certificate else 'http'}://{host}:{port}/")
    place = Place(host=host, port=port, certificate=certificate, key=key)
    serve(site, state_folder(site.name, folder), clock, place)


@phone.command()
@_SITE
@_STATE
def password(file: Path, folder: Path | None) -> None:
    """Set the page's password; everybody has to log in anew."""
    from controller.phone.serve import STORE_FILE  # noqa: PLC0415 (only this command needs it)
    from controller.phone.store import Store  # noqa: PLC0415 (same)

    store = Store(state_folder(load_site(file).name, folder) / STORE_FILE)
    try:
        store.set_password(click.prompt("New password", hide_input=True, confirmation_prompt=True))
    finally:
        store.close()
    click.echo("The password is set. Every session has ended.")


@phone.command()
@_SITE
@_STATE
@click.option("--address", required=True, help="How the phone calls the page, such as https://frost.lan:8484")
@click.option("--who", required=True, help="Whom the link is for; its order carries the name.")
@click.option("--tree", help="Heat this tree  [default: everything]")
@click.option(
    "--heat-h", type=click.FloatRange(0.5, 12), default=8.0, show_default=True, help="Hours of heat."
)
@click.option(
    "--valid-h", type=click.FloatRange(0.1, 12), default=1.0, show_default=True, help="Hours in which to tap."
)
def link(
    file: Path, folder: Path | None, address: str, who: str, tree: str | None, heat_h: float, valid_h: float
) -> None:
    """Make a link that heats with one tap, once: to give to somebody who has no password."""
    import time  # noqa: PLC0415 (only this command needs it)

    from controller.phone.links import link_for  # noqa: PLC0415 (same)
    from controller.phone.serve import STORE_FILE  # noqa: PLC0415 (same)
    from controller.phone.store import Store  # noqa: PLC0415 (same)

    site = load_site(file)
    if tree is not None and tree not in {each.name for each in site.trees}:
        raise click.UsageError(f"there is no tree '{tree}' in {file}")
    store = Store(state_folder(site.name, folder) / STORE_FILE)
    try:
        text = link_for(
            store,
            target=f"tree:{tree}" if tree else "all",
            heat_s=heat_h * 3600.0,
            who=who[:40],
            valid_s=valid_h * 3600.0,
            now_s=time.time(),
        )
    finally:
        store.close()
    click.echo(f"{address.rstrip('/')}/tap/{text}")


@main.command()
@click.argument("name", default="clear-calm", metavar="[NIGHT]")
@click.option("--list", "listing", is_flag=True, help="List the nights there are.")
@click.option("--fast", is_flag=True, help="Play in-process on virtual time, without broker or network.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print one final line of JSON with the figures (with --fast)."
)
@click.option(
    "--seed", default=1, show_default=True, help="Decides every chance: the same seed, the same night."
)
@click.option("--site", "file", type=_FILE, help="Play at this site instead of the night's own.")
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
    *,
    listing: bool,
    fast: bool,
    as_json: bool,
) -> None:
    """Play a night with the real controller against a simulated house.

    Live by default: the real daemon, a real broker and real HTTP, paced.  With --fast in-process on virtual
    time.  Nothing real is switched either way.
    """
    from simulator import play_by_command as command  # noqa: PLC0415 (only rehearsals need the simulator)

    if listing:
        command.list_all()
    elif fast:
        command.play_fast(name, seed, site_file=file, trace_file=trace, as_json=as_json)
    else:
        command.play_live(name, seed, site_file=file, pace=pace, restart_after_s=restart_after)


@main.command()
@_SITE
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
    help="Also cost a winter: a German reference year, 1 to 15 (1: North Sea coast), or a file of its form.",
)
@_JSON
def size(file: Path, design_min_c: float, weather: str | None, *, as_json: bool) -> None:
    """Say how many watts each tree needs, and what a winter would cost.

    Watts at -3, -6, -9 and -12 °C for three kinds of night, circuits, and what one more layer of fleece or a
    house of double film would change; from what the site file says the house is made of.
    """
    from controller.plan.size import changed  # noqa: PLC0415 (numpy costs a moment on a small board)
    from controller.plan.size import size as size_of  # noqa: PLC0415 (same)
    from controller.plan.size_text import json_of, text_of  # noqa: PLC0415 (same)
    from controller.plan.winter import winter_of  # noqa: PLC0415 (same)

    site = load_site(file)
    sizing, winters = size_of(site, design_min_c), []
    if weather is not None:
        from simulator.weather_files import winter_weather  # noqa: PLC0415 (only this needs the simulator)

        hours = winter_weather(weather, site.place)
        winters = [(what, winter_of(each, hours)) for what, each in (("as it is", site), *changed(site))]
    click.echo(json_of(sizing, winters) if as_json else text_of(site, sizing, winters))


@main.command()
@_SITE
@_STATE
@_JSON
@_PICTURE
def plan(file: Path, folder: Path | None, picture: Path | None, *, as_json: bool) -> None:
    """Say what the coming day asks of the strings and of hands, and what is warmed ahead.

    From the forecast and what the journal's probes last said; nothing is switched.
    """
    from controller.daemon import plan_now  # noqa: PLC0415 (only this command needs it)
    from controller.plan.plan_text import json_of, text_of  # noqa: PLC0415 (same)

    site = load_site(file)
    found, advice = plan_now(site, folder)
    click.echo(json_of(found, advice) if as_json else text_of(site, found, advice))
    if picture is not None:
        from controller.report.plan_picture import draw  # noqa: PLC0415 (matplotlib is an extra)

        draw(site, found, picture)


@main.group()
def forecast() -> None:
    """Judge the forecasts."""


@forecast.command()
@_SITE
@_STATE
@click.option("--pairs", "pairs_file", type=_FILE, help="A logbook to score in place of the journal.")
@_PICTURE
def verify(file: Path, folder: Path | None, pairs_file: Path | None, picture: Path | None) -> None:
    """Score what was forecast against what the outside probe saw.

    Bias, RMSE, CRPS and Brier score of frost, by lead and by kind of hour, raw and corrected for the site as
    it would have been at the time; and the nights whose frost was missed or warned of in vain.

    --pairs takes a CSV file with a head line and these columns: 'time' (what the forecast was for, ISO 8601
    with its zone); 'lead_h' (hours) or 'issued' (as time); 'forecast_c', or up to 51 columns 'member01',
    'member02', ...; 'observed_c' (empty if unknown); and, where known, 'dew_point_c', 'wind_m_s',
    'cloud_frac' (0..1) and 'spread_k' as forecast.
    """
    from controller.journal.pairs import pairs_in  # noqa: PLC0415 (only this command needs it)
    from controller.weather.pairs import read_pairs  # noqa: PLC0415 (same)
    from controller.weather.verify import replay, text_of  # noqa: PLC0415 (same)

    site = load_site(file)
    if pairs_file is not None:
        pairs = read_pairs(pairs_file)
    else:
        pairs = pairs_in(state_folder(site.name, folder) / "journal.db", site)
    played = replay(pairs, site.place)
    click.echo(text_of(played))
    if picture is not None:
        from controller.weather.verify_picture import draw  # noqa: PLC0415 (matplotlib is an extra)

        draw(played, picture)


_LOGBOOK_HELP = "The logbook: a CSV file; its columns are in the README."


@main.command()
@_SITE
@click.option(
    "--logbook", "logbook_file", type=_FILE, help=f"{_LOGBOOK_HELP}  Left out, the journal is used."
)
@_STATE
@click.option("--back", is_flag=True, help="Go back to the model that was in use before the present one.")
@_JSON
@_PICTURE
def fit(
    file: Path,
    logbook_file: Path | None,
    folder: Path | None,
    picture: Path | None,
    *,
    back: bool,
    as_json: bool,
) -> None:
    """Learn a house from a record: its losses, capacities and gains, each with its error.

    From a logbook: says how well nights not seen would have been foretold twelve hours ahead, and what the
    record cannot tell yet; nothing is kept.

    From the journal, as the daemon does once a day: the learnt model is kept with its evidence and used from
    then on, if it foretells nights that it has not seen at least as well as the one in use, leaves nothing
    lasting out, and lies near the handbook.
    """
    from controller.clock import SystemClock  # noqa: PLC0415 (only the journal's fit needs it)
    from controller.learn.by_command import fit_journal, fit_logbook, go_back  # noqa: PLC0415 (same)

    site = load_site(file)
    folder = state_folder(site.name, folder)
    if back:
        click.echo(go_back(folder))
    elif logbook_file is not None:
        click.echo(fit_logbook(site, logbook_file, as_json=as_json, picture=picture))
    elif picture is not None:
        raise click.UsageError("--picture needs --logbook")
    else:
        click.echo(fit_journal(site, folder, SystemClock().utc(), as_json=as_json))


@main.command()
@_SITE
@click.option("--logbook", "logbook_file", type=_FILE, required=True, help=_LOGBOOK_HELP)
@click.option("--from", "begin", required=True, help="When to predict from, such as 2027-01-14T18:00Z.")
@click.option(
    "--hours", type=click.FloatRange(1, 168), default=12.0, show_default=True, help="How far ahead [h]."
)
@_JSON
@_PICTURE
def predict(
    file: Path, logbook_file: Path, begin: str, hours: float, picture: Path | None, *, as_json: bool
) -> None:
    """Predict house and trees from a time of a logbook on, and compare with what came.

    The model is learnt from what stands before that time; the weather, fleece and powers written after it
    are taken as known.
    """
    from controller.learn.by_command import predict_logbook  # noqa: PLC0415 (only this command needs it)

    site = load_site(file)
    click.echo(predict_logbook(site, logbook_file, begin, hours, as_json=as_json, picture=picture))
