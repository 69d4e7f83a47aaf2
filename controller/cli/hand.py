"""Orders by hand, from the command line."""

import getpass
import sys
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from functools import partial
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import click
from pydantic import ValidationError

from controller.cli.options import SITE
from controller.local_time import localised
from controller.site.load import load_site
from controller.site.model import Site

EXIT_REFUSED = 3


@click.command()
@click.argument("position", type=click.Choice(["on", "off", "auto", "back"]))
@SITE
@click.option("--tree", help="The tree it is for.")
@click.option("--vent", help="The vent it is for.")
@click.option("--all", "every", is_flag=True, help="Every tree.")
@click.option("--until", help="Local time at which it ends, such as 07:30.")
@click.option("--hours", type=click.FloatRange(0.1, 12), help="How long it lasts, instead of --until.")
@click.option("--who", default=getpass.getuser, show_default="your login", help="Whose order it is.")
@click.option("--consent", default="", help="Words that let a tree's fruit go, such as 'let the yuzu go'.")
@click.option("--of", help="With 'back': the id of the order to take back, as it was said.")
def hand(
    position: Literal["on", "off", "auto", "back"],
    file: Path,
    tree: str | None,
    vent: str | None,
    until: str | None,
    hours: float | None,
    who: str,
    consent: str,
    of: str | None,
    *,
    every: bool,
) -> None:
    """Order heat (or a vent) on, off or back to automatic, and print what the guard answers.

    Every order ends by itself: on after 12 h at most, off after 4 h. Off is overruled where fruit is lost,
    unless --consent names what is lost: 'let the <tree> go'. 'back' puts back what stood before the latest
    order. Heat ordered on is live at once: keep hands off strings and lamps.

    Exit code 0: taken. 3: refused. 1: no answer, so nothing is known; see the page.
    """
    from controller.bus.ask import order_by_hand
    from controller.bus.messages import HandPayload

    site = load_site(file)
    wish: dict[str, object] = {"who": who[:40]}
    if position == "back":
        if of is None:
            raise click.UsageError("name the order to take back with --of")
        wish |= {"order": "taken-back", "of": of}
    else:
        meant = "auto" if position == "auto" else f"hand-{position}"
        wish |= {"order": meant, "consent": consent, **_target(tree, vent, every=every)}
    ends = _end_of(site, until, hours, position)
    try:
        order = HandPayload.model_validate(wish)
    except ValidationError as error:
        raise _refused(error) from None
    present = datetime.now(UTC)

    def order_at(now: datetime) -> HandPayload:
        nonlocal present
        present = now  # by the controller's clock
        return order.model_copy(update={"until": ends(now)})

    number, answer = order_by_hand(site, order_at)
    because = localised(answer.because, present, ZoneInfo(site.place.time_zone))
    click.echo(f"{'taken' if answer.accepted else 'REFUSED'}: {because}")
    if answer.accepted and position != "back":
        click.echo(f"to undo: rimeward hand back --site {file} --of {number}")
    sys.exit(0 if answer.accepted else EXIT_REFUSED)


def _refused(error: ValidationError) -> click.UsageError:
    """Return what is wrong with the words of an order: each is too short or too long."""
    fault = error.errors(include_url=False)[0]
    came, bounds = str(fault["input"]), fault.get("ctx", {})
    most = f"at most {bounds['max_length']} characters" if "max_length" in bounds else "some characters"
    shown = f"{len(came)} came" if came else "none came"
    return click.UsageError(f"--{fault['loc'][0]}: expected {most}, but {shown}; give it anew")


def _target(tree: str | None, vent: str | None, *, every: bool) -> dict[str, str | bool]:
    named = {"tree": tree, "vent": vent, "all": True if every else None}
    given: dict[str, str | bool] = {kind: name for kind, name in named.items() if name is not None}
    if len(given) != 1:
        raise click.UsageError("say what it is for: --tree, --vent or --all, one of them")
    return given


def _end_of(
    site: Site, until: str | None, hours: float | None, position: str
) -> Callable[[datetime], datetime | None]:
    """Return how an order's end follows from the present."""
    if position == "back":
        return lambda _: None
    if position == "auto" or hours is not None:  # "auto" ends whatever stands; its own end means nothing
        return lambda now: now + timedelta(hours=hours or 1.0)
    if until is None:
        raise click.UsageError("every order has an end: give --until or --hours")
    try:
        at = time.fromisoformat(until)
    except ValueError:
        raise click.UsageError(f"--until {until}: expected a time of day such as 07:30") from None
    return partial(_next_time, at, ZoneInfo(site.place.time_zone))


def _next_time(at: time, zone: ZoneInfo, now: datetime) -> datetime:
    local = now.astimezone(zone)
    end = local.replace(hour=at.hour, minute=at.minute, second=0, microsecond=0)
    return (end if end > local else end + timedelta(days=1)).astimezone(UTC)
