"""What the coming hours bring: house, air round each tree and fruit, without heat or with the trees held."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.model import (
    FIRST_STRING,
    HOUSE,
    MASS,
    OFFSET,
    SKY_ERROR,
    SUBSOIL,
    Stepper,
    fruits,
    soils,
    state_count,
    trees,
)
from controller.thermal.parameters import Parameters
from controller.thermal.record import driven

J_PER_KWH = 3.6e6
# A tree that ends a step this far below its hold temperature with its strings fully on cannot be held [K].
SHORT_K = 0.01
# The duty of coupled strings is solved to this [W]; a dozen rounds reach it, 200 trees or a bad world more.
_DUTY_TOLERANCE_W = 1e-6
_DUTY_ROUNDS = 200


class Heat(StrEnum):
    """What the strings do in a prediction."""

    NONE = "none"  # off throughout
    HELD = "held"  # just enough to hold each tree, as far as its strings reach
    GIVEN = "given"  # the powers that the inputs carry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """Temperatures over T steps for N trees, from the start (index 0) on.

    Temperatures have T + 1 values along time, powers T (each constant over a step).  Leading axes, if any,
    are those of the inputs, such as the members of a forecast.  What cannot be known is NaN.
    """

    tree_names: tuple[str, ...]
    at_s: FloatArray  # (T+1,) UTC seconds since 1970
    house_temp_c: FloatArray  # (..., T+1)
    tree_temp_c: FloatArray  # (..., T+1, N)
    fruit_temp_c: FloatArray  # (..., T+1, N)
    string_w: FloatArray  # (..., T, N)
    hold_c: FloatArray  # (N,)
    short: NDArray[np.bool_]  # (..., T, N) held, yet colder at the end of the step
    states: FloatArray  # (..., T+1, n)

    @property
    def step_s(self) -> float:
        """Length of a step [s]."""
        return float(self.at_s[1] - self.at_s[0])

    @property
    def energy_kwh(self) -> FloatArray:
        """Energy of each tree's strings over the whole prediction [kWh], shape (..., N)."""
        return np.asarray(self.string_w.sum(-2) * (self.step_s / J_PER_KWH))

    @property
    def house_min_c(self) -> FloatArray:
        """Lowest house temperature [°C], shape (...)."""
        return np.asarray(self.house_temp_c.min(-1))

    @property
    def tree_min_c(self) -> FloatArray:
        """Lowest air temperature round each tree [°C], shape (..., N)."""
        return np.asarray(self.tree_temp_c.min(-2))

    @property
    def fruit_min_c(self) -> FloatArray:
        """Lowest fruit temperature of each tree [°C], shape (..., N)."""
        return np.asarray(self.fruit_temp_c.min(-2))

    @property
    def first_heat_s(self) -> FloatArray:
        """When each tree's heat begins, UTC seconds since 1970, NaN where never; shape (..., N)."""
        heats = self.string_w > 0.0
        return np.where(heats.any(-2), self.at_s[np.argmax(heats, axis=-2)], np.nan)

    @property
    def last_heat_s(self) -> FloatArray:
        """When each tree's heat ends, UTC seconds since 1970, NaN where it never began; shape (..., N)."""
        heats = self.string_w > 0.0
        steps = heats.shape[-2]
        ends = steps - np.argmax(heats[..., ::-1, :], axis=-2)
        return np.where(heats.any(-2), self.at_s[ends], np.nan)

    @property
    def short_of_heat(self) -> NDArray[np.bool_]:
        """Whether each tree is at some time colder than it is to be held, strings fully on; (..., N)."""
        return np.asarray(self.short.any(-2))

    @property
    def short_from_s(self) -> FloatArray:
        """When each tree is first short of heat, UTC seconds since 1970, NaN where never; (..., N)."""
        return np.where(self.short_of_heat, self.at_s[1 + np.argmax(self.short, axis=-2)], np.nan)


def initial_state(
    parameters: Parameters,
    *,
    house_temp_c: float = np.nan,
    tree_temp_c: ArrayLike | None = None,
    outside_temp_c: float = np.nan,
    deep_temp_c: float = np.nan,
    mass_temp_c: float = np.nan,
    fruit_temp_c: ArrayLike | None = None,
    offset_k: float = 0.0,
) -> FloatArray:
    """Return a state from what the probes say now, missing ones (NaN) filled from their neighbours.

    Parameters
    ----------
    parameters
        The house.
    house_temp_c, tree_temp_c, outside_temp_c
        Readings [°C]; trees of shape (N,).
    deep_temp_c, mass_temp_c, fruit_temp_c
        Deep soil, house mass and fruit [°C], where known.
    offset_k
        The offset [K], where a filter knows it.

    Returns
    -------
    state
        Shape (n,).

    Notes
    -----
    A missing tree is taken as the house; a missing house as the coldest of trees and outside air, since an
    unheated house is hardly ever colder than both; unknown fruit as its tree's air; an unknown mass half way
    between house and deep soil.  With no reading at all everything is NaN.
    """
    count = parameters.tree_count
    tree_c = np.full(count, np.nan) if tree_temp_c is None else np.array(tree_temp_c, dtype=np.float64)
    fruit_c = np.full(count, np.nan) if fruit_temp_c is None else np.array(fruit_temp_c, dtype=np.float64)
    known_c = [value for value in (*tree_c, outside_temp_c) if np.isfinite(value)]
    house_c = first_finite(house_temp_c, min(known_c, default=np.nan))
    state = np.empty(state_count(count))
    state[HOUSE] = house_c
    state[MASS] = first_finite(mass_temp_c, 0.5 * (house_c + deep_temp_c), house_c)
    state[OFFSET] = offset_k
    state[SKY_ERROR] = 0.0
    # the daily wave is felt half as much there
    state[SUBSOIL] = first_finite(0.5 * (state[MASS] + deep_temp_c), state[MASS])
    state[trees(count)] = np.where(np.isfinite(tree_c), tree_c, house_c)
    state[fruits(count)] = np.where(np.isfinite(fruit_c), fruit_c, state[trees(count)])
    state[soils(count)] = state[MASS]
    return state


