"""What is wrong, as far as the readings tell: likelihood ratios of hypotheses, gathered over the nights.

For each fault that may be (``suspicion``) the model foretells each reading twice: as the record stands, and
as it must be read if the fault is there.  The logarithm of the ratio of the two likelihoods is what one
reading says for the fault; Page's cumulative sum of it, started anew whenever it falls below zero, tells
when the fault began and how strongly the record speaks for it.  What explains most is taken as given, and
the rest is tried again beside it: so two faults are told apart, and wrong weather is no fault.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.thermal.fit import FIT_WIND_BIN_M_S, SKIP_S, first_state
from controller.thermal.innovations import groups, innovations, readings_of, steady_covariance
from controller.thermal.model import Step, Stepper
from controller.thermal.noise import Noise, intensity, output_matrix, probe_covariance
from controller.thermal.parameters import Parameters
from controller.thermal.record import ALONG_TIME, Record, driven
from controller.thermal.suspicion import Fault, Hypothesis, hypotheses

# Evidence (natural logarithm) from which a fault is told, by what simulated houses of seeds 0 to 14 showed on
# well nights.  A house that is finer than the model looks to it as if a vent stood open (up to 58) or the
# house's probe drifted (up to 240); mostly something else explains more, is taken as given, and then nothing
# is left of it.  A lamp's 3 K while a string heats are like a string that heats more than is known, and
# nothing explains more: up to 16 in one house.  Of the rest few reached 10, wet fleece beside a drift.  Two
# faults are hard to see.  A vent left open takes the house to the outside's temperature, 1 to 2 K lower, as a
# sky does that is wrong by as much (1 to 12 in one night); but a sky goes by in hours, and an open vent has
# spoken with 16 to 56 after three days.  Wet fleece that gives off little in damp air lets less heat radiate
# through and saves some 12 of 100 W: six nights of it spoke with nothing, so it takes much to be told.
ENOUGH: dict[Fault, float] = {
    Fault.FLEECE_OFF: 10.0,
    Fault.STRING_DEAD: 10.0,
    Fault.STRING_HALF_DEAD: 10.0,
    Fault.HEATER_STUCK_ON: 12.0,
    Fault.VENT_OPEN: 40.0,
    Fault.PROBE_BY_LAMP: 16.0,
    Fault.PROBE_DRIFTED: 120.0,
    Fault.PROBES_SWAPPED: 10.0,
    Fault.FLEECE_WET: 20.0,
    Fault.WEATHER: 12.0,
}
# An hour's readings together are worth one: no probe of a real house errs anew every five minutes.
PACE_S = 3600.0
# Standard deviations from which a reading counts linearly.
OUTLIER = 2.0
# A fault may have begun this long before the record's end [h], or at its beginning.
ONSETS_H = (72.0, 48.0, 24.0, 12.0, 6.0)
# Faults told at once, at most; more say that the model does not fit the house.
MOST_FAULTS = 4
# A fault is not told where something else, itself not certain enough, explains so much more.
SHARE_OF_BEST = 0.7
# Another explanation with so little less evidence is told too: this much, or this share of it.
NEAR, NEAR_SHARE = 3.0, 0.08


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Suspected:
    """A fault that the record speaks for."""

    hypothesis: Hypothesis
    since_s: float  # UTC, seconds since 1970
    evidence: float  # natural logarithm of the likelihood ratio
    runner_up: Hypothesis | None  # what explains the record almost as well, if anything does


class _Judge:
    """A model that foretells records step by step; keeps its steps and gains from record to record."""

    def __init__(self, parameters: Parameters, noise: Noise, step_s: float) -> None:
        count = parameters.tree_count
        self.parameters = parameters
        self._stepper = Stepper(parameters, step_s, intensity(noise, count))
        self._C = output_matrix(count)
        self._R = probe_covariance(noise, count) * max(1.0, PACE_S / step_s)
        self._Phi = self._covariance = np.empty((0, self._C.shape[1], self._C.shape[1]))

    def run(self, record: Record, start: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the log-likelihood of each step's readings (T,), 0 where there are none, and the states."""
        inputs = record.inputs
        wind_m_s = np.rint(inputs.wind_m_s / FIT_WIND_BIN_M_S) * FIT_WIND_BIN_M_S
        step, mode = self._stepper.modes_of(replace(inputs, wind_m_s=wind_m_s))
        found = innovations(
            Phi=step.Phi[np.newaxis],
            forcing=np.einsum("tij,tj->ti", step.Gamma[mode], driven(inputs))[np.newaxis],
            mode=mode,
            gain_of_mode=np.arange(len(step.Phi)),
            covariance=self._steady(step)[np.newaxis],
            C=self._C,
            R=self._R[np.newaxis],
            readings=readings_of(record.readings_c),
            start=start[np.newaxis],
        )
        said = np.zeros(record.steps)
        for gain, present, steps in groups(found, 0):
            lower = np.linalg.cholesky(found.S[0, gain][np.ix_(present, present)])
            white = found.v[0][steps[:, np.newaxis], present] @ np.linalg.inv(lower).T
            said[steps] = -_cost(white).sum(-1) - np.log(np.diag(lower)).sum()
        return said, found.states[0]

    def _steady(self, step: Step) -> FloatArray:
        """Return the modes' steady covariances, those met before as they were found then."""
        known = len(self._Phi)
        if not np.array_equal(step.Phi[:known], self._Phi):  # the stepper began anew
            known = 0
        if known < len(step.Phi):
            new = steady_covariance(step.Phi[known:], step.Q[known:], self._C, self._R)
            self._Phi, self._covariance = step.Phi, np.concatenate([self._covariance[:known], new])
        return self._covariance


