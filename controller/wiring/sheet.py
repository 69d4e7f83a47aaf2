"""The sheet that is left behind: for the grower, the electrician, and next autumn."""

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from controller import __version__
from controller.site.explain import CAUTIONS
from controller.site.ice_bath import Calibration
from controller.site.model import Site
from controller.wiring.check import Record, Scope, Stage
from controller.wiring.diagram import drawings_of
from controller.wiring.learnt import learnt_from_step
from controller.wiring.stages.probes import ICE_ID, in_ice, place_of
from controller.wiring.stages.strings import heated
from controller.wiring.step import Notes
from controller.wiring.verdict import report_of
from controller.wiring.words import report_json

FORM = 1
STAGES = {
    Stage.CAUTIONS: "Before anything was switched",
    Stage.BOARDS: "Boards",
    Stage.PROBES: "Probes",
    Stage.CHANNELS: "Each channel alone",
    Stage.REST: "At rest: without lease, without supply",
    Stage.CIRCUITS: "Circuits and everything together",
    Stage.STRINGS: "Each string warms its own tree",
    Stage.GUARDS: "Cut-outs and frost-stats",
    Stage.STEP: "Heater step",
}
# The forms of the test, as a title says them.
KINDS = {"full": "wiring test", "short": "autumn check", "unattended": "unattended check"}
ALSO = (
    "At rest every string is on: after a failure of controller, network or board the whole load is drawn.",
    "This sheet proves what was seen on that day. It replaces no inspection that the local code asks for.",
)


def sheet_of(
    record: Record, scope: Scope, *, by: str, at: datetime, rehearsed: bool = False
) -> dict[str, Any]:
    """Return a finished test as plain data."""
    site = scope.site
    return {
        "form": FORM,
        "made_with": __version__,
        "kind": scope.kind,
        "rehearsed": rehearsed,
        "begun": _begun(record, at).isoformat(),
        "at": at.isoformat(),
        "by": by,
        "title": site.title,
        **report_json(report_of(record, scope, goes_on=not rehearsed), site),
        "circuits": [_circuit(site, name.name, record) for name in site.circuits],
        "offsets": _offsets(record, scope),
        "measured": _measured(record, scope),
        "learnt": learnt_from_step(record, scope),
    }


def _begun(record: Record, at: datetime) -> datetime:
    """Return when the first step of a test was begun, on whichever day."""
    begun_s = [seen.utc_s for notes in record.values() for seen in notes.values() if seen.utc_s > 0.0]
    return datetime.fromtimestamp(min(begun_s), UTC) if begun_s else at


def _circuit(site: Site, name: str, record: Record) -> dict[str, Any]:
    circuit = site.circuit(name)
    declared_w = site.circuit_load_w(name)
    seen = record.get(f"circuits/{name}", Notes()).get("all")
    return {
        "name": name,
        "phase": circuit.phase,
        "voltage_v": circuit.voltage_v,
        "breaker_a": circuit.breaker_a,
        "declared_w": declared_w,
        "declared_a": round(declared_w / circuit.voltage_v, 2),
        "limit_w": circuit.continuous_limit_w,
        "rule": circuit.local_rule or f"{circuit.continuous_fraction:.0%} for loads of hours",
        "measured_w": None if seen is None else seen.power_w.get(name),
    }


def _offsets(record: Record, scope: Scope) -> list[dict[str, Any]]:
    ice = record.get(ICE_ID, Notes()).get("ice")
    rows = []
    for probe in scope.site.probes:
        found = None if ice is None else in_ice(ice, probe.name)
        rows.append(
            {
                "probe": probe.name,
                "place": place_of(scope, probe),
                "declared_k": probe.offset_k,
                "found_k": found.offset_k if isinstance(found, Calibration) else None,
                "spread_k": found.spread_k if isinstance(found, Calibration) else None,
            }
        )
    return rows


def _measured(record: Record, scope: Scope) -> list[dict[str, Any]]:
    """Return for each string how its tree's warmest probe rose."""
    probes = {tree.name: tree.probes for tree in scope.site.trees}
    rows = []
    for load in scope.strings:
        seen = heated(record.get(f"strings/{load.tag}", Notes()))
        if seen is not None:
            rise_k = max(seen.rise_k(name) for name in probes[load.tree])
            rows.append(
                {"tag": load.tag, "rise_k": round(rise_k, 2), "minutes": round(seen.lasted_s / 60.0, 1)}
            )
    return rows


def sheet_html(sheet: Mapping[str, Any], site: Site) -> str:
    """Return a sheet as a page that prints on A4."""
    day = f"{_local(sheet['at'], site):%-d %B %Y}"
    stages = [
        (title, [check for check in sheet["checks"] if check["stage"] == stage])
        for stage, title in STAGES.items()
        if any(check["stage"] == stage for check in sheet["checks"])
    ]
    return (
        _environment()
        .get_template("sheet.html")
        .render(
            sheet=sheet,
            site=site,
            title=KINDS[sheet["kind"]].capitalize(),
            begun=f"{_local(sheet['begun'], site):%-d %B %Y, %H:%M}",
            ended=f"{_local(sheet['at'], site):%-d %B %Y, %H:%M} ({site.place.time_zone})",
            foot=Markup(_css_text(f"{site.title}: {KINDS[sheet['kind']]} of {day}")),  # noqa: S704 (escaped)
            stages=stages,
            drawings=drawings_of(site, {target for found in sheet["found"] for target in found["targets"]}),
            cautions=" ".join(CAUTIONS),
            also=ALSO,
            style=Markup(_read("sheet.css")),  # noqa: S704 (our own file)
        )
    )


def _local(stamp: str, site: Site) -> datetime:
    return datetime.fromisoformat(stamp).astimezone(ZoneInfo(site.place.time_zone))


def _css_text(text: str) -> str:
    """Return a text as a CSS string: all but letters and digits escaped (CSS Syntax 3, section 4.3.7)."""
    return '"' + "".join(c if c.isalnum() else f"\\{ord(c):x} " for c in text) + '"'


def _three(number: float) -> str:
    """Return a number with three significant figures, as 29.0 and 154."""
    return f"{number:#.3g}".removesuffix(".")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FunctionLoader(_read),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["whole"] = _whole
    environment.filters["three"] = _three
    return environment


def _whole(text: str) -> str:
    """Return a text whose names do not break at their hyphens."""
    return re.sub(r"(?<=\w)-(?=\w)", "\u2011", text)


def _read(name: str) -> str:
    return (files("controller.wiring") / "templates" / name).read_text(encoding="utf-8")
