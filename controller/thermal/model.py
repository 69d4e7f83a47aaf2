"""The transfer model as a linear state space, and its exact step under inputs held constant.

States, in this order (N trees)::

    0          house air [°C]
    1          house mass: the floor's topsoil and structure [°C]
    2          offset [K]: how much warmer the outside seems to the house than it is told; fades in three days
    3          subsoil of the whole floor [°C]
    4          sky error [K]: how much colder the sky is than it is told; fades in four hours
    5 .. 5+N   air round each tree [°C]
    5+N .. 5+2N  fruit and wood of each tree [°C]
    5+2N .. 5+3N topsoil under each tree [°C]

Inputs, in this order::

    0  outside air [°C]      1  sky chill [K], see ``sky_chill_k``      2  sunshine [W/m²]
    3  deep soil [°C]        4  heat into the house air [W]                5 .. 5+N  string of each tree [W]

Wind, vent flow and fleece stand in the matrices: each combination is a *mode*.  Wind is rounded there to
bins of 0.5 m/s, an error of at most 3 % in the loss of a single-glazed house; the sky's chill, which falls
faster with wind, is an input and not rounded.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.parameters import AIR_CAPACITY_J_PER_M3_K, SKY_SHELTER_WIND_M_S, Parameters

HOUSE, MASS, OFFSET, SUBSOIL, SKY_ERROR, FIRST_TREE = 0, 1, 2, 3, 4, 5
OUTSIDE, SKY, SUN, DEEP, HOUSE_HEAT, FIRST_STRING = 0, 1, 2, 3, 4, 5
# Time in which an unexplained offset fades [s]: as long as weather that a station misjudges lasts.  Of 6 to
# 72 h the longest erred least at its worst, on houses in EnergyPlus that are none of the bench's.
OFFSET_MEMORY_S = 3.0 * 86400.0
# Time in which the sky's error fades [s].  What cover and dew point say of the sky's radiant temperature errs
# with a correlation of 0.7 after one hour, 0.4 after three and 0.3 after six: the mean of nine regions' test
# reference years (DWD 2010), nights below 5 °C.  The kind of cloud, which nobody tells, goes by.
SKY_MEMORY_S = 4.0 * 3600.0

WIND_BIN_M_S = 0.5
# Wind above this is taken as this: a house that loses more has other troubles.
HIGHEST_WIND_M_S = 30.0
VENT_BIN_M3_S = 0.01
HIGHEST_VENT_M3_S = 300.0
# Above this sunshine counts as such: its error is the model's largest [W/m²].
SUNNY_W_M2 = 15.0
# More modes than any night shows; reached only by a fault, and then the table starts anew.
MOST_MODES = 512


def state_count(tree_count: int) -> int:
    """Return the number of states for a number of trees."""
    return FIRST_TREE + 3 * tree_count


def input_count(tree_count: int) -> int:
    """Return the number of inputs for a number of trees."""
    return FIRST_STRING + tree_count


def trees(tree_count: int) -> slice:
    """Return where the tree airs stand in the state."""
    return slice(FIRST_TREE, FIRST_TREE + tree_count)


def fruits(tree_count: int) -> slice:
    """Return where the fruit stand in the state."""
    return slice(FIRST_TREE + tree_count, FIRST_TREE + 2 * tree_count)


def soils(tree_count: int) -> slice:
    """Return where the soil under the trees stands in the state."""
    return slice(FIRST_TREE + 2 * tree_count, FIRST_TREE + 3 * tree_count)


def sky_chill_k(sky_depression_k: ArrayLike, wind_m_s: ArrayLike) -> FloatArray:
    """Return what the house feels of the sky [K]: all of the sky depression in still air, less in wind.

    The depression is the outside air's temperature minus the sky's radiant temperature [K].  Wind brings the
    cover closer to the outside air and so hides it from the sky; the form is that of a cover whose outside
    convection grows linearly with the wind.
    """
    wind_m_s = np.maximum(np.asarray(wind_m_s, dtype=np.float64), 0.0)
    return np.asarray(
        np.asarray(sky_depression_k, dtype=np.float64) / (1.0 + wind_m_s / SKY_SHELTER_WIND_M_S)
    )


def continuous(
    parameters: Parameters, wind_m_s: ArrayLike, vent_m3_s: ArrayLike, fleece_on: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return the matrices A [1/s] and B of dx/dt = A x + B u for modes.

    Parameters
    ----------
    parameters
        The house; its numbers may carry leading axes that broadcast with the modes'.
    wind_m_s, vent_m3_s
        Wind [m/s] and vent flow [m³/s], shape (...), at least 0.
    fleece_on
        Whether each tree is covered, shape (..., N).

    Returns
    -------
    A, B
        Shapes (..., n, n) and (..., n, m).

    Notes
    -----
    Linear in temperature differences: radiation is linearised near 0 °C, condensation, rime and freezing
    sap are left out, the house air is mixed.  It errs cold in a wet night, warm at the floor of a tall house.
    """
    p, count = parameters, parameters.tree_count
    wind_m_s, vent_m3_s = np.asarray(wind_m_s, dtype=np.float64), np.asarray(vent_m3_s, dtype=np.float64)
    outside = p.house_loss_w_per_k + p.house_wind_loss_w_s_per_k_m * wind_m_s
    outside = outside + AIR_CAPACITY_J_PER_M3_K * vent_m3_s
    fleece = np.where(fleece_on, p.fleece_loss_w_per_k, p.bare_loss_w_per_k)
    modes = np.broadcast_shapes(np.shape(outside), fleece.shape[:-1])

    # Conductances [W/K] between the nodes (mass, air...), row by row; divided by the capacities at the end.
    G = np.zeros((*modes, state_count(count), state_count(count)))
    B = np.zeros((*modes, state_count(count), input_count(count)))
    tree = np.arange(count) + FIRST_TREE
    fruit, soil = tree + count, tree + 2 * count

    def couple(one: int | NDArray[np.intp], other: int | NDArray[np.intp], conductance: ArrayLike) -> None:
        G[..., one, other] = conductance
        G[..., other, one] = conductance

    couple(HOUSE, MASS, p.house_mass_w_per_k)
    couple(HOUSE, tree, fleece)
    couple(soil, tree, p.tree_soil_w_per_k)
    couple(soil, MASS, p.soil_capacity_j_per_k * p.soil_rim_per_s)
    couple(soil, SUBSOIL, p.soil_capacity_j_per_k * p.soil_down_per_s)
    couple(MASS, SUBSOIL, p.mass_subsoil_w_per_k)
    couple(tree, fruit, p.fruit_w_per_k)
    B[..., HOUSE, OUTSIDE] = outside
    B[..., HOUSE, SKY] = -np.asarray(p.sky_loss_w_per_k)
    B[..., HOUSE, SUN] = p.house_solar_m2
    B[..., HOUSE, HOUSE_HEAT] = 1.0
    B[..., SUBSOIL, DEEP] = p.deep_w_per_k
    B[..., MASS, SUN] = p.mass_solar_m2
    B[..., tree, SUN] = p.tree_solar_m2
    B[..., tree, np.arange(count) + FIRST_STRING] = 1.0

    node = np.arange(state_count(count))
    G[..., node, node] = -G.sum(-1) - B[..., OUTSIDE] - B[..., DEEP]
    G[..., HOUSE, OFFSET] = outside
    G[..., HOUSE, SKY_ERROR] = -np.asarray(p.sky_loss_w_per_k) * sky_chill_k(1.0, wind_m_s)
    capacity = np.empty((*modes, state_count(count)))
    capacity[..., HOUSE] = p.house_capacity_j_per_k
    capacity[..., MASS] = p.mass_capacity_j_per_k
    capacity[..., OFFSET] = 1.0
    capacity[..., SKY_ERROR] = 1.0
    capacity[..., SUBSOIL] = p.subsoil_capacity_j_per_k
    capacity[..., tree] = p.tree_capacity_j_per_k
    capacity[..., fruit] = p.fruit_capacity_j_per_k
    capacity[..., soil] = p.soil_capacity_j_per_k
    A = G / capacity[..., np.newaxis]
    A[..., OFFSET, OFFSET] = -1.0 / OFFSET_MEMORY_S
    A[..., SKY_ERROR, SKY_ERROR] = -1.0 / SKY_MEMORY_S
    return A, B / capacity[..., np.newaxis]


