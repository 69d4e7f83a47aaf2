"""The plan in words and as a chart of letters, and as JSON."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from controller.plan.advice import Advice
from controller.plan.plan import Plan
from controller.plan.slots import SLOT_S, utc_of
from controller.site.explain import CAUTIONS
from controller.site.model import Site

# Watts that one mark of the chart stands for, and the longest row of marks.
MARK_W = 100.0
MOST_MARKS = 40


def text_of(site: Site, plan: Plan, advice: Sequence[Advice] = ()) -> str:
    """Return the plan for the grower: what binds, what it costs, what hands should do, the day by hours."""
    return "\n".join(_lines(site, plan, advice))


def json_of(plan: Plan, advice: Sequence[Advice] = ()) -> str:
    """Return plan and advice as one line of JSON, times as UTC ISO 8601."""

    def plain(value: Any) -> Any:
        return value.isoformat() if isinstance(value, datetime) else value.round(3).tolist()

    told = [asdict(each) | {"what": each.what} for each in advice]
    found = asdict(plan) | {"sentence": plan.sentence, "loss": plan.loss_sentence, "advice": told}
    return json.dumps(found, default=plain, allow_nan=False)


def _lines(site: Site, plan: Plan, advice: Sequence[Advice]) -> Iterator[str]:
    zone, course = ZoneInfo(site.place.time_zone), plan.course
    yield f"{site.title}, {plan.made_at.astimezone(zone):%A %H:%M}: {plan.says(zone)}"
    yield (
        f"  heat for the coming {len(course.at_s) * SLOT_S / 3600:.0f} h about {plan.energy_kwh:.1f} kWh "
        f"({plan.cost:.2f} {plan.currency}); forecast: {plan.source}, looked at {plan.z:.1f} standard "
        "deviations colder"
    )
    yield f"  {plan.loss_sentence}"
    for name, tree in plan.trees.items():
        floors_c = [floor_c for floor_c in tree.floor_c if floor_c is not None]
        if floors_c:
            warmed = f"warmed to {min(floors_c):.1f} .. {max(floors_c):.1f} °C"
            yield f"  {name}: {warmed}, because {tree.because(zone)}"
    if advice:
        yield ""
        yield "For hands"
        yield from (f"  {each.sentence(site, plan.made_at)}" for each in advice)
    yield ""
    yield f"  {'hour':9} outside  house  coldest tree  heat, {MARK_W:g} W a mark"
    each = round(3600.0 / SLOT_S)
    for first in range(0, len(course.at_s) - each + 1, each):
        hour = slice(first, first + each)
        begins = utc_of(course.at_s[first] - SLOT_S).astimezone(zone)
        coldest = int(course.tree_temp_c[hour].min(0).argmin())
        marks = min(round(float(course.string_w[hour].sum(1).mean()) / MARK_W), MOST_MARKS)
        yield (
            f"  {begins:%a %H:%M} {course.outside_temp_c[hour].mean():8.1f} "
            f"{course.house_temp_c[hour].mean():6.1f} {course.tree_temp_c[hour, coldest].min():6.1f} "
            f"{list(plan.trees)[coldest]:16.16} {'#' * marks}"
        )
    yield ""
    yield from CAUTIONS
