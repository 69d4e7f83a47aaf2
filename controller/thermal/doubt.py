"""How far a house's numbers may be wrong: what a fit leaves open, or the widths of the handbook."""

from dataclasses import dataclass

import numpy as np

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.fit import Fit
from controller.thermal.knobs import HOUSE_KNOBS, TREE_KNOBS, Knob, turned
from controller.thermal.model import Modes, continuous, discretise, modes_in
from controller.thermal.parameters import Parameters

# How far each logarithm is turned to see how states move with it.
TURN = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Doubt:
    """Covariance of the logarithms of a house's numbers, so of their relative errors."""

    knobs: tuple[Knob, ...]  # K of them, none of the noise
    covariance: FloatArray  # (K, K)


def doubt_of_fit(fit: Fit) -> Doubt:
    """Return what a fit leaves open, and the handbook's widths of what it did not turn.

    As honest as the house is as simple as the model.
    """
    inner = [column for column, knob in enumerate(fit.knobs) if not knob.of_noise]
    turned = tuple(fit.knobs[column] for column in inner)
    seen = {(knob.field, knob.tree) for knob in turned}
    left = [knob for knob in _all_knobs(fit.prior.tree_count) if (knob.field, knob.tree) not in seen]
    covariance = np.diag(np.array([knob.sd**2 for knob in (*turned, *left)]))
    covariance[: len(inner), : len(inner)] = fit.covariance[np.ix_(inner, inner)]
    return Doubt(knobs=(*turned, *left), covariance=covariance)


def doubt_of_handbook(tree_count: int) -> Doubt:
    """Return how far a house may differ from the handbook, its numbers independent of one another."""
    knobs = _all_knobs(tree_count)
    return Doubt(knobs=knobs, covariance=np.diag([knob.sd**2 for knob in knobs]))


def turned_steps(
    parameters: Parameters, doubt: Doubt, inputs: Inputs
) -> tuple[Modes, FloatArray, FloatArray]:
    """Return the inputs' R modes, and Phi (K+1, R, n, n) and Gamma (K+1, R, n, m) of each.

    The first are those of the house as it is, the others with one number's logarithm turned by ``TURN``.
    """
    turns = np.vstack([np.zeros(len(doubt.knobs)), TURN * np.eye(len(doubt.knobs))])
    modes = modes_in(inputs)
    many = turned(parameters, doubt.knobs, turns)
    A, B = continuous(many, modes.wind_m_s, modes.vent_m3_s, modes.fleece_on)
    Phi, Gamma, _ = discretise(A, B, inputs.step_s)
    return modes, Phi, Gamma


def _all_knobs(tree_count: int) -> tuple[Knob, ...]:
    of_house = (Knob(field=field, sd=sd) for field, sd in HOUSE_KNOBS.items())
    of_trees = (
        Knob(field=field, sd=sd, tree=tree) for tree in range(tree_count) for field, sd in TREE_KNOBS.items()
    )
    return (*of_house, *of_trees)
