"""The page for phones, its password and its links."""

from pathlib import Path

import click

from controller.cli.options import FILE, PACE, SINCE, SITE, STATE
from controller.journal.store import state_folder, state_root
from controller.site.last_good import load_or_last_good
from controller.site.load import load_site


@click.group(invoke_without_command=True)
@click.option("--site", "file", type=FILE, help="The site file.  [required]")
@STATE
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8484, show_default=True)
@click.option("--certificate", type=FILE, help="Serve by TLS with this certificate (PEM).")
@click.option("--key", type=FILE, help="Its private key (PEM).")
@PACE
@SINCE
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
    from controller.clock import clock_for
    from controller.phone.serve import Place, serve

    if file is None:
        raise click.UsageError("name the site file with --site")
    site, _ = load_or_last_good(file, folder or state_root())  # as the controller, which says so on the page
    clock = clock_for(site, pace, since)
    state = state_folder(site.name, folder)
    scheme = "https" if certificate else "http"
    click.echo(f"{site.title}: {scheme}://{host}:{port}/ (password and journal in {state}; --state: another)")
    serve(site, state, clock, Place(host=host, port=port, certificate=certificate, key=key))


@phone.command()
@SITE
@STATE
def password(file: Path, folder: Path | None) -> None:
    """Set the page's password; everybody has to log in anew."""
    from controller.phone.serve import STORE_FILE
    from controller.phone.store import Store

    state = state_folder(load_site(file).name, folder)
    store = Store(state / STORE_FILE)
    try:
        store.set_password(click.prompt("New password", hide_input=True, confirmation_prompt=True))
    finally:
        store.close()
    click.echo(f"The password is set for the page whose state is in {state}. Every session has ended.")


@phone.command()
@SITE
@STATE
@click.option("--address", required=True, help="How the phone calls the page, such as https://frost.lan:8484")
@click.option("--who", required=True, help="Whom the link is for; its order carries the name.")
@click.option("--tree", help="Heat this tree  [default: everything]")
@click.option("--alarm", is_flag=True, help="Say that somebody has the alarms that stand; nothing is heated.")
@click.option(
    "--heat-h", type=click.FloatRange(0.5, 12), default=8.0, show_default=True, help="Hours of heat."
)
@click.option(
    "--valid-h", type=click.FloatRange(0.1, 12), default=1.0, show_default=True, help="Hours in which to tap."
)
def link(
    file: Path,
    folder: Path | None,
    address: str,
    who: str,
    tree: str | None,
    heat_h: float,
    valid_h: float,
    *,
    alarm: bool,
) -> None:
    """Make a link that heats, or acknowledges, with one tap, once: for somebody who has no password."""
    import time

    from controller.links import key_in, link_for

    site = load_site(file)
    if tree is not None and tree not in {each.name for each in site.trees}:
        raise click.UsageError(f"there is no tree '{tree}' in {file}")
    target = "alarm:all" if alarm else f"tree:{tree}" if tree else "all"
    state = state_folder(site.name, folder)
    state.mkdir(parents=True, exist_ok=True)
    text = link_for(
        key_in(state),
        target=target,
        heat_s=heat_h * 3600.0,
        who=who[:40],
        valid_s=valid_h * 3600.0,
        now_s=time.time(),
    )
    click.echo(f"{address.rstrip('/')}/tap/{text}")
