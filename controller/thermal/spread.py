"""How sure a prediction is: state, noise, parameters and forecast in one covariance.

``spread`` gives, for each step ahead, the mean and standard deviation of house, tree air and fruit::

    ahead = spread(
        parameters=model.parameters, noise=model.noise, doubt=model.doubt,
        start_mean=state, inputs=inputs, outside_sd_k=forecast_sd_k,
    )
    ahead.tree_sd_k                  # (T+1, N), the start included
    ahead.chance_below(0.0).tree     # (N,) of crossing 0 °C at any time
"""

from dataclasses import dataclass, replace
from math import erf
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.thermal.doubt import TURN, Doubt, turned_steps
from controller.thermal.drive import Inputs
from controller.thermal.innovations import recursion
from controller.thermal.model import (
    HOUSE,
    OUTSIDE,
    Stepper,
    fruits,
    trees,
)
from controller.thermal.noise import Noise, first_covariance, intensity, output_matrix
from controller.thermal.parameters import Parameters
from controller.thermal.predict import Heat, predict
from controller.thermal.record import ALONG_TIME, driven


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chances:
    """Probabilities for house, tree air and fruit."""

    house: float
    tree: FloatArray  # (N,)
    fruit: FloatArray  # (N,)


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

    @property
    def house_sd_k(self) -> FloatArray:
        """Standard deviation of the house air [K], (T+1,)."""
        return np.asarray(self.sd[:, HOUSE])

    @property
    def tree_sd_k(self) -> FloatArray:
        """Standard deviation of the air round each tree [K], (T+1, N)."""
        return np.asarray(self.sd[:, trees(self.tree_count)])

    @property
    def fruit_sd_k(self) -> FloatArray:
        """Standard deviation of each tree's fruit [K], (T+1, N)."""
        return np.asarray(self.sd[:, fruits(self.tree_count)])

    def below(self, limit_c: float) -> FloatArray:
        """Return the probability of each state being below a limit [°C] at each time, (T+1, n)."""
        sd = np.maximum(self.sd, 1e-9)
        return np.asarray(_normal((limit_c - self.mean) / sd))

    def chance_below(self, limit_c: float) -> Chances:
        """Return how likely each crosses a limit [°C] at any time ahead.

        The errors of one night hang together, so the largest probability of its times is close to, and never
        above, that of the limit being crossed at any of them.
        """
        most = self.below(limit_c).max(0)
        return Chances(
            house=float(most[HOUSE]), tree=most[trees(self.tree_count)], fruit=most[fruits(self.tree_count)]
        )


def spread(
    *,
    parameters: Parameters,
    noise: Noise,
    start_mean: FloatArray,
    inputs: Inputs,
    start_covariance: FloatArray | None = None,
    doubt: Doubt | None = None,
    outside_sd_k: FloatArray | None = None,
) -> Spread:
    """Return what follows from an uncertain state under given powers, with all that makes it uncertain.

    Parameters
    ----------
    parameters, noise
        The house.
    start_mean, start_covariance
        The state now, (n,) and (n, n); without a covariance all probes have just been read and the rest is
        not known.
    inputs
        Weather, vents, fleece and string powers; one leading axis, if any, is that of the forecast's members.
    doubt
        How far the parameters may be wrong; added to first order.
    outside_sd_k
        Where there are no members: standard deviation of the forecast's outside temperature [K], (T,).

    Notes
    -----
    The model is linear, so the covariance of state and noise is exact.  Members are mixed: their mean
    covariance and the covariance of their means add up.  ``outside_sd_k`` is taken as one error that lasts
    through the night, which errs wide.  A string that reacts to temperature makes its tree more certain than
    this says.
    """
    if start_covariance is None:
        start_covariance = first_covariance(noise, parameters.tree_count, is_read=True)
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
    middle = _middle(inputs)
    if doubt is not None:
        slopes = _slopes(parameters, doubt, start_mean, middle)
        covariance += np.einsum("kti,kl,ltj->tij", slopes, doubt.covariance, slopes, optimize=True)
    if outside_sd_k is not None:
        moved = _moved_by_outside(parameters, middle, outside_sd_k)
        covariance += np.einsum("ti,tj->tij", moved, moved)
    return Spread(at_s=central.at_s, mean=mean, covariance=covariance, tree_count=parameters.tree_count)


def _middle(inputs: Inputs) -> Inputs:
    """Return the mean of the members, fleece as the first has it; inputs without members as they are."""
    if inputs.outside_temp_c.ndim == 1:
        return inputs
    middle: dict[str, Any] = {}
    for name in ALONG_TIME:
        values = getattr(inputs, name)
        if values.ndim > (2 if name in {"fleece_on", "string_w"} else 1):
            middle[name] = values[0] if name == "fleece_on" else values.mean(0)
    return replace(inputs, **middle)


def _slopes(parameters: Parameters, doubt: Doubt, start: FloatArray, inputs: Inputs) -> FloatArray:
    """Return how the states move with the logarithm of each number, (K, T+1, n)."""
    (modes, Phi, Gamma), u = turned_steps(parameters, doubt, inputs), driven(inputs)
    forcing = np.empty((len(Phi), inputs.steps, Phi.shape[-1]))
    for mode in range(len(modes.wind_m_s)):
        there = np.flatnonzero(modes.index == mode)
        forcing[:, there] = u[there] @ np.swapaxes(Gamma[:, mode], -1, -2)
    states = recursion(Phi, modes.index, forcing, np.tile(start, (len(Phi), 1)))
    return np.asarray((states[1:] - states[0]) / TURN)


def _moved_by_outside(parameters: Parameters, inputs: Inputs, outside_sd_k: FloatArray) -> FloatArray:
    """Return how the states move if the outside air is one standard deviation warmer, (T+1, n)."""
    step, index = Stepper(parameters, inputs.step_s).modes_of(inputs)
    forcing = step.Gamma[index][..., OUTSIDE] * outside_sd_k[:, np.newaxis]
    start = np.zeros((1, forcing.shape[-1]))
    return np.asarray(recursion(step.Phi[np.newaxis], index, forcing[np.newaxis], start)[0])


def outputs(states: FloatArray, tree_count: int) -> FloatArray:
    """Return what the probes would read of states (..., n): house and trees, (..., 1+N)."""
    return np.asarray(states @ output_matrix(tree_count).T)


_normal = np.vectorize(lambda x: 0.5 * (1.0 + erf(x / np.sqrt(2.0))), otypes=[np.float64])
