"""A model on trial: how well it would have foretold nights that it has not seen."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray
from controller.thermal.doubt import Doubt
from controller.thermal.fit import READ_EVERY_S, first_state
from controller.thermal.hindcast import Hindcast, hindcast
from controller.thermal.innovations import innovations, readings_of, steady_covariance
from controller.thermal.model import SUNNY_W_M2, Stepper
from controller.thermal.noise import Noise, intensity, output_matrix, probe_covariance
from controller.thermal.parameters import Parameters
from controller.thermal.record import Record, driven

LEAD_S = 12 * 3600.0
DAY_S = 86400.0
# A record shorter than this is all needed to learn from; of a longer one a quarter, at least two days and at
# most ten, is kept to be judged on.
SHORTEST_S = 6 * DAY_S
HELD_OUT_SHARE = 0.25
HELD_OUT_LEAST_S, HELD_OUT_MOST_S = 2 * DAY_S, 10 * DAY_S
# Predictions begin this far apart [s]; closer ones say the same.
STARTS_APART_S = 3600.0


def split_of(record: Record) -> int:
    """Return the step from which a record is kept to be judged on; its length where it is too short."""
    length_s = record.steps * record.inputs.step_s
    if length_s < SHORTEST_S:
        return record.steps
    held_s = min(max(HELD_OUT_SHARE * length_s, HELD_OUT_LEAST_S), HELD_OUT_MOST_S)
    return record.steps - round(held_s / record.inputs.step_s)


def night_starts(
    record: Record, begin: int, lead_s: float = LEAD_S, apart_s: float = STARTS_APART_S
) -> NDArray[np.intp]:
    """Return starts from ``begin`` on whose predictions end at night, while the record lasts, (S,)."""
    step_s = record.inputs.step_s
    ahead = round(lead_s / step_s)
    starts = np.arange(begin, record.steps - ahead, max(1, round(apart_s / step_s)))
    return starts[record.inputs.sun_w_m2[starts + ahead] <= SUNNY_W_M2]


def night_hindcast(
    parameters: Parameters,
    noise: Noise,
    record: Record,
    begin: int,
    *,
    apart_s: float = STARTS_APART_S,
    doubt: Doubt | None = None,
) -> Hindcast:
    """Return a model's predictions 12 h ahead that end at night, begun from step ``begin`` on.

    The filter that gives their starts runs from the record's beginning; each prediction then knows only the
    weather that came and the powers given.
    """
    return hindcast(
        parameters,
        noise,
        record,
        starts=night_starts(record, begin, apart_s=apart_s),
        lead_s=LEAD_S,
        first_state=first_state(record, parameters),
        doubt=doubt,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Standardised innovations of a model at the pace it was fitted at, and how they hang together."""

    score: FloatArray  # (T', 1+N), NaN where no reading

    def autocorrelation(self, lag: int) -> FloatArray:
        """Return how each probe's innovations hang together over ``lag`` of them, (1+N,); NaN if unknown."""
        z, count = self.score, len(self.score)
        both = np.isfinite(z[lag:]) & np.isfinite(z[: count - lag])
        product = np.where(both, z[lag:] * z[: count - lag], 0.0).sum(0)
        known = np.isfinite(z)
        power = np.where(known, z**2, 0.0).sum(0) / np.maximum(known.sum(0), 1)
        pairs = both.sum(0)
        return np.where((pairs > 0) & (power > 0.0), product / np.maximum(pairs * power, 1e-12), np.nan)

    def largest_autocorrelation(self, lags: int = 6) -> FloatArray:
        """Return the largest correlation, of either sign, over 1 to ``lags`` of them, (1+N,)."""
        many = np.array([np.abs(self.autocorrelation(lag)) for lag in range(1, lags + 1)])
        return np.asarray(np.where(np.isfinite(many), many, 0.0).max(0))


def scores(
    parameters: Parameters,
    noise: Noise,
    record: Record,
    *,
    begin: int = 0,
    read_every_s: float = READ_EVERY_S,
) -> Scores:
    """Return a model's standardised innovations from step ``begin`` on, reading no oftener than its fit."""
    count, inputs = parameters.tree_count, record.inputs
    every = max(1, round(read_every_s / inputs.step_s))
    between = np.arange(record.steps)[:, np.newaxis] % every != 0
    stepper = Stepper(parameters, inputs.step_s, intensity(noise, count))
    step, mode = stepper.modes_of(inputs)
    C, R = output_matrix(count), probe_covariance(noise, count)
    found = innovations(
        Phi=step.Phi[np.newaxis],
        forcing=np.einsum("tij,tj->ti", step.Gamma[mode], driven(inputs))[np.newaxis],
        mode=mode,
        gain_of_mode=np.arange(len(step.Phi)),
        covariance=steady_covariance(step.Phi, step.Q, C, R)[np.newaxis],
        C=C,
        R=R[np.newaxis],
        readings=readings_of(np.where(between, np.nan, record.readings_c)),
        start=first_state(record, parameters)[np.newaxis],
    )
    sd = np.sqrt(np.einsum("goo->go", found.S[0]))[found.gain_mode]
    whole = (found.v[0] / sd)[begin:]
    return Scores(score=whole[(-begin) % every :: every])
