"""Commands for single probes."""

from collections.abc import Callable, Iterable
from pathlib import Path

import click

from controller.cli.options import SITE
from controller.site.load import load_site
from controller.site.model import Probe


@click.group()
def probe() -> None:
    """Look after single probes."""


@probe.command()
@SITE
@click.argument("name")
@click.option(
    "--reading",
    "given_c",
    type=float,
    multiple=True,
    help="A raw reading in the bath [°C], instead of those on the bus; at least five, in order.",
)
@click.option(
    "--wait", "wait_min", type=click.FloatRange(0, 600), default=60.0, show_default=True,
    help="Give up after so many minutes.",
)  # fmt: skip
def calibrate(file: Path, name: str, given_c: tuple[float, ...], wait_min: float) -> None:
    """Find a probe's correction in melting ice; nothing is changed, the line to write is said."""
    from controller.bus.listen import hear_probe
    from controller.errors import ProbeError
    from controller.site.ice_bath import METHOD
    from controller.site.ice_bath import calibrate as of_bath

    site = load_site(file)
    found = next((each for each in site.probes if each.name == name), None)
    if found is None:
        known = ", ".join(each.name for each in site.probes)
        raise ProbeError(f"there is no probe '{name}'; known are: {known}")
    click.echo(METHOD + "\n")
    readings_c = given_c or _steady_on_bus(hear_probe(site, found, wait_min * 60.0), click.echo)
    result = of_bath(readings_c)
    click.echo(
        f"{name} read {result.mean_c:.2f} °C in the bath "
        f"({result.count} readings within {result.spread_k:.2f} K).\n{_line(found, result.offset_k, file)}"
    )


def _steady_on_bus(heard: Iterable[tuple[float, float]], say: Callable[[str], None]) -> list[float]:
    """Return a probe's latest readings once they are steady, or at last those that never were."""
    from controller.errors import BrokerError, ProbeError
    from controller.site.ice_bath import FEWEST, STEADY_S
    from controller.site.ice_bath import calibrate as of_bath

    recent: list[tuple[float, float]] = []
    try:
        for at_s, temp_c in heard:
            recent.append((at_s, temp_c))
            say(f"{temp_c:.2f} °C")
            if at_s - recent[0][0] < STEADY_S or len(recent) < FEWEST:
                continue
            while at_s - recent[1][0] >= STEADY_S and len(recent) > FEWEST:
                recent.pop(0)
            try:
                of_bath([temp for _, temp in recent])
            except ProbeError:
                continue
            break
    except BrokerError as error:
        say(str(error))
    return [temp_c for _, temp_c in recent]


def _line(probe: Probe, offset_k: float, file: Path) -> str:
    line = f"Write into the [[probe]] named '{probe.name}' in {file}, then restart the daemon:\n"
    line += f"    offset_k = {offset_k:.2f}"
    return line + (f"    # instead of {probe.offset_k:g}" if probe.offset_k else "")
