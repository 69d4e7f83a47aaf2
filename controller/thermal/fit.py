"""Learn a house from its record: its most probable parameters, and how sure they are.

Maximum a posteriori by Fisher scoring on the innovations.  Each round runs one recursion for the present
parameters and one for each knob turned a little, all side by side; from their differences come the gradient
and the expected information, whose inverse is the covariance of the parameters.
"""

from dataclasses import dataclass

import numpy as np

from controller.physics import FloatArray
from controller.thermal.innovations import (
    Innovations,
    groups,
    innovations,
    log_likelihood,
    readings_of,
    steady_covariance,
    steady_covariance_near,
)
from controller.thermal.knobs import Knob, knobs_of, noise_turned, turned, turned_once
from controller.thermal.model import SUNNY_W_M2, continuous, discretise
from controller.thermal.noise import Noise, intensity, output_matrix, probe_covariance
from controller.thermal.parameters import Parameters
from controller.thermal.predict import initial_state
from controller.thermal.record import Record, driven
from controller.thermal.stretches import stretches_of

# Rounding of the wind for the fit [m/s]; coarser than in a prediction, since its errors average out.
FIT_WIND_BIN_M_S = 1.0
FIT_VENT_BIN_M3_S = 0.02
# Winds at which the steady gains change [m/s]: wind hides the sky and with it the sky's error.
GAIN_WINDS_M_S = (1.5, 4.5)
# At the start the mass is not known, so its first hours say nothing.
SKIP_S = 12 * 3600.0
# What serves the coming night best, tried on houses in EnergyPlus that are none of the bench's: of 0.5,
# 1, 2 and 3 h between readings.
READ_EVERY_S = 2.0 * 3600.0
_TURN = 1e-4
_ROUNDS = 60
# Rounds end when the next one promises less gain in log posterior than this.
_ENOUGH = 3e-3
_TRIALS = np.array([1.0, 0.5, 0.2, 0.05])
_LONGEST_STEP = 1.0
# Steps from whose gradients the curvature is corrected.
_REMEMBERED = 8
# Models side by side at most, which bounds the memory.
_MODELS_AT_ONCE = 16


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """What a record says about a house."""

    parameters: Parameters
    noise: Noise
    prior: Parameters
    knobs: tuple[Knob, ...]
    theta: FloatArray  # (K,) logarithms of the ratio to the prior
    covariance: FloatArray  # (K, K) of theta
    log_posterior: float
    rounds: int
    converged: bool

    @property
    def labels(self) -> tuple[str, ...]:
        """Each knob's name for people."""
        return tuple(knob.label(self.prior.tree_names) for knob in self.knobs)

    @property
    def standard_error(self) -> FloatArray:
        """Standard error of each logarithm, so relative errors, (K,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def correlation(self) -> FloatArray:
        """Correlations of the knobs, (K, K)."""
        return np.asarray(self.covariance / np.outer(self.standard_error, self.standard_error))

    @property
    def prior_widths(self) -> FloatArray:
        """How many widths of its prior each knob was turned, (K,)."""
        return np.asarray(self.theta / np.array([knob.sd for knob in self.knobs]))


class Problem:
    """A record, a prior and the knobs; evaluates many settings of the knobs at once.

    Parameters
    ----------
    record
        What was measured, inputs complete.
    prior, noise
        The middle of the priors.
    knobs
        What may be turned; None turns all that the record can tell of.
    read_every_s
        Readings in between are passed over; 0 takes all.
    """

    def __init__(
        self,
        record: Record,
        prior: Parameters,
        noise: Noise,
        knobs: tuple[Knob, ...] | None = None,
        read_every_s: float = 0.0,
    ) -> None:
        inputs, count = record.inputs, prior.tree_count
        self.prior, self.noise, self.step_s = prior, noise, inputs.step_s
        self.knobs = knobs or knobs_of(
            count, bare_seen=not inputs.fleece_on.all(), sun_seen=bool((inputs.sun_w_m2 > 0.0).any())
        )
        self.prior_precision = np.array([knob.sd for knob in self.knobs]) ** -2.0
        every = max(1, round(read_every_s / inputs.step_s))
        between = np.arange(record.steps)[:, np.newaxis] % every != 0
        readings_c = np.where(between, np.nan, record.readings_c)
        self._C = output_matrix(count)
        wind_m_s = _held(np.clip(inputs.wind_m_s, 0.0, 30.0), every)
        keys = np.column_stack(
            [
                np.rint(wind_m_s / FIT_WIND_BIN_M_S),
                np.rint(np.clip(inputs.vent_m3_s, 0.0, 300.0) / FIT_VENT_BIN_M3_S),
                inputs.sun_w_m2 > SUNNY_W_M2,
                inputs.fleece_on,
            ]
        )
        modes, self._mode = np.unique(keys, axis=0, return_inverse=True)
        self._wind, self._vent, self._fleece = modes[:, 0], modes[:, 1], modes[:, 3:] != 0
        self._wind, self._vent = self._wind * FIT_WIND_BIN_M_S, self._vent * FIT_VENT_BIN_M3_S
        # Gains for calm, breeze and more in each state of sun, vents and fleece, at the middle mode.
        wind_class = np.searchsorted(GAIN_WINDS_M_S, modes[:, 0] * FIT_WIND_BIN_M_S)
        kinds, self._gain_of_mode = np.unique(
            np.column_stack([wind_class, modes[:, 1:]]), axis=0, return_inverse=True
        )
        self._middle = np.array(
            [
                there[len(there) // 2]
                for there in (np.flatnonzero(self._gain_of_mode == kind) for kind in range(len(kinds)))
            ]
        )
        self._middle_sunny = modes[self._middle, 2].astype(np.intp)
        self._start = first_state(record, prior)
        self._stretches = stretches_of(
            self._mode.reshape(-1), np.asarray(np.isfinite(readings_c).any(axis=-1)), driven(inputs)
        )
        self.readings = readings_of(readings_c[self._stretches.begin])
        self._pace_s = every * inputs.step_s
        skipped = min(int(SKIP_S / inputs.step_s), record.steps // 4)
        self.skip = int(np.searchsorted(self._stretches.begin, skipped))

    def innovations(self, theta: FloatArray, near: FloatArray | None = None) -> Innovations:
        """Return the innovations of settings (P, K), one for each stretch between readings.

        ``near`` are the steady covariances (G, n, n) of a setting so near that one step of Newton's will do.
        """
        parameters = turned(self.prior, self.knobs, theta)
        count = self.prior.tree_count
        noises = [noise_turned(self.noise, self.knobs, row) for row in theta]
        A, B = continuous(parameters, self._wind, self._vent, self._fleece)
        Phi, Gamma, _ = discretise(A, B, self.step_s)
        walk = np.array([intensity(noise, count) for noise in noises])[:, self._middle_sunny]
        # Readings come at this pace, and the gains are those that settle at it.
        pace, _, Q = discretise(A[:, self._middle], B[:, self._middle], self._pace_s, walk)
        R = np.array([probe_covariance(noise, count) for noise in noises])
        stretches = self._stretches
        return innovations(
            Phi=stretches.powers(Phi),
            forcing=stretches.forcing(Phi, Gamma),
            mode=stretches.kind,
            gain_of_mode=self._gain_of_mode.reshape(-1)[stretches.mode_of_kind],
            covariance=(
                steady_covariance(pace, Q, self._C, R[:, np.newaxis])
                if near is None
                else steady_covariance_near(near, pace, Q, self._C, R[:, np.newaxis])
            ),
            C=self._C,
            R=R,
            readings=self.readings,
            start=np.tile(self._start, (len(theta), 1)),
        )

    def log_posterior(self, theta: FloatArray) -> FloatArray:
        """Return the log posterior of settings (P, K), up to a constant; shape (P,)."""
        parts = [
            log_likelihood(self.innovations(some), skip=self.skip)
            for some in np.array_split(theta, -(-len(theta) // _MODELS_AT_ONCE))
        ]
        return np.asarray(np.concatenate(parts) - 0.5 * (theta**2 * self.prior_precision).sum(-1))

    def information(self, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return log posterior, its gradient (K,) and the expected information (K, K) at one setting."""
        base = self.innovations(theta[np.newaxis])
        sets = groups(base, self.skip)
        white = [_whitener(base.S[0, gain][np.ix_(present, present)]) for gain, present, _ in sets]
        dv = [np.empty((len(theta), steps.size * present.size)) for _, present, steps in sets]
        dS = [np.empty((len(theta), present.size, present.size)) for _, present, _ in sets]
        for columns in np.array_split(np.arange(len(theta)), -(-len(theta) // _MODELS_AT_ONCE)):
            moved = self.innovations(theta + _TURN * np.eye(len(theta))[columns], near=base.covariance[0])
            for number, (gain, present, steps) in enumerate(sets):
                at = (steps[:, np.newaxis], present)
                change = (moved.v[:, *at] - base.v[0][at]) @ white[number].T / _TURN
                dv[number][columns] = change.reshape(len(columns), -1)
                spread = moved.S[:, gain] - base.S[0, gain]
                spread = spread[:, present[:, np.newaxis], present] / _TURN
                dS[number][columns] = white[number] @ spread @ white[number].T
        gradient = -theta * self.prior_precision
        information = np.diag(self.prior_precision)
        for number, (_, present, steps) in enumerate(sets):
            v = base.v[0][steps[:, np.newaxis], present] @ white[number].T
            gradient = gradient - dv[number] @ v.reshape(-1)
            gradient += 0.5 * np.einsum("kij,ij->k", dS[number], v.T @ v - len(steps) * np.eye(present.size))
            information += dv[number] @ dv[number].T
            information += 0.5 * len(steps) * np.einsum("kij,lji->kl", dS[number], dS[number])
        value = log_likelihood(base, skip=self.skip)[0] - 0.5 * float(theta**2 @ self.prior_precision)
        return float(value), gradient, information


def fit(
    record: Record,
    prior: Parameters,
    noise: Noise | None = None,
    *,
    knobs: tuple[Knob, ...] | None = None,
    start: FloatArray | None = None,
    read_every_s: float = READ_EVERY_S,
) -> Fit:
    """Return the most probable parameters of a house, given a record.

    Parameters
    ----------
    record
        At least some days; with one night's heater step all losses are known in watts, without only their
        ratios (the prior supplies the scale).
    prior, noise
        What is thought of the house beforehand, from its materials.
    knobs
        What may be turned; left out, all that the record can tell of.
    start
        Setting to start from (K,); left out, the prior.
    read_every_s
        Readings in between are passed over: a real house is no linear network, and a fit to every reading
        serves the next minutes at the cost of the coming night.  0 takes all, for a house that is one.
    """
    noise = Noise() if noise is None else noise
    problem = Problem(record, prior, noise, knobs, read_every_s)
    theta = np.zeros(len(problem.knobs)) if start is None else np.array(start, dtype=np.float64)
    value, gradient, information = problem.information(theta)
    walked: list[tuple[FloatArray, FloatArray]] = []
    damping, converged, rounds = 0.0, False, 0
    while rounds < _ROUNDS and not converged:
        rounds += 1
        curvature = _corrected(information, walked)
        step = np.asarray(
            np.linalg.solve(curvature + damping * np.diag(np.diag(information)), gradient), dtype=np.float64
        )
        converged = damping == 0.0 and float(step @ gradient) < _ENOUGH
        if converged:
            break
        step *= min(1.0, _LONGEST_STEP / np.abs(step).max())
        share = _best_share(problem, theta, step, value)
        if share > 0.0:
            theta, before = theta + share * step, gradient
            value, gradient, information = problem.information(theta)
            walked = [*walked[1 - _REMEMBERED :], (share * step, before - gradient)]
            damping = damping / 10.0 if damping > 1e-4 else 0.0
        elif walked:
            walked = []
        elif damping > 1e4:
            break
        else:
            damping = max(10.0 * damping, 1e-3)
    covariance = np.linalg.inv(information)
    return Fit(
        parameters=turned_once(prior, problem.knobs, theta),
        noise=noise_turned(noise, problem.knobs, theta),
        prior=prior,
        knobs=problem.knobs,
        theta=theta,
        covariance=0.5 * (covariance + covariance.T),
        log_posterior=value,
        rounds=rounds,
        converged=converged,
    )


def first_state(record: Record, parameters: Parameters) -> FloatArray:
    """Return a state for a record's beginning from the first reading of each probe, (n,)."""
    return initial_state(
        parameters,
        house_temp_c=_first(record.house_temp_c),
        tree_temp_c=[_first(column) for column in record.tree_temp_c.T],
        outside_temp_c=_first(record.inputs.outside_temp_c),
        deep_temp_c=_first(record.inputs.deep_temp_c),
    )


def _best_share(problem: Problem, theta: FloatArray, step: FloatArray, value: float) -> float:
    """Return the share of a step to go: all of it if that gains, else the best of some, 0 if none gains."""
    for shares in (_TRIALS[:1], _TRIALS[1:]):
        values = problem.log_posterior(theta + shares[:, np.newaxis] * step)
        best = int(np.nanargmax(np.where(np.isfinite(values), values, -np.inf)))
        if values[best] > value:
            return float(shares[best])
    return 0.0


def _corrected(information: FloatArray, walked: list[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Return the expected information corrected by how the gradient changed along the last steps.

    A house that is no linear network bends more, or less, than its model expects; the update is that of
    Broyden, Fletcher, Goldfarb and Shanno (Nocedal & Wright, Numerical Optimization, eq. 6.19).
    """
    B = information
    for step, change in walked:
        along, Bs = float(step @ change), B @ step
        if along > 1e-3 * float(step @ Bs):  # else the curvature would not stay positive
            B = B - np.outer(Bs, Bs) / float(step @ Bs) + np.outer(change, change) / along
    return B


def _held(values: FloatArray, every: int) -> FloatArray:
    """Return values (T,) as their means over ``every`` steps, so that no mode switches between readings."""
    starts = np.arange(0, len(values), every)
    means = np.add.reduceat(values, starts) / np.diff(np.append(starts, len(values)))
    return np.asarray(np.repeat(means, every)[: len(values)])


def _whitener(S: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.inv(np.linalg.cholesky(S)))


def _first(values: FloatArray) -> float:
    known = np.flatnonzero(np.isfinite(values))
    return float(values[known[0]]) if known.size else float("nan")
