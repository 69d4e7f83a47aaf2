"""Faults that the readings may show, each as a way to set the record right.

A hypothesis says: if this fault were there, the record would have to be read like *this*.  A string that is
dead gave no watts whatever was written down; two probes that are swapped have each other's readings.  The
model then judges both readings of the same night (``diagnosis``).
"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.thermal.parameters import Parameters
from controller.thermal.record import Record

# How far a drifted or moved probe may be off [K]; less is covered by the guard's margin.
DRIFTS_K = (-3.0, -1.0, 1.0, 3.0)
# What a probe beside a burning lamp reads too high [K]; a common case of bulbs touching a probe's sleeve.
LAMP_K = 3.0
# Wet fleece takes this from the air under it [W for each W/K of a bare tree's loss, so K]: half of the 5 W/m²
# that a wet cloth evaporates at 85 % humidity (computed from FAO-56 and the Lewis relation) at 15 W/(m²·K).
WET_CHILL_K = 0.17
# Errors of weather that must not be taken for a fault: the sky another, the wind another, the house leakier.
_SKY_FACTORS, _WIND_FACTORS, _OUTSIDE_K = (0.4, 1.6), (0.4, 2.0), (-1.5, 1.5)


class Fault(StrEnum):
    """What may be wrong."""

    FLEECE_OFF = "fleece-off"
    STRING_DEAD = "string-dead"
    STRING_HALF_DEAD = "string-half-dead"
    HEATER_STUCK_ON = "heater-stuck-on"
    VENT_OPEN = "vent-open"
    PROBE_BY_LAMP = "probe-by-lamp"
    PROBE_DRIFTED = "probe-drifted"
    PROBES_SWAPPED = "probes-swapped"
    FLEECE_WET = "fleece-wet"
    WEATHER = "weather"  # no fault: the weather was not what is written down


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hypothesis:
    """A fault, where it would be, and the record as it must be read if it is there."""

    fault: Fault
    # Which probe, house first then trees; for a tree's fleece or string that of its tree; None for the house.
    place: int | None
    assume: Callable[[Record], Record]
    other: int | None = None  # the second of two swapped probes
    size_k: float = 0.0  # how far a drifted probe would be off


def hypotheses(parameters: Parameters, vent_flows_m3_s: tuple[float, ...]) -> tuple[Hypothesis, ...]:
    """Return all that may be wrong with a house.

    Parameters
    ----------
    parameters
        The house.
    vent_flows_m3_s
        What each vent moves [m³/s], in the order in which they are to be told apart.
    """
    trees = range(parameters.tree_count)
    return (
        *(one for tree in trees for one in _of_tree(parameters, tree)),
        *_of_probes(parameters.tree_count),
        *(_vent(number, flow * share) for number, flow in enumerate(vent_flows_m3_s) for share in (0.3, 1.0)),
        *_of_weather(),
    )


def _of_tree(parameters: Parameters, tree: int) -> Iterator[Hypothesis]:
    rated_w, place = float(parameters.string_w[tree]), tree + 1
    chill_w = WET_CHILL_K * float(parameters.bare_loss_w_per_k[tree])
    # A bare tree's loss is not known before it was bare; half the heat stands for twice the loss.
    for share in (1.0, 0.5):
        yield Hypothesis(fault=Fault.FLEECE_OFF, place=place, assume=partial(_bare, tree=tree, share=share))
    yield Hypothesis(
        fault=Fault.FLEECE_WET, place=place, assume=partial(_heated, tree=tree, share=1.0, more_w=-chill_w)
    )
    if not rated_w > 0.0:
        return
    for fault, share in ((Fault.STRING_DEAD, 0.0), (Fault.STRING_HALF_DEAD, 0.5)):
        yield Hypothesis(fault=fault, place=place, assume=partial(_heated, tree=tree, share=share))
    for share in (0.5, 1.0):
        yield Hypothesis(
            fault=Fault.HEATER_STUCK_ON,
            place=place,
            assume=partial(_heated, tree=tree, share=1.0, least_w=share * rated_w),
        )
    yield Hypothesis(fault=Fault.PROBE_BY_LAMP, place=place, assume=partial(_lit, tree=tree, rated_w=rated_w))


def _of_probes(tree_count: int) -> Iterator[Hypothesis]:
    for place in range(1 + tree_count):
        for size_k in DRIFTS_K:
            assume = partial(_read_higher, place=place, more_k=-size_k)
            yield Hypothesis(fault=Fault.PROBE_DRIFTED, place=place, assume=assume, size_k=size_k)
    for one, other in itertools.combinations(range(1 + tree_count), 2):
        assume = partial(_swapped, one=one, other=other)
        yield Hypothesis(fault=Fault.PROBES_SWAPPED, place=one, other=other, assume=assume)


def _vent(number: int, flow_m3_s: float) -> Hypothesis:
    return Hypothesis(
        fault=Fault.VENT_OPEN, place=None, other=number, assume=partial(_vented, flow_m3_s=flow_m3_s)
    )


def _of_weather() -> Iterator[Hypothesis]:
    changes: list[dict[str, Any]] = [
        {"name": "sky_depression_k", "factor": factor} for factor in _SKY_FACTORS
    ]
    changes += [{"name": "wind_m_s", "factor": factor} for factor in _WIND_FACTORS]
    changes += [{"name": "outside_temp_c", "more": more_k} for more_k in _OUTSIDE_K]
    for change in changes:
        yield Hypothesis(fault=Fault.WEATHER, place=None, assume=partial(_weather, **change))


# ---- records set right ------------------------------------------------------------------------------------


def _weather(record: Record, *, name: str, factor: float = 1.0, more: float = 0.0) -> Record:
    return _driven(record, name, getattr(record.inputs, name) * factor + more)


def _vented(record: Record, *, flow_m3_s: float) -> Record:
    return _driven(record, "vent_m3_s", np.maximum(record.inputs.vent_m3_s, flow_m3_s))


def _bare(record: Record, *, tree: int, share: float) -> Record:
    fleece_on = record.inputs.fleece_on.copy()
    fleece_on[:, tree] = False
    return _heated(_driven(record, "fleece_on", fleece_on), tree=tree, share=share)


def _heated(
    record: Record, *, tree: int, share: float, more_w: float = 0.0, least_w: float = -np.inf
) -> Record:
    """Return a record whose tree had another power than was written down."""
    string_w = record.inputs.string_w.copy()
    string_w[:, tree] = np.maximum(string_w[:, tree] * share + more_w, least_w)
    return _driven(record, "string_w", string_w)


def _driven(record: Record, name: str, values: Any) -> Record:
    changed: dict[str, Any] = {name: values}
    return replace(record, inputs=replace(record.inputs, **changed))


def _lit(record: Record, *, tree: int, rated_w: float) -> Record:
    """Return a record without what the lamp, on in the step that ended as a reading was made, added to it."""
    power_w = record.inputs.string_w[:, tree]
    lit = np.concatenate([power_w[:1], power_w[:-1]]) / rated_w
    return _read_higher(record, place=tree + 1, more_k=-LAMP_K * lit)


def _read_higher(record: Record, *, place: int, more_k: FloatArray | float) -> Record:
    readings_c = record.readings_c
    readings_c[:, place] += more_k
    return replace(record, house_temp_c=readings_c[:, 0], tree_temp_c=readings_c[:, 1:])


def _swapped(record: Record, *, one: int, other: int) -> Record:
    readings_c = record.readings_c
    readings_c[:, [one, other]] = readings_c[:, [other, one]]
    return replace(record, house_temp_c=readings_c[:, 0], tree_temp_c=readings_c[:, 1:])
