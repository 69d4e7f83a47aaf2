"""What a fit may turn: the parameters with their prior widths, as logarithms of their ratio to the prior."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """One number that a fit may turn: a field of ``Parameters`` (for one tree) or of ``Noise``.

    ``sd`` is the width of its log-normal prior: 0.3 means that a third of houses of that material lie more
    than about 30 % away from the handbook's number.
    """

    field: str
    sd: float
    tree: int | None = None
    of_noise: bool = False

    def label(self, tree_names: tuple[str, ...]) -> str:
        """Return its name for people."""
        words = self.field
        for ending in ("_w_s_per_k_m", "_w_per_k", "_j_per_k", "_m2", "_k_per_root_h", "_k"):
            words = words.removesuffix(ending)
        words = words.replace("_", " ") + (" noise" if self.of_noise else "")
        return words if self.tree is None else f"{words} of {tree_names[self.tree]}"


# Widths: ±30 % for a house's loss is the spread of published losses of one glazing (Mihara & Hayashi 1979
# against design tables); wind and sky terms and the split of sunshine and of capacities vary more.  Films
# block 26 to 87 % of the night's net loss to the sky (Hanson 1963, J. Appl. Meteor. 2:793), a factor of 5.7
# in what they pass: the width of the sky's share.  What holds the subsoil's
# temperature lies a metre down in a season, 0.3 m below its middle in a week's cold weather (computed from
# the diffusivity): the width of the deep soil's.  The rest are own judgement.
HOUSE_KNOBS = {
    "house_loss_w_per_k": 0.3,
    "house_wind_loss_w_s_per_k_m": 0.5,
    "sky_loss_w_per_k": 0.7,
    "house_capacity_j_per_k": 0.6,
    "mass_capacity_j_per_k": 0.5,
    "house_mass_w_per_k": 0.4,
    "mass_subsoil_w_per_k": 0.4,
    "deep_w_per_k": 0.7,
    "house_solar_m2": 0.8,
    "mass_solar_m2": 0.8,
}
# ±30 % for fleece: leakage and long-wave transmittance are guesses; see the handbook.
TREE_KNOBS = {
    "fleece_loss_w_per_k": 0.4,
    "bare_loss_w_per_k": 0.5,
    "tree_soil_w_per_k": 0.4,
    "tree_capacity_j_per_k": 0.5,
    "soil_capacity_j_per_k": 0.3,
    # Fruit are counted, and their lag is their size (see ``FRUIT_LAG_S``).
    "fruit_w_per_k": 0.2,
    "fruit_capacity_j_per_k": 0.2,
    "tree_solar_m2": 0.8,
}
# Not turned for themselves by the fit of a real house: nothing sees fruit, and a fit that may turn them takes
# them for whatever else is slow under the fleece, and then foretells fruit that lag for half a day.  They
# follow the tree's capacity: a fuller tree has more of leaf, wood and fruit, and their lag stays.
UNSEEN = ("fruit_w_per_k", "fruit_capacity_j_per_k")
# The subsoil is of the same soil as what lies above it.
_LED_BY = {
    **dict.fromkeys(UNSEEN, "tree_capacity_j_per_k"),
    "subsoil_capacity_j_per_k": "mass_capacity_j_per_k",
}
# The offset's own spread is not turned: left free it takes the model's short errors for lasting weather.  The
# sky's error lay between 3.1 and 5.2 K in nine regions; a service's forecast of clouds adds its own.
NOISE_KNOBS = {
    "house_k_per_root_h": 1.0,
    "sunny_factor": 0.7,
    "tree_k_per_root_h": 1.0,
    "sky_k": 0.4,
    "probe_k": 0.5,
}


def knobs_of(tree_count: int, *, bare_seen: bool, sun_seen: bool) -> tuple[Knob, ...]:
    """Return what a record can turn: no bare loss if every tree was always covered, no sun by night."""
    unseen = set() if bare_seen else {"bare_loss_w_per_k"}
    if not sun_seen:
        unseen |= {"house_solar_m2", "mass_solar_m2", "tree_solar_m2"}
    house = [Knob(field=name, sd=sd) for name, sd in HOUSE_KNOBS.items() if name not in unseen]
    trees = [
        Knob(field=name, sd=sd, tree=tree)
        for tree in range(tree_count)
        for name, sd in TREE_KNOBS.items()
        if name not in unseen
    ]
    noises = [
        Knob(field=name, sd=sd, of_noise=True)
        for name, sd in NOISE_KNOBS.items()
        if tree_count or name != "tree_k_per_root_h"
    ]
    return (*house, *trees, *noises)


def turned(prior: Parameters, knobs: tuple[Knob, ...], theta: FloatArray) -> Parameters:
    """Return parameters with knobs turned by ``theta`` (P, K) logarithms, all P at once.

    House numbers become (P, 1) and those of trees (P, 1, N), to broadcast with modes (R,) and (R, N).
    """
    factors = np.exp(theta)
    values: dict[str, Any] = {}
    for column, knob in enumerate(knobs):
        if knob.of_noise:
            continue
        if knob.tree is None:
            values[knob.field] = getattr(prior, knob.field) * factors[:, column, np.newaxis]
        else:
            default = np.tile(getattr(prior, knob.field), (len(theta), 1, 1))
            values.setdefault(knob.field, default)[:, 0, knob.tree] *= factors[:, column]
    for field, leader in _LED_BY.items():
        if leader in values and field not in values:
            values[field] = getattr(prior, field) * (values[leader] / getattr(prior, leader))
    return replace(prior, **values)


def turned_once(prior: Parameters, knobs: tuple[Knob, ...], theta: FloatArray) -> Parameters:
    """Return parameters with knobs turned by one ``theta`` (K,)."""
    many = turned(prior, knobs, theta[np.newaxis])
    one: dict[str, Any] = {
        field: getattr(many, field)[0, 0] if field in TREE_KNOBS else float(getattr(many, field)[0, 0])
        for field in (*HOUSE_KNOBS, *TREE_KNOBS, *_LED_BY)
        if getattr(many, field) is not getattr(prior, field)
    }
    return replace(prior, **one)


def noise_turned(noise: Noise, knobs: tuple[Knob, ...], theta: FloatArray) -> Noise:
    """Return noise with its knobs turned by one ``theta`` (K,)."""
    values = {
        knob.field: float(getattr(noise, knob.field) * np.exp(theta[column]))
        for column, knob in enumerate(knobs)
        if knob.of_noise
    }
    return replace(noise, **values)