def discretise(
    A: FloatArray, B: FloatArray, step_s: float, noise: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the exact step x' = Phi x + Gamma u + w of dx/dt = A x + B u + noise, u constant over the step.

    Parameters
    ----------
    A, B
        Shapes (..., n, n) and (..., n, m), in 1/s.
    step_s
        Length of the step [s].
    noise
        Intensity of white noise on the states, shape broadcasting to (..., n, n), in unit²/s; None is none.

    Returns
    -------
    Phi, Gamma, Q
        Shapes of A, B and A; Q is the covariance of w.

    Notes
    -----
    The integrals of exp(A s) and exp(A s) noise exp(A s)ᵀ over a step short enough for a series of 13 terms,
    then doubled until the step is reached; the same matrix exponential as the augmented one of Van Loan
    1978, IEEE Trans. Autom. Control 23:395, in matrices of half the size.
    """
    n = A.shape[-1]
    largest = float(np.max(np.abs(A).sum(-1), initial=0.0)) * step_s
    doublings = max(0, int(np.ceil(np.log2(largest / 0.5)))) if np.isfinite(largest) and largest > 0.0 else 0
    short_s = step_s / 2.0**doublings
    term = np.broadcast_to(np.eye(n) * short_s, A.shape)
    noise_term = np.broadcast_to(np.zeros((n, n)) if noise is None else noise * short_s, A.shape)
    integral, Q = term.copy(), noise_term.copy()
    for order in range(2, 15):  # the first term left out is 0.5^15/15!, 1e-17 of the first
        term = A @ term * (short_s / order)
        integral += term
        if noise is not None:
            flow = A @ noise_term
            noise_term = (flow + np.swapaxes(flow, -1, -2)) * (short_s / order)
            Q += noise_term
    Phi = np.eye(n) + A @ integral
    for _ in range(doublings):
        integral = integral + Phi @ integral
        if noise is not None:
            Q = Q + Phi @ Q @ np.swapaxes(Phi, -1, -2)
        Phi = Phi @ Phi
    return Phi, integral @ B, Q


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """The exact step of some modes: x' = Phi[i] x + Gamma[i] u, with noise of covariance Q[i]."""

    Phi: FloatArray
    Gamma: FloatArray
    Q: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Modes:
    """The R modes that inputs (..., T) pass through, and which of them each step is."""

    wind_m_s: FloatArray  # (R,)
    vent_m3_s: FloatArray  # (R,)
    fleece_on: NDArray[np.bool_]  # (R, N)
    index: NDArray[np.intp]  # (..., T)


def modes_in(inputs: Inputs) -> Modes:
    """Return the modes that inputs pass through; the sun, which matters to the noise only, makes none."""
    keys, where, shape = _kinds(inputs.wind_m_s, inputs.vent_m3_s, inputs.fleece_on, 0.0)
    return Modes(
        wind_m_s=keys[:, 0].astype(np.float64) * WIND_BIN_M_S,
        vent_m3_s=keys[:, 1].astype(np.float64) * VENT_BIN_M3_S,
        fleece_on=keys[:, 3:] != 0,
        index=where.reshape(shape),
    )


class Stepper:
    """Exact steps of one house for every mode met so far, made when first met and kept.

    What is kept is no state: forgetting it costs time only.  Not for use by two threads at once.

    Parameters
    ----------
    parameters
        The house.
    step_s
        Length of its steps [s].
    noise
        Intensity of white noise on the states [unit²/s] without and with sunshine, shape (2, n, n); None is
        none.
    """

    def __init__(self, parameters: Parameters, step_s: float, noise: FloatArray | None = None) -> None:
        self.parameters = parameters
        self.step_s = step_s
        self._noise = noise
        self._number: dict[bytes, int] = {}
        self._step = self._empty()

    def modes_of(self, inputs: Inputs) -> tuple[Step, NDArray[np.intp]]:
        """Return the steps of all modes met, stacked, and where among them each step of inputs stands."""
        return self.modes(inputs.wind_m_s, inputs.vent_m3_s, inputs.fleece_on, inputs.sun_w_m2)

    def modes(
        self, wind_m_s: ArrayLike, vent_m3_s: ArrayLike, fleece_on: ArrayLike, sun_w_m2: ArrayLike = 0.0
    ) -> tuple[Step, NDArray[np.intp]]:
        """Return the steps of all modes met, stacked, and where among them each asked mode stands.

        Parameters
        ----------
        wind_m_s, vent_m3_s
            Shape (...); what is not finite is taken as 0, for the caller to mark.
        fleece_on
            Shape (..., N).
        sun_w_m2
            Shape (...), matters only to the noise.
        """
        noisy_sun = sun_w_m2 if self._noise is not None else 0.0
        asked, where, shape = _kinds(wind_m_s, vent_m3_s, fleece_on, noisy_sun)
        self._meet(asked)
        numbers = np.array([self._number[key.tobytes()] for key in asked], dtype=np.intp)
        return self._step, numbers[where].reshape(shape)

    def _meet(self, asked: NDArray[np.int16]) -> None:
        if len(self._number) + len(asked) > MOST_MODES:
            self._number.clear()
            self._step = self._empty()
        new = np.array([key for key in asked if key.tobytes() not in self._number])
        if not new.size:
            return
        A, B = continuous(
            self.parameters, new[:, 0] * WIND_BIN_M_S, new[:, 1] * VENT_BIN_M3_S, new[:, 3:] != 0
        )
        noise = None if self._noise is None else self._noise[new[:, 2]]
        Phi, Gamma, Q = discretise(A, B, self.step_s, noise)
        for key in new:
            self._number[key.tobytes()] = len(self._number)
        self._step = Step(
            Phi=np.concatenate([self._step.Phi, Phi]),
            Gamma=np.concatenate([self._step.Gamma, Gamma]),
            Q=np.concatenate([self._step.Q, Q]),
        )

    def _empty(self) -> Step:
        n, m = state_count(self.parameters.tree_count), input_count(self.parameters.tree_count)
        return Step(Phi=np.empty((0, n, n)), Gamma=np.empty((0, n, m)), Q=np.empty((0, n, n)))


def _kinds(
    wind_m_s: ArrayLike, vent_m3_s: ArrayLike, fleece_on: ArrayLike, sun_w_m2: ArrayLike
) -> tuple[NDArray[np.int16], NDArray[np.intp], tuple[int, ...]]:
    """Return the kinds (wind bin, vent bin, sunny, fleece...), which of them each step is, and the shape."""
    fleece_on = np.asarray(fleece_on, dtype=np.bool_)
    wind_bin = _bins(wind_m_s, WIND_BIN_M_S, HIGHEST_WIND_M_S)
    vent_bin = _bins(vent_m3_s, VENT_BIN_M3_S, HIGHEST_VENT_M3_S)
    sunny = np.asarray(sun_w_m2) > SUNNY_W_M2
    shape = np.broadcast_shapes(wind_bin.shape, vent_bin.shape, sunny.shape, fleece_on.shape[:-1])
    keys = np.empty((*shape, 3 + fleece_on.shape[-1]), dtype=np.int16)
    keys[..., 0], keys[..., 1], keys[..., 2], keys[..., 3:] = wind_bin, vent_bin, sunny, fleece_on
    rows = keys.reshape(-1, keys.shape[-1])
    # Most steps are of the kind before them: only where it changes is there anything to sort.
    changes = np.ones(len(rows), dtype=np.bool_)
    changes[1:] = (rows[1:] != rows[:-1]).any(-1)
    kinds, where = np.unique(rows[changes], axis=0, return_inverse=True)
    return kinds, where.reshape(-1)[np.cumsum(changes) - 1], shape


def _bins(values: ArrayLike, width: float, highest: float) -> NDArray[np.int16]:
    """Return the number of the bin each value falls in; below zero and not finite count as zero."""
    values = np.asarray(values, dtype=np.float64)
    inside = np.clip(np.where(np.isfinite(values), values, 0.0), 0.0, highest)
    return np.asarray(np.rint(inside / width), dtype=np.int16)
