"""What the model suspects, as findings: names in place of numbers, and a sentence that says why."""

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from controller.errors import LogbookError
from controller.guard.finding import Finding, FindingCode, finding
from controller.learn.logbook import Logbook
from controller.site.model import Site
from controller.thermal.diagnosis import Suspected, diagnose
from controller.thermal.house_fit import fit_house
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters
from controller.thermal.record import Record
from controller.thermal.suspicion import Fault, Hypothesis

# Days that are looked at; the first twelve hours of them only settle the filter [s].
WINDOW_S = 4 * 86400.0
# A house is learnt from at least so much before them [s].
LEAST_LEARNT_S = 4 * 86400.0
_MEANT = {
    Fault.FLEECE_OFF: "{place} stood bare",
    Fault.FLEECE_WET: "the fleece of {place} is wet",
    Fault.STRING_DEAD: "no string of {place} heats when told to",
    Fault.STRING_HALF_DEAD: "half of the heat of {place} is missing",
    Fault.HEATER_STUCK_ON: "a string of {place} heats when told not to",
    Fault.VENT_OPEN: "{place} is open",
    Fault.PROBE_BY_LAMP: "the probe of {place} is warmed by its string",
    Fault.PROBE_DRIFTED: "the probe of {place} reads some {size_k:+.0f} K wrong",
    Fault.PROBES_SWAPPED: "the probes of {place} and {other} are swapped",
}
_LN_10 = math.log(10.0)


def findings_of(
    record: Record, parameters: Parameters, noise: Noise, site: Site, until: datetime | None = None
) -> tuple[Finding, ...]:
    """Return what the last days of a record speak for, strongest first.

    Parameters
    ----------
    record
        What was measured; the days before the last four are not looked at.
    parameters, noise
        A model learnt of this house.
    site
        Its site file.
    until
        Where to end; left out, at the record's end.

    Raises
    ------
    LogbookError
        There is less than a day to look at.
    """
    step_s = record.inputs.step_s
    end = record.steps
    if until is not None:
        end = min(end, math.floor((until.timestamp() - record.inputs.start_s) / step_s) + 1)
    last = record.part(max(0, end - round(WINDOW_S / step_s)), max(0, end))
    if last.steps * step_s < 86400.0 or not np.isfinite(last.readings_c).any():
        raise LogbookError("less than a day of readings before that time: nothing can be told from it")
    flows = tuple(vent.flow_m3_s for vent in site.vents)
    return tuple(_finding(one, parameters, site) for one in diagnose(last, parameters, noise, flows))


def findings_of_logbook(logbook: Logbook, site: Site, until: datetime | None = None) -> tuple[Finding, ...]:
    """Return what the last days of a logbook speak for, the house learnt from all that stands before them.

    Raises
    ------
    LogbookError
        There is too little before those days to learn from.
    """
    record, step_s = logbook.record, logbook.record.inputs.step_s
    end_s = record.inputs.start_s + record.steps * step_s
    end_s = end_s if until is None else min(end_s, until.timestamp())
    learnt = math.floor((end_s - WINDOW_S - record.inputs.start_s) / step_s)
    if learnt * step_s < LEAST_LEARNT_S:
        raise LogbookError(
            f"expected at least {(WINDOW_S + LEAST_LEARNT_S) / 86400.0:g} days before that time: "
            f"{LEAST_LEARNT_S / 86400.0:g} to learn the house from and {WINDOW_S / 86400.0:g} to look at"
        )
    fitted = fit_house(record.part(0, learnt), logbook.prior)
    return findings_of(record, fitted.parameters, fitted.noise, site, until)


def findings_text(found: tuple[Finding, ...], site: Site) -> str:
    """Return findings for people."""
    if not found:
        return f"{site.title}: nothing that the readings of the last days speak for."
    lines = [f"{site.title}: what the readings of the last days speak for, strongest first"]
    for one in found:
        lines += [f"  {one.target}: {one.because}", f"    look at: {one.look_at}"]
    return "\n".join(lines)


def _finding(one: Suspected, parameters: Parameters, site: Site) -> Finding:
    since = datetime.fromtimestamp(one.since_s, UTC).astimezone(ZoneInfo(site.place.time_zone))
    because = (
        f"since {since:%a %d %H:%M} the readings are 10^{one.evidence / _LN_10:.0f} times likelier if "
        f"{_meant(one.hypothesis, parameters, site)}"
    )
    if one.runner_up is not None:
        because += f", and nearly as likely if {_meant(one.runner_up, parameters, site)}"
    fault = one.hypothesis.fault
    return finding(FindingCode(fault.value), _target(one.hypothesis, parameters, site), because)


def _meant(one: Hypothesis, parameters: Parameters, site: Site) -> str:
    other = "" if one.other is None or one.place is None else _place(one.other, parameters)
    place = _target(one, parameters, site) if one.place is None else _place(one.place, parameters)
    return _MEANT[one.fault].format(place=place, other=other, size_k=one.size_k)


def _target(one: Hypothesis, parameters: Parameters, site: Site) -> str:
    if one.place is None:
        return site.vents[one.other or 0].name
    if one.fault in {Fault.PROBE_BY_LAMP, Fault.PROBE_DRIFTED, Fault.PROBES_SWAPPED}:
        return _probe(one.place, parameters, site)
    return _place(one.place, parameters)


def _place(place: int, parameters: Parameters) -> str:
    return "the house" if place == 0 else parameters.tree_names[place - 1]


def _probe(place: int, parameters: Parameters, site: Site) -> str:
    if place == 0:
        return next((probe.name for probe in site.probes_of("house")), "house")
    name = parameters.tree_names[place - 1]
    return next(tree.probes[0] for tree in site.trees if tree.name == name)
