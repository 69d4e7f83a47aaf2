"""How sure a prediction is: state, noise, parameters and forecast members in one covariance."""

from dataclasses import dataclass
from math import erf

import numpy as np

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.fit import Fit
from controller.thermal.knobs import Knob, turned_once
from controller.thermal.model import Stepper
from controller.thermal.noise import Noise, intensity, output_matrix
from controller.thermal.parameters import Parameters
from controller.thermal.predict import Heat, predict

_TURN = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Mean and covariance of house, trees and fruit over T steps, the start included."""

    at_s: FloatArray  # (T+1,)
    mean: FloatArray  # (T+1, n)
    covariance: FloatArray  # (T+1, n, n)
    tree_count: int

    @property
    def sd(self) -> FloatArray:
        """Standard deviations, (T+1, n)."""
        return np.asarray(np.sqrt(np.maximum(np.einsum("tii->ti", self.covariance), 0.0)))

    def below(self, limit_c: float) -> FloatArray:
        """Return the probability of each state being below a limit [°C] at each time, (T+1, n).

        The errors of one night hang together, so the largest of them over the night is close to, and never
        above, the probability that the limit is crossed at any time in it.
        """
        sd = np.maximum(self.sd, 1e-9)
        return np.asarray(_normal((limit_c - self.mean) / sd))


def spread(
    *,
    parameters: Parameters,
    noise: Noise,
    start_mean: FloatArray,
    start_covariance: FloatArray,
    inputs: Inputs,
    fit: Fit | None = None,
) -> Spread:
    """Return what follows from an uncertain state under given powers, with all that makes it uncertain.

    Parameters
    ----------
    parameters, noise
        The house.
    start_mean, start_covariance
        The state now, (n,) and (n, n).
    inputs
        Weather, vents, fleece and string powers; one leading axis, if any, is that of the forecast's members.
    fit
        Where the parameters come from: their uncertainty is added, to first order.

    Notes
    -----
    The model is linear, so the covariance of state and noise is exact.  Members are mixed: their mean
    covariance and the covariance of their means add up.  A string that reacts to temperature is more certain
    than this says.
    """
    stepper = Stepper(parameters, inputs.step_s, intensity(noise, parameters.tree_count))
    central = predict(parameters, start_mean, inputs, Heat.GIVEN, stepper=stepper)
    step, index = stepper.modes_of(inputs)
    members = central.states.reshape(-1, *central.states.shape[-2:])
    index = np.broadcast_to(index, (*central.states.shape[:-2], inputs.steps)).reshape(len(members), -1)
    covariance = np.empty((inputs.steps + 1, *start_covariance.shape))
    covariance[0] = start_covariance
    # The modes of the members differ in the wind only: the first member's stand for all.
    for k, which in enumerate(index[0].tolist()):
        Phi = step.Phi[which]
        covariance[k + 1] = Phi @ covariance[k] @ Phi.T + step.Q[which]
    mean = members.mean(0)
    stray = members - mean
    covariance += np.einsum("fti,ftj->tij", stray, stray) / max(1, len(members) - 1)
    if fit is not None:
        covariance += _of_parameters(fit, start_mean, inputs, members.mean(0))
    return Spread(at_s=central.at_s, mean=mean, covariance=covariance, tree_count=parameters.tree_count)


def _of_parameters(fit: Fit, start: FloatArray, inputs: Inputs, central: FloatArray) -> FloatArray:
    """Return the covariance that uncertain parameters add, from the prediction's slopes along their axes."""
    inner = [column for column, knob in enumerate(fit.knobs) if not knob.of_noise]
    variance, axes = np.linalg.eigh(fit.covariance[np.ix_(inner, inner)])
    total = np.zeros((*central.shape, central.shape[-1]))
    knobs: tuple[Knob, ...] = tuple(fit.knobs[column] for column in inner)
    for size, axis in zip(variance, axes.T, strict=True):
        moved = turned_once(fit.prior, knobs, fit.theta[inner] + _TURN * axis)
        states = predict(moved, start, inputs, Heat.GIVEN).states
        slope = (states.reshape(-1, *central.shape).mean(0) - central) / _TURN
        total += size * np.einsum("ti,tj->tij", slope, slope)
    return total


def outputs(states: FloatArray, tree_count: int) -> FloatArray:
    """Return what the probes would read of states (..., n): house and trees, (..., 1+N)."""
    return np.asarray(states @ output_matrix(tree_count).T)


_normal = np.vectorize(lambda x: 0.5 * (1.0 + erf(x / np.sqrt(2.0))), otypes=[np.float64])
