"""The command ``wire`` on the real bus, and what is done with a finished test."""

import json
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from controller.clock import SystemClock
from controller.errors import JournalError, WiringError
from controller.site.explain import CAUTIONS
from controller.site.model import Site
from controller.wiring.check import Outcome, Record, Scope
from controller.wiring.compare import changes
from controller.wiring.console import Console, Keys
from controller.wiring.keep import Kept
from controller.wiring.on_bus import (
    BusRun,
    in_the_controllers_place,
    refuse_a_night_that_needs_heat,
    stop_on_signals,
)
from controller.wiring.print import pdf_of
from controller.wiring.procedure import scope_of
from controller.wiring.session import Person
from controller.wiring.sheet import KINDS, sheet_html, sheet_of
from controller.wiring.words import sheet_text

Tell = Callable[[str], None]


def wire_on_bus(
    scope: Scope, folder: Path, *, by: str, anew: bool, tell: Tell, confirm: Callable[[str], bool]
) -> dict[str, Any] | None:
    """Make a test at the real site; return its sheet, or None where it ended before anything was checked."""
    clock = SystemClock()
    with in_the_controllers_place(folder):
        tell(refuse_a_night_that_needs_heat(scope, folder, clock.utc()))
        if not scope.attended:
            tell("\n".join(("", *CAUTIONS, "")))
            tell(
                "Have the frost-stats turned up first, and turned back afterwards: mild air keeps them open."
            )
            if not confirm(f"{will_switch(scope)} Nobody will be asked again. May it begin?"):
                return None
        kept = Kept(folder, scope.site, scope.kind)
        record, by = _earlier(kept, by, clock.utc(), anew=anew, tell=tell)
        person: Person = Console(Keys()) if scope.attended else Alone(tell)
        run = BusRun(scope, person, clock, record=record, keep=lambda seen: kept.keep(seen, by))
        stop_on_signals(run)
        state = run.run()
    finished = run.session.finished
    tell(f"\n{finished.because if finished else ''}. Everything is at rest, which for a string means: on.")
    tell("See that every frost-stat is back at its mark, then start the controller again.")
    sheet = sheet_of(state.record, scope_of(state), by=by, at=clock.utc())
    if finished is None or not finished.complete:
        tell("The test can go on from here: give the same command again.\n\n" + sheet_text(sheet))
        return sheet
    keep_sheet(kept, sheet, scope.site, tell)
    return sheet


def _earlier(kept: Kept, by: str, now: datetime, *, anew: bool, tell: Tell) -> tuple[Record, str]:
    """Return the record to go on from, and who made it."""
    found = None if anew else kept.under_way(now)
    if found is None:
        return {}, by
    record, earlier_by = found
    tell(
        f"going on with the test that {earlier_by or 'somebody'} began ({len(record)} checks): what is left, "
        "after the cautions and with everything dark once more; --anew begins again"
    )
    return record, by or earlier_by


def will_switch(scope: Scope) -> str:
    """Return what a test will switch, in a sentence."""
    strings = ", ".join(f"{load.tag} ({load.channel}, {load.power_w:g} W)" for load in scope.strings)
    vents = ", ".join(f"{load.tag} ({load.channel})" for load in scope.vents)
    total_w = sum(load.power_w for load in scope.strings)
    return (
        f"This will switch off and on, one after the other and then all together ({total_w:g} W): {strings}"
        + (f"; and move {vents}." if vents else ".")
    )


def keep_sheet(kept: Kept, sheet: dict[str, Any], site: Site, tell: Tell, name: str = "sheet") -> list[Path]:
    """Keep a sheet as JSON, page and, where a browser is there, PDF; say where, and what changed."""
    earlier = kept.sheets() if name == "sheet" else []
    if earlier:
        sheet["changed_since"] = _day(earlier[-1], site)
        sheet["changes"] = changes(earlier[-1], sheet)
    page = sheet_html(sheet, site)
    at = datetime.fromisoformat(sheet["at"]).astimezone(ZoneInfo(site.place.time_zone))
    bodies = {".json": as_json(sheet).encode(), ".html": page.encode()}
    printed = pdf_of(page)
    if printed is not None:
        bodies[".pdf"] = printed
    is_whole = all(check["outcome"] != Outcome.NOT_DONE for check in sheet["checks"])
    paths = kept.finish(f"{name}-{at:%Y-%m-%dT%H%M%S}", bodies, is_whole=is_whole)
    tell("\n" + sheet_text(sheet))
    if name == "sheet":
        try:
            kept.enter(sheet)
        except JournalError as error:
            tell(f"{error}\nIt is kept as files all the same, and compared with them next time.")
    tell("kept: " + ", ".join(str(path) for path in paths))
    if printed is None:
        tell("no browser here prints PDF; open the page anywhere and print it")
    return paths


def as_json(sheet: dict[str, Any]) -> str:
    """Return a sheet as one line of JSON."""
    return json.dumps(sheet, ensure_ascii=False)


def _day(sheet: Mapping[str, Any], site: Site) -> str:
    """Return the day of a sheet by the site's own calendar."""
    at = datetime.fromisoformat(sheet["at"]).astimezone(ZoneInfo(site.place.time_zone))
    return f"{at:%-d %B %Y}"


def compare_kept(folder: Path, site: Site) -> dict[str, Any]:
    """Return who made the last two sheets and when, and a sentence for each thing that changed between them.

    Raises
    ------
    WiringError
        There are not two.
    """
    sheets = Kept(folder, site).sheets()
    if len(sheets) < 2:
        raise WiringError(
            f"two sheets are needed to compare, and {len(sheets) or 'none'} is kept in {folder}: make the "
            "test (`rimeward wire --site ...`), or name the state folder where they are (--state)"
        )
    before, after = (
        {"at": sheet["at"], "day": _day(sheet, site), "by": sheet["by"], "kind": sheet["kind"]}
        for sheet in sheets[-2:]
    )
    return {"site": site.name, "before": before, "after": after, "changes": changes(sheets[-2], sheets[-1])}


def comparison_text(compared: Mapping[str, Any], site: Site) -> str:
    """Return a comparison for people."""
    days = [
        f"{sheet['day']} ({KINDS[sheet['kind']]}{', by ' + sheet['by'] if sheet['by'] else ''})"
        for sheet in (compared["after"], compared["before"])
    ]
    lines = compared["changes"] or ["Nothing has changed."]
    return "\n".join((f"{site.title}: {days[0]} compared with {days[1]}", *[f"  - {line}" for line in lines]))


class Alone:
    """Nobody: questions do not arise, and what is done is told."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell

    def say(self, text: str) -> None:
        """Tell it."""
        self._tell(f"  · {text}")

    def begin(self, check: Any, number: int, of: int) -> None:
        """Tell it."""
        self._tell(f"[{number}/{of}] {check.id}")

    def ask(self, ask: Any) -> None:
        """Nobody hears it."""

    def answer(self, ask: Any) -> tuple[str, ...] | None:  # noqa: ARG002 (the form of a person)
        """Nobody answers."""
        return None

    def wants_to_stop(self) -> bool:
        """Leave stopping to signals."""
        return False
