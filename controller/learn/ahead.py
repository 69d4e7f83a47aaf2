"""Predicting from a logbook: learn from what came before a time, foretell what came after, compare."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from controller.errors import LogbookError
from controller.learn.logbook import Logbook
from controller.physics import FloatArray
from controller.thermal.doubt import doubt_of_fit, doubt_of_handbook
from controller.thermal.fit import READ_EVERY_S, Fit, first_state
from controller.thermal.hindcast import Hindcast, filtered_states
from controller.thermal.house_fit import fit_house
from controller.thermal.identify import identifiability
from controller.thermal.model import FIRST_TREE, HOUSE
from controller.thermal.noise import Noise
from controller.thermal.record import Record
from controller.thermal.spread import Spread, outputs, spread
from controller.thermal.trial import night_hindcast, split_of

# From fewer days than this nothing is learnt and the handbook's numbers are used.
SHORTEST_S = 2 * 86400.0
# A logbook written seldomer than this [s] is read row by row, a denser one at the fit's own pace.
SELDOM_S = 1800.0
Z_90 = 1.6449


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learnt:
    """What a logbook tells of a house, and how far to believe it."""

    logbook: Logbook
    fit: Fit
    warnings: tuple[str, ...]
    # Predictions of nights that the model judged had not seen, and the handbook's of the same; None where
    # the record is too short to keep any back.
    trial: Hindcast | None
    handbook_trial: Hindcast | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Foretold:
    """A prediction from one time of a logbook on, and what came."""

    logbook: Logbook
    fit: Fit | None  # None: the handbook's numbers
    spread: Spread
    outside_c: FloatArray  # (T+1,)
    measured_c: FloatArray  # (T+1, 1+N), NaN where no reading
    probe_sd_k: float
    hold_c: FloatArray  # (N,)
    remarks: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """House, then each tree."""
        return ("house", *self.logbook.prior.tree_names)

    @property
    def mean_c(self) -> FloatArray:
        """What the probes are expected to read, (T+1, 1+N)."""
        return outputs(self.spread.mean, self.spread.tree_count)

    @property
    def sd_k(self) -> FloatArray:
        """Standard deviation of that, (T+1, 1+N)."""
        state = outputs(self.spread.sd, self.spread.tree_count)
        return np.asarray(np.hypot(state, self.probe_sd_k))

    @property
    def error_k(self) -> FloatArray:
        """Predicted minus measured after the start, (T, 1+N)."""
        return np.asarray((self.mean_c - self.measured_c)[1:])

    @property
    def rmse_k(self) -> FloatArray:
        """Root mean square error of each, NaN where nothing was measured, (1+N,)."""
        known = np.isfinite(self.error_k)
        squares = np.where(known, self.error_k**2, 0.0).sum(0)
        return np.where(known.any(0), np.sqrt(squares / np.maximum(known.sum(0), 1)), np.nan)

    @property
    def covered(self) -> FloatArray:
        """Share of the readings inside the 90 % band, NaN where nothing was measured, (1+N,)."""
        known = np.isfinite(self.error_k)
        inside = (np.abs(self.error_k) <= Z_90 * self.sd_k[1:]) & known
        return np.where(known.any(0), inside.sum(0) / np.maximum(known.sum(0), 1), np.nan)

    def chance_below(self, limits_c: FloatArray) -> FloatArray:
        """Return how likely house and trees fall below their limits (1+N,) at the worst time, (1+N,)."""
        columns = [HOUSE, *range(FIRST_TREE, FIRST_TREE + self.spread.tree_count)]
        return np.array(
            [
                self.spread.below(float(limit))[:, column].max()
                for limit, column in zip(limits_c, columns, strict=True)
            ]
        )


def learn(logbook: Logbook) -> Learnt:
    """Return what a logbook tells; the trial learns from its first part only and is judged on the rest."""
    record, prior = logbook.record, logbook.prior
    whole = _fit(logbook, record)
    split = split_of(record)
    trial = handbook = None
    if split < record.steps:
        part = _fit(logbook, record.part(0, split))
        trial = night_hindcast(part.parameters, part.noise, record, split, doubt=doubt_of_fit(part))
        handbook = night_hindcast(prior, Noise(), record, split, doubt=doubt_of_handbook(prior.tree_count))
        if not np.isfinite(trial.measured_c).any():
            trial = handbook = None
    return Learnt(
        logbook=logbook,
        fit=whole,
        warnings=identifiability(whole, record),
        trial=trial,
        handbook_trial=handbook,
    )


def foretell(logbook: Logbook, begin: datetime, hours: float) -> Foretold:
    """Return a prediction from a time on, made without anything measured inside after it.

    Raises
    ------
    LogbookError
        The time is not in the logbook, or nothing was measured before it.
    """
    record, step_s = logbook.record, logbook.record.inputs.step_s
    first = round((begin.timestamp() - record.inputs.start_s) / step_s)
    if not 0 <= first < record.steps - 1:
        begins, ends = (
            datetime.fromtimestamp(record.inputs.start_s + step_s * k, UTC) for k in (0, record.steps - 1)
        )
        raise LogbookError(
            f"expected a time between {begins:%Y-%m-%dT%H:%MZ} and {ends:%Y-%m-%dT%H:%MZ}, the logbook's "
            f"first and last, but {begin.astimezone(UTC):%Y-%m-%dT%H:%MZ} came; choose another --from"
        )
    before = record.part(0, first + 1)
    if not np.isfinite(before.readings_c).any():
        raise LogbookError("nothing was measured inside before that time; choose a later --from")
    remarks = []
    wanted = round(hours * 3600.0 / step_s)
    steps = min(wanted, record.steps - 1 - first)
    if steps < wanted:
        remarks.append(
            f"the logbook ends {steps * step_s / 3600.0:.1f} h after that time; predicted until then"
        )
    learnt = _fit(logbook, before) if first * step_s >= SHORTEST_S else None
    if learnt is None:
        remarks.append(
            f"less than {SHORTEST_S / 86400.0:g} days before that time: nothing is learnt, the handbook's "
            "numbers are used, their doubt is in the band"
        )
    parameters = logbook.prior if learnt is None else learnt.parameters
    noise = Noise() if learnt is None else learnt.noise
    states, covariance = filtered_states(parameters, noise, before, first_state(before, parameters))
    ahead = record.part(first, first + steps)
    return Foretold(
        logbook=logbook,
        fit=learnt,
        spread=spread(
            parameters=parameters,
            noise=noise,
            start_mean=states[-1],
            start_covariance=covariance,
            inputs=ahead.inputs,
            doubt=doubt_of_handbook(len(logbook.prior.tree_names))
            if learnt is None
            else doubt_of_fit(learnt),
        ),
        outside_c=record.inputs.outside_temp_c[first : first + steps + 1],
        measured_c=record.readings_c[first : first + steps + 1],
        probe_sd_k=noise.probe_k,
        hold_c=logbook.prior.hold_c,
        remarks=tuple(remarks),
    )


def _fit(logbook: Logbook, record: Record) -> Fit:
    every_s = 0.0 if logbook.interval_s >= SELDOM_S else READ_EVERY_S
    return fit_house(record, logbook.prior, read_every_s=every_s)
