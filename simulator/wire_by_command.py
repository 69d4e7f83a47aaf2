"""The command ``wire --rehearse``: a wiring test at a simulated installation, by keys or by itself."""

import json
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import click

from controller.wiring.by_command import keep_sheet
from controller.wiring.check import Check, Scope
from controller.wiring.console import Console, Keys
from controller.wiring.keep import Kept
from controller.wiring.procedure import scope_of
from controller.wiring.session import Person
from controller.wiring.sheet import sheet_of
from controller.wiring.step import NO, Ask, Task
from controller.wiring.words import sheet_text
from simulator.installation import Installation
from simulator.mistakes import MISTAKES, mistake
from simulator.wires import as_declared
from simulator.wiring_rehearsal import Truthful, WiringRehearsal

# How long a rehearsal by keys rests between two looks [s of the wall].
LOOK_S = 0.05


class _Telling(Truthful):
    """Somebody truthful whose answers are printed."""

    def say(self, text: str) -> None:
        """Print it."""
        click.echo(f"  · {text}")

    def begin(self, check: Check, number: int, of: int) -> None:
        """Print it."""
        click.echo(f"\n[{number}/{of}] {check.id}")

    def answer(self, ask: Ask) -> tuple[str, ...] | None:
        """Print question and answer."""
        answer = super().answer(ask)
        if answer is not None:
            click.echo(f"  {ask.text.splitlines()[-1]}  {', '.join(answer)}")
        return answer


def list_mistakes() -> None:
    """Print every mistake that can be planted."""
    for each in MISTAKES:
        click.echo(f"{each.name:30} {each.says}")


def rehearse_wiring(
    scope: Scope,
    mistakes: Sequence[str],
    folder: Path | None,
    *,
    by: str,
    seed: int,
    fast: bool,
    pace: float,
    meters: bool,
    as_json: bool,
) -> None:
    """Rehearse a test and say what came of it; with a folder, keep the sheet there as a rehearsal's."""
    site, wiring = scope.site, as_declared(scope.site, meters=meters)
    for number, name in enumerate(mistakes):
        wiring, _ = mistake(name).plant(site, wiring, pick=seed + number)
    person: Callable[[Installation], Person] = Truthful if as_json else _Telling
    if not fast:
        keys = Keys()
        person = partial(_console, keys)
    if not as_json:
        click.echo(f"A wiring test rehearsed at {site.title}. Nothing real is switched.")
    rehearsal = WiringRehearsal(site, wiring, scope, seed=seed, person=person)
    if not scope.attended:
        rehearsal.world.turned_up = set(wiring.strings)  # somebody did that before they went
    if fast:
        rehearsal.run()
    else:
        _paced(rehearsal, pace)
    state, at = rehearsal.state, rehearsal.world.now_utc
    sheet = sheet_of(state.record, scope_of(state), by=by, at=at, rehearsed=True)
    tell = (lambda _text: None) if as_json else click.echo
    if folder is None:
        tell("\n" + sheet_text(sheet))
    else:
        keep_sheet(Kept(folder, site), sheet, site, tell, name="rehearsal")
    if as_json:
        click.echo(json.dumps(sheet, ensure_ascii=False))


def _console(keys: Keys, world: Installation) -> Console:
    """Return a person at the keys who is shown what there is to be seen, and whose hands are lent."""
    looking = Truthful(world).installer

    def hint(ask: Ask) -> str:
        seen = ", ".join(looking.answer(ask))
        done = f"done for you: {ask.task}; " if ask.task is not Task.NOTHING else ""
        return f"(rehearsal: {done}you see: {seen}{_what_is_on(ask, looking.on())})"

    return Console(keys, hint)


def _what_is_on(ask: Ask, on: Sequence[str]) -> str:
    return (
        f"; on are {', '.join(on) or 'nothing'}"
        if ask.view.startswith("on") or (NO in ask.choices and ask.view)
        else ""
    )


def _paced(rehearsal: WiringRehearsal, pace: float) -> None:
    """Run at a pace; while a question stands, at the pace of life."""
    while not rehearsal.state.is_over:
        asking = isinstance(rehearsal.state.step, Ask)
        rehearsal.step(LOOK_S if asking else min(rehearsal.tick_s, max(LOOK_S * pace, LOOK_S)))
        time.sleep(LOOK_S)
