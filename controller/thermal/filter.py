"""Carry a house's state and its uncertainty through time: a Kalman filter over the transfer model.

Every temperature has a mean and a variance at all times, through gaps of any length and changes of fleece,
vents and wind, so each probe has a second witness that does not hang on its wire.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.model import (
    HOUSE,
    MOST_MODES,
    OFFSET,
    SUNNY_W_M2,
    VENT_BIN_M3_S,
    WIND_BIN_M_S,
    Stepper,
    continuous,
    discretise,
)
from controller.thermal.noise import Noise, first_covariance, intensity, output_matrix, probe_covariance
from controller.thermal.parameters import Parameters
from controller.thermal.predict import initial_state
from controller.thermal.record import driven, filled

STEP_S = 60.0
# Times nearer to one another than this are the same [s].
_SAME_S = 1e-6
# With the outside temperature unknown the house is told its own, and may be this wrong in it [K].
BLIND_K = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimate:
    """What is thought of a house at one time."""

    at_s: float  # UTC, seconds since 1970
    mean: FloatArray  # (n,)
    covariance: FloatArray  # (n, n)

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of each state, (n,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surprise:
    """What the readings of one time added: innovation and its standard deviation, (1+N,), NaN where none."""

    innovation_k: FloatArray
    sd_k: FloatArray

    @property
    def score(self) -> FloatArray:
        """Innovations in standard deviations, (1+N,)."""
        return np.asarray(self.innovation_k / self.sd_k)


class Filter:
    """A Kalman filter for one house; it holds no estimate itself.

    Parameters
    ----------
    parameters, noise
        The house, and how far model and probes are to be trusted.
    step_s
        Longest time carried in one go [s]; exact for any, since what drives the house is constant over it.
    """

    def __init__(self, parameters: Parameters, noise: Noise, *, step_s: float = STEP_S) -> None:
        self.parameters, self.noise, self._step_s = parameters, noise, step_s
        self._walk = intensity(noise, parameters.tree_count)
        self._stepper = Stepper(parameters, step_s, self._walk)
        self._C = output_matrix(parameters.tree_count)
        self._R = probe_covariance(noise, parameters.tree_count)
        # what is kept is no state: forgetting it costs time only
        self._modes: dict[object, tuple[FloatArray, FloatArray, FloatArray]] = {}

    def start(self, at_s: float, readings_c: ArrayLike, outside_c: float, deep_c: float) -> Estimate:
        """Return a first estimate from readings of house and trees (1+N,), NaN where there is none."""
        readings_c = np.asarray(readings_c, dtype=np.float64)
        mean = initial_state(
            self.parameters,
            house_temp_c=float(readings_c[0]),
            tree_temp_c=readings_c[1:],
            outside_temp_c=outside_c,
            deep_temp_c=deep_c,
        )
        covariance = first_covariance(self.noise, self.parameters.tree_count, is_read=False)
        return self.read(Estimate(at_s=at_s, mean=mean, covariance=covariance), readings_c)[0]

    def advance(self, estimate: Estimate, inputs: Inputs, until_s: float) -> Estimate:
        """Return the estimate carried to a later time, the inputs' first step lasting throughout.

        Time before the estimate's own changes nothing.  Unknown weather is replaced by middling values; an
        unknown outside temperature by the house's own, with its uncertainty widened to suit.
        """
        span_s = until_s - estimate.at_s
        if not span_s > 0.0:
            return estimate
        known = filled(inputs)
        mean, covariance = estimate.mean, estimate.covariance
        if not np.isfinite(known.outside_temp_c[0]):
            known = replace(known, outside_temp_c=np.full(known.steps, mean[HOUSE]))
            covariance = covariance.copy()
            covariance[OFFSET, OFFSET] = max(covariance[OFFSET, OFFSET], BLIND_K**2)
        u = driven(known)[0]
        step, every = self._stepper.modes_of(known)
        index = every[0]
        Phi, Gamma, Q = step.Phi[index], step.Gamma[index] @ u, step.Q[index]
        whole = int((span_s + _SAME_S) // self._step_s)
        for _ in range(whole):
            mean, covariance = Phi @ mean + Gamma, Phi @ covariance @ Phi.T + Q
        rest_s = span_s - whole * self._step_s
        if rest_s > _SAME_S:
            A, B = continuous(self.parameters, known.wind_m_s[0], known.vent_m3_s[0], known.fleece_on[0])
            Phi, Gamma, Q = discretise(A, B, rest_s, self._walk[int(known.sun_w_m2[0] > SUNNY_W_M2)])
            mean, covariance = Phi @ mean + Gamma @ u, Phi @ covariance @ Phi.T + Q
        return Estimate(at_s=until_s, mean=mean, covariance=_symmetric(covariance))

    def carry(
        self,
        estimate: Estimate,
        u: FloatArray,
        steps: int,
        *,
        wind_m_s: float,
        vent_m3_s: float,
        fleece_on: tuple[bool, ...],
        sunny: bool,
    ) -> Estimate:
        """Return the estimate carried on by whole steps: ``advance`` where all is known, without detours.

        ``u`` (m,) drives the house, in the order of the state space.
        """
        key = (round(wind_m_s / WIND_BIN_M_S), round(vent_m3_s / VENT_BIN_M3_S), fleece_on, sunny)
        mode = self._modes.get(key)
        if mode is None:
            if len(self._modes) >= MOST_MODES:
                self._modes.clear()
            sun_w_m2 = 2.0 * SUNNY_W_M2 if sunny else 0.0
            step, where = self._stepper.modes([wind_m_s], [vent_m3_s], np.array([fleece_on]), [sun_w_m2])
            index = int(where[0])
            mode = self._modes[key] = step.Phi[index], step.Gamma[index], step.Q[index]
        Phi, Gamma, Q = mode
        mean, covariance, push = estimate.mean, estimate.covariance, Gamma @ u
        for _ in range(steps):
            mean, covariance = Phi @ mean + push, Phi @ covariance @ Phi.T + Q
        return Estimate(
            at_s=estimate.at_s + steps * self._step_s, mean=mean, covariance=_symmetric(covariance)
        )

    def read(self, estimate: Estimate, readings_c: ArrayLike) -> tuple[Estimate, Surprise]:
        """Return the estimate after readings of house and trees (1+N,), and their surprise.

        Not a number means no reading.  Joseph's form keeps the covariance positive whatever rounds.
        """
        y = np.asarray(readings_c, dtype=np.float64)
        expected_c = self._C @ estimate.mean
        S = self._C @ estimate.covariance @ self._C.T + self._R
        surprise = Surprise(
            innovation_k=y - expected_c, sd_k=np.where(np.isfinite(y), np.sqrt(np.diag(S)), np.nan)
        )
        there = np.flatnonzero(np.isfinite(y))
        if not there.size:
            return estimate, surprise
        C, R = self._C[there], self._R[np.ix_(there, there)]
        gain = np.linalg.solve(S[np.ix_(there, there)], C @ estimate.covariance).T
        keep = np.eye(len(estimate.mean)) - gain @ C
        covariance = keep @ estimate.covariance @ keep.T + gain @ R @ gain.T
        mean = estimate.mean + gain @ surprise.innovation_k[there]
        return Estimate(at_s=estimate.at_s, mean=mean, covariance=_symmetric(covariance)), surprise

    def witness(self, estimate: Estimate) -> tuple[FloatArray, FloatArray]:
        """Return what the model says of house and trees, and how sure it is: °C and sd in K, (1+N,)."""
        sd = np.sqrt(np.einsum("oi,ij,oj->o", self._C, estimate.covariance, self._C))
        return self._C @ estimate.mean, sd


def _symmetric(matrix: FloatArray) -> FloatArray:
    return np.asarray(0.5 * (matrix + matrix.T))