def predict(
    parameters: Parameters,
    start_state: FloatArray,
    inputs: Inputs,
    heat: Heat,
    *,
    hold_c: ArrayLike | None = None,
    stepper: Stepper | None = None,
) -> Prediction:
    """Return what follows from a start state under given inputs.

    Parameters
    ----------
    parameters
        The house.
    start_state
        Shape (..., n), its leading axes broadcasting with those of the inputs.
    inputs
        T steps of weather, vents and fleece; with ``Heat.GIVEN`` also of string powers.
    heat
        What the strings do.
    hold_c
        Temperatures to hold [°C], shape (N,); left out, those of the site file.
    stepper
        Exact steps kept from earlier predictions of the same house and step; left out, they are made.

    Returns
    -------
    prediction
        NaN from where an input is not known on, in everything that it reaches.

    Notes
    -----
    ``Heat.HELD`` gives each string the power, constant over the step and at most its rating, that brings its
    tree to the hold temperature at the end of the step, all trees solved together since they share the house.
    """
    count = parameters.tree_count
    hold = np.asarray(parameters.hold_c if hold_c is None else hold_c, dtype=np.float64)
    stepper = Stepper(parameters, inputs.step_s) if stepper is None else stepper
    step, index = stepper.modes_of(inputs)
    u = driven(inputs)
    if heat is not Heat.GIVEN:
        u[..., FIRST_STRING:] = 0.0
    forcing = np.einsum("...ij,...j->...i", step.Gamma[index], u)
    power_w = u[..., FIRST_STRING:]
    leading = np.broadcast_shapes(start_state.shape[:-1], forcing.shape[:-2])
    states = np.empty((*leading, inputs.steps + 1, state_count(count)))
    states[..., 0, :] = start_state
    if heat is Heat.HELD:
        power_w = np.zeros((*leading, inputs.steps, count))
    for k in range(inputs.steps):
        following = np.matmul(step.Phi[index[..., k]], states[..., k, :, None])[..., 0]
        following += forcing[..., k, :]
        if heat is Heat.HELD:
            lift = step.Gamma[index[..., k]][..., FIRST_STRING:]
            lack_k = hold - following[..., trees(count)]
            power_w[..., k, :] = _duty_w(lift[..., trees(count), :], lack_k, parameters.string_w)
            following += np.einsum("...ij,...j->...i", lift, power_w[..., k, :])
        states[..., k + 1, :] = following
    return Prediction(
        tree_names=parameters.tree_names,
        at_s=inputs.start_s + inputs.step_s * np.arange(inputs.steps + 1.0),
        house_temp_c=states[..., HOUSE],
        tree_temp_c=states[..., trees(count)],
        fruit_temp_c=states[..., fruits(count)],
        string_w=power_w,
        hold_c=hold,
        short=(states[..., 1:, trees(count)] < hold - SHORT_K) & (heat is Heat.HELD),
        states=states,
    )


def _duty_w(lift_k_per_w: FloatArray, lack_k: FloatArray, cap_w: FloatArray) -> FloatArray:
    """Return the powers 0..cap that end each tree's lack, all at once: a projected Jacobi iteration.

    It converges because a string warms its own tree more than it warms all others together in one step.
    """
    if (lack_k <= 0.0).all():  # warm enough everywhere, as in most steps; NaN does not pass for that
        return np.zeros_like(lack_k)
    own = np.einsum("...ii->...i", lift_k_per_w)
    # minimum and maximum, since np.clip takes twice as long on so few numbers
    power_w = np.minimum(np.maximum(lack_k / own, 0.0), cap_w)
    for _ in range(_DUTY_ROUNDS):
        before_w = power_w
        rest_k = lack_k - np.matmul(lift_k_per_w, power_w[..., None])[..., 0]
        power_w = np.minimum(np.maximum(power_w + rest_k / own, 0.0), cap_w)
        if not (np.abs(power_w - before_w) > _DUTY_TOLERANCE_W).any():  # written so that NaN ends it
            break
    return np.asarray(power_w)


def first_finite(*values: float) -> float:
    """Return the first of some values that is known; NaN where none is."""
    return next((value for value in values if np.isfinite(value)), float("nan"))
