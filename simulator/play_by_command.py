"""What `rimeward rehearse` prints."""

import json
import signal
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from controller.guard.decision import Decision
from controller.local_time import localised
from controller.plan.outlook import Outlook
from controller.site.load import load_site
from controller.site.model import Site, Tariff
from controller.site.price import bill_of
from simulator.faults.catalogue import catalogue
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import injections
from simulator.live import LiveRehearsal
from simulator.night import Night, list_nights, load_night
from simulator.rehearsal import Result, play
from simulator.show import word_for
from simulator.world import Record, baseline


def list_all() -> None:
    """Print the nights there are."""
    for name in list_nights():
        night = load_night(name)
        click.echo(f"{name:16} {night.title}, {night.hours:g} h at {night.site}\n{'':16} {night.says}")


def list_faults() -> None:
    """Print the catalogue of faults, and where each can be made to happen."""
    known = injections()
    for fault in catalogue().values():
        able = all(single in known for single in fault.of or (fault.id,))
        place = known[fault.id].place if fault.id in known else "pair" if able else "-"
        click.echo(f"{fault.id:5} {fault.severity} {place:9} {fault.what} {'+ '.join(fault.of)}".rstrip())
    click.echo(
        "\nThose marked - cannot happen in a simulated night: they need real processes, disks or files."
    )


def play_fast(
    name: str,
    seed: int,
    *,
    site_file: Path | None,
    trace_file: Path | None,
    as_json: bool,
    faults: Iterable[str] = (),
) -> None:
    """Play a night on virtual time and print what became of it."""
    night, site = _night_and_site(name, site_file)
    zone = ZoneInfo(site.place.time_zone)
    quiet = as_json or night.hours > 72.0

    def tell_decision(decision: Decision) -> None:
        word = word_for(decision.kind, active=decision.active)
        local = decision.at.astimezone(zone)
        because = localised(decision.because, decision.at, zone)
        click.echo(f"{local:%a %H:%M:%S} {decision.name:16} {word:5} {because}")

    def tell_outlook(outlook: Outlook) -> None:
        sentence = localised(outlook.sentence, outlook.made_at, zone)
        click.echo(f"{outlook.made_at.astimezone(zone):%a %H:%M:%S} {'outlook':16}       {sentence}")

    with ExitStack() as stack:
        trace = None
        if trace_file is not None:
            trace = stack.enter_context(trace_file.open("w", encoding="utf-8", newline="\n"))
        result = play(
            name,
            night,
            seed,
            site=site,
            with_forecast=True,
            suffer=[FaultSetting.read(word) for word in faults],
            trace=trace,
            on_decision=None if quiet else tell_decision,
            on_outlook=None if quiet else tell_outlook,
        )
    if as_json:
        click.echo(json.dumps(asdict(result), ensure_ascii=False, separators=(", ", ": ")))
    else:
        _print_result(result, site)


def play_live(name: str, seed: int, *, site_file: Path | None, pace: float, restart_after_s: float) -> None:
    """Play a night with the real daemon and broker, printing what happens as it happens."""
    night, site = _night_and_site(name, site_file)
    live = LiveRehearsal(night, site, seed, pace=pace, say=click.echo, restart_after_s=restart_after_s)
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: live.stopping.set())
    world = live.run()
    if live.first_heat_s is not None:
        click.echo(
            f"\nThe first heat against the cold was decided {live.first_heat_s:.0f} s after the start."
        )
    _print_record(world.record, site)
    bare = min(tree.fruit_min_c for tree in baseline(night, seed, fleece=False, site=site).trees)
    click.echo(f"The same night without fleece and heat: fruit down to {bare:.1f} °C.")


def _night_and_site(name: str, site_file: Path | None) -> tuple[Night, Site]:
    path = Path(name)
    night = load_night(path if path.suffix == ".toml" else name)
    return night, load_site(site_file) if site_file else night.load_site()


def _print_result(result: Result, site: Site) -> None:
    click.echo("")
    click.echo(f"{result.night} at {site.title}, seed {result.seed}")
    click.echo(
        f"outside down to {result.outside_min_c:.1f} °C, house {result.house_min_c:.1f} to "
        f"{result.house_max_c:.1f} °C"
    )
    click.echo(f"{'tree':16} {'air min':>8} {'fruit min':>10} {'heat h':>7} {'kWh':>6}  fruit")
    for name, tree in result.trees.items():
        click.echo(
            f"{name:16} {tree.air_min_c:8.1f} {tree.fruit_min_c:10.1f} {tree.string_on_h:7.1f} "
            f"{tree.kwh:6.2f}  {'DAMAGED' if tree.damaged else 'safe'}"
        )
    click.echo(
        f"{result.kwh:.2f} kWh, {result.cost:.2f} {result.currency} at {_prices(site.tariff)}; "
        f"{result.decisions} decisions, {result.unjustified_off} unjustified OFF"
    )
    click.echo(
        f"the same weather without heat: fruit down to {result.fruit_min_unheated_c:.1f} °C under fleece, "
        f"{result.fruit_min_bare_c:.1f} °C without"
    )
    click.echo(f"trace {result.trace_sha256}")


def _print_record(record: Record, site: Site) -> None:
    click.echo(f"Outside down to {record.outside_min_c:.1f} °C, house {record.house_min_c:.1f} °C.")
    for tree in record.trees:
        click.echo(
            f"  {tree.name:16} fruit down to {tree.fruit_min_c:.1f} °C (damage at {tree.fruit_damage_c:g}): "
            f"{'DAMAGED' if tree.is_damaged else 'safe'}, {tree.kwh:.2f} kWh"
        )
    cost = bill_of(site.tariff, record.kwh, record.cheap_kwh)
    click.echo(f"{record.kwh:.2f} kWh, {cost:.2f} {site.tariff.currency}.")


def _prices(tariff: Tariff) -> str:
    if tariff.night_price_per_kwh is None:
        return f"{tariff.price_per_kwh:g} per kWh"
    return (
        f"{tariff.price_per_kwh:g} per kWh, {tariff.night_price_per_kwh:g} from {tariff.night_from:%H:%M} "
        f"to {tariff.night_until:%H:%M}"
    )