def diagnose(
    record: Record, parameters: Parameters, noise: Noise, vent_flows_m3_s: tuple[float, ...]
) -> tuple[Suspected, ...]:
    """Return what the end of a record speaks for, strongest first; empty where nothing is wrong.

    Parameters
    ----------
    record
        Some days, the last of them in question; the first twelve hours only settle the filter.
    parameters, noise
        What was learnt of the house while it was well; the handbook's numbers raise false alarms.
    vent_flows_m3_s
        What each vent moves [m³/s].
    """
    judge = _Judge(parameters, noise, record.inputs.step_s)
    left = list(hypotheses(parameters, vent_flows_m3_s))
    found: list[Suspected] = []
    while left and len(found) < MOST_FAULTS:
        said = _evidence(judge, record, left)
        most = max(one.evidence for one in said)
        sure = [
            one
            for one in said
            if one.evidence >= ENOUGH[one.hypothesis.fault] and one.evidence >= SHARE_OF_BEST * most
        ]
        if not sure:
            break
        best = max(sure, key=lambda one: one.evidence)
        others = [one for one in said if not _same(one.hypothesis, best.hypothesis)]
        near = [
            one
            for one in others
            if one.evidence >= best.evidence - max(NEAR, NEAR_SHARE * best.evidence)
            and one.hypothesis.fault is not Fault.WEATHER
        ]
        second = max(near, key=lambda one: one.evidence, default=None)
        found.append(replace(best, runner_up=None if second is None else second.hypothesis))
        began = round((best.since_s - record.inputs.start_s) / record.inputs.step_s)
        record = _spliced(record, best.hypothesis.assume(record), began)
        left = [one.hypothesis for one in others if not _at_one_place(one.hypothesis, best.hypothesis)]
    return tuple(one for one in found if one.hypothesis.fault is not Fault.WEATHER)


def _evidence(judge: _Judge, record: Record, tried: Sequence[Hypothesis]) -> list[Suspected]:
    """Return what the end of a record says for each hypothesis, whenever it began."""
    step_s, steps = record.inputs.step_s, record.steps
    base, states = judge.run(record, first_state(record, judge.parameters))
    settled = np.arange(steps) * step_s >= SKIP_S
    onsets = [0, *(steps - round(h * 3600.0 / step_s) for h in ONSETS_H if h * 3600.0 < steps * step_s)]
    said = []
    for one in tried:
        whole, best, since = one.assume(record), 0.0, 0
        for onset in onsets:
            ratio = judge.run(whole.part(onset, steps), states[onset])[0] - base[onset:]
            total = np.concatenate([[0.0], np.cumsum(np.where(settled[onset:], ratio, 0.0))])
            lowest = int(np.argmin(total))
            if total[-1] - total[lowest] > best:
                best, since = float(total[-1] - total[lowest]), onset + lowest
        said.append(
            Suspected(
                hypothesis=one,
                since_s=record.inputs.start_s + since * step_s,
                evidence=best,
                runner_up=None,
            )
        )
    return said


def _cost(white: FloatArray) -> FloatArray:
    """Return half the squares, of outliers the linear continuation: no one reading decides (Huber 1964)."""
    size = np.abs(white)
    return np.asarray(np.where(size <= OUTLIER, 0.5 * size**2, OUTLIER * (size - 0.5 * OUTLIER)))


def _same(one: Hypothesis, other: Hypothesis) -> bool:
    return (one.fault, one.place, one.other) == (other.fault, other.place, other.other)


def _at_one_place(one: Hypothesis, other: Hypothesis) -> bool:
    """Return whether two are of one tree or probe: what the first leaves over there is no second fault."""
    return one.place is not None and one.place == other.place


def _spliced(before: Record, after: Record, begin: int) -> Record:
    """Return a record that is one up to a step and another from it on."""
    changed: dict[str, Any] = {
        name: np.concatenate([getattr(before.inputs, name)[:begin], getattr(after.inputs, name)[begin:]])
        for name in ALONG_TIME
    }
    return Record(
        inputs=replace(before.inputs, **changed),
        house_temp_c=np.r_[before.house_temp_c[:begin], after.house_temp_c[begin:]],
        tree_temp_c=np.concatenate([before.tree_temp_c[:begin], after.tree_temp_c[begin:]]),
    )
