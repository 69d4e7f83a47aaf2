"""What the heater step says of the house: the model fitted to that evening alone."""

from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import LogbookError
from controller.learn.logbook import Table
from controller.learn.words import parameter_rows
from controller.physics import FloatArray
from controller.thermal.house_fit import fit_house
from controller.wiring.check import Record, Scope
from controller.wiring.stages.heater_step import ID, SAMPLE_S, step_strings
from controller.wiring.step import Notes, Seen

# A number that the evening narrowed by less than a fifth was not learnt: it stayed where the handbook put it.
NARROWED_TO = 0.8


def learnt_from_step(record: Record, scope: Scope) -> list[dict[str, Any]]:
    """Return the numbers that the evening fixed, beside the handbook's; an empty list without one."""
    notes = record.get(ID, Notes())
    if "after" not in notes:
        return []
    parts = (notes["heat"], notes["after"])
    begin_s, end_s = parts[0].utc_s, parts[1].utc_s + parts[1].lasted_s
    at_s = np.arange(begin_s, end_s, SAMPLE_S)
    columns = {
        "outside_c": _coldest(parts, [p.name for p in scope.site.probes_of("outside")], at_s),
        "house_c": _coldest(parts, [p.name for p in scope.site.probes_of("house")], at_s),
    }
    heats = (at_s >= parts[0].utc_s) & (at_s < parts[0].utc_s + parts[0].lasted_s)
    watts = {load.tree: load.power_w for load in step_strings(scope)}
    for tree in scope.site.trees:
        columns[f"{tree.name}.air_c"] = _coldest(parts, list(tree.probes), at_s)
        columns[f"{tree.name}.string_w"] = np.where(heats, watts.get(tree.name, 0.0), 0.0)
    table = Table(path=Path("the heater step"), at_s=at_s, columns=columns, ignored=())
    try:
        table.check_enough(scope.site, scope.site.trees)
        logbook = table.logbook(scope.site, scope.site.trees)
    except LogbookError:
        return []
    fit = fit_house(logbook.record, logbook.prior)
    widths = [knob.sd for knob in fit.knobs if not knob.of_noise]
    return [
        {**row, "handbook_error": width}
        for row, width in zip(parameter_rows(fit), widths, strict=True)
        if row["relative_error"] <= NARROWED_TO * width
    ]


def _coldest(parts: tuple[Seen, ...], probes: list[str], at_s: FloatArray) -> FloatArray:
    """Return the coldest of some probes at each time [°C]; NaN where none was heard."""
    coldest = np.full(len(at_s), np.nan)
    for name in probes:
        told = [(part.utc_s + s, c) for part in parts for s, c in part.readings.get(name, ())]
        if told:
            when_s, temp_c = np.array(told).T
            coldest = np.fmin(coldest, np.interp(at_s, when_s, temp_c))
    return coldest
