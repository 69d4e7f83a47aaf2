"""How well a model would have predicted a record: many starts, each judged some hours later."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray
from controller.thermal.doubt import TURN, Doubt, turned_steps
from controller.thermal.drive import Inputs
from controller.thermal.innovations import innovations, readings_of, steady_covariance
from controller.thermal.model import Stepper
from controller.thermal.noise import Noise, intensity, output_matrix, probe_covariance
from controller.thermal.parameters import Parameters
from controller.thermal.predict import Heat, predict
from controller.thermal.record import ALONG_TIME, Record, driven


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hindcast:
    """Predictions of house and trees made at S starts for one lead, and what came."""

    start: NDArray[np.intp]  # (S,) step of each start
    lead_s: float
    predicted_c: FloatArray  # (S, 1+N)
    sd_k: FloatArray  # (S, 1+N) of the reading, by the model itself
    measured_c: FloatArray  # (S, 1+N), NaN where no reading

    @property
    def error_k(self) -> FloatArray:
        """Predicted minus measured, (S, 1+N)."""
        return np.asarray(self.predicted_c - self.measured_c)

    @property
    def rmse_k(self) -> FloatArray:
        """Root mean square error of house and each tree, (1+N,)."""
        return np.asarray(np.sqrt(np.nanmean(self.error_k**2, axis=0)))

    def covered(self, z: float = 1.6449) -> FloatArray:
        """Return the share of readings inside ``z`` standard deviations (1.6449: 90 %), (1+N,)."""
        inside = np.abs(self.error_k) <= z * self.sd_k
        known = np.isfinite(self.error_k)
        return np.asarray((inside & known).sum(0) / np.maximum(known.sum(0), 1))


def filtered_states(
    parameters: Parameters, noise: Noise, record: Record, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return each step's state after its readings (T, n), by steady gains, and their covariance (n, n)."""
    count = parameters.tree_count
    stepper = Stepper(parameters, record.inputs.step_s, intensity(noise, count))
    step, mode = stepper.modes_of(record.inputs)
    C, R = output_matrix(count), probe_covariance(noise, count)
    covariance = steady_covariance(step.Phi, step.Q, C, R)
    forcing = np.einsum("tij,tj->ti", step.Gamma[mode], driven(record.inputs))
    found = innovations(
        Phi=step.Phi[np.newaxis],
        forcing=forcing[np.newaxis],
        mode=mode,
        gain_of_mode=np.arange(len(step.Phi)),
        covariance=covariance[np.newaxis],
        C=C,
        R=R[np.newaxis],
        readings=readings_of(record.readings_c),
        start=start[np.newaxis],
    )
    gain = np.swapaxes(np.linalg.solve(C @ covariance @ C.T + R, C @ covariance), -1, -2)
    v = np.where(np.isfinite(found.v[0]), found.v[0], 0.0)
    after = found.states[0, :-1] + np.einsum("tio,to->ti", gain[mode], v)
    middle = np.bincount(mode).argmax()
    keep = np.eye(len(start)) - gain[middle] @ C
    return after, keep @ covariance[middle] @ keep.T + gain[middle] @ R @ gain[middle].T


def hindcast(
    parameters: Parameters,
    noise: Noise,
    record: Record,
    *,
    starts: NDArray[np.intp],
    lead_s: float,
    first_state: FloatArray,
    doubt: Doubt | None = None,
) -> Hindcast:
    """Return predictions made from each start for one lead, under the weather that came and the powers given.

    Parameters
    ----------
    parameters, noise
        The house.
    record
        What was measured; each prediction knows nothing after its start but the weather and the powers.
    starts
        Steps to predict from, (S,).
    lead_s
        How far ahead [s].
    first_state
        The state at the record's beginning, (n,).
    doubt
        How far the parameters may be wrong; widens ``sd_k`` to first order, as in ``spread``.
    """
    steps = round(lead_s / record.inputs.step_s)
    starts = starts[starts + steps < record.steps]
    count = parameters.tree_count
    states, covariance = filtered_states(parameters, noise, record, first_state)
    stepper = Stepper(parameters, record.inputs.step_s, intensity(noise, count))
    windows = starts[:, np.newaxis] + np.arange(steps)
    result = predict(
        parameters, states[starts], _windowed(record.inputs, windows), Heat.GIVEN, stepper=stepper
    )
    step, mode = stepper.modes_of(record.inputs)
    P = np.broadcast_to(covariance, (len(starts), *covariance.shape))
    for k in range(steps):
        Phi = step.Phi[mode[windows[:, k]]]
        P = Phi @ P @ np.swapaxes(Phi, -1, -2) + step.Q[mode[windows[:, k]]]
    if doubt is not None:
        slopes = _slopes(parameters, doubt, states[starts], record.inputs, windows)
        P = P + np.einsum("ksi,kl,lsj->sij", slopes, doubt.covariance, slopes, optimize=True)
    C = output_matrix(count)
    return Hindcast(
        start=starts,
        lead_s=lead_s,
        predicted_c=result.states[:, -1] @ C.T,
        sd_k=np.sqrt(np.einsum("oi,sij,oj->so", C, P, C) + noise.probe_k**2),
        measured_c=record.readings_c[starts + steps],
    )


def _slopes(
    parameters: Parameters, doubt: Doubt, states: FloatArray, inputs: Inputs, windows: NDArray[np.intp]
) -> FloatArray:
    """Return how the states at each window's end move with the logarithm of each number, (K, S, n)."""
    (modes, Phi, Gamma), u = turned_steps(parameters, doubt, inputs), driven(inputs)
    ahead, driving = np.swapaxes(Phi, -1, -2), np.swapaxes(Gamma, -1, -2)
    x = np.tile(states, (len(Phi), 1, 1))
    for at in windows.T:
        mode = modes.index[at]
        for one in np.unique(mode).tolist():  # all windows of a mode at once
            there = mode == one
            x[:, there] = x[:, there] @ ahead[:, one] + u[at[there]] @ driving[:, one]
    return np.asarray((x[1:] - x[0]) / TURN)


def _windowed(inputs: Inputs, windows: NDArray[np.intp]) -> Inputs:
    cut: dict[str, Any] = {name: getattr(inputs, name)[windows] for name in ALONG_TIME}
    return replace(inputs, **cut)
