"""How far the model and the probes are to be trusted: the noise that drives the states and the readings."""

from dataclasses import dataclass

import numpy as np

from controller.physics import FloatArray
from controller.thermal.model import (
    FIRST_TREE,
    HOUSE,
    MASS,
    OFFSET,
    OFFSET_MEMORY_S,
    SKY_ERROR,
    SKY_MEMORY_S,
    SUBSOIL,
    fruits,
    soils,
    state_count,
    trees,
)
from controller.thermal.parameters import SUBSOIL_SHARE, TOPSOIL_SHARE

_HOUR_S = 3600.0
# The subsoil strays less than the topsoil by as much as it stores more.
_SUBSOIL_SHARE = TOPSOIL_SHARE / SUBSOIL_SHARE


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Standard deviations of what the model does not explain.

    The walks of the states are what they would do in an hour if nothing pulled them back; the defaults are
    own assumptions, to be replaced by a fit.
    """

    house_k_per_root_h: float = 0.5
    mass_k_per_root_h: float = 0.05
    tree_k_per_root_h: float = 0.3
    fruit_k_per_root_h: float = 0.05
    # How many times as far house and trees stray while the sun shines: apertures, shadows and angles differ.
    sunny_factor: float = 4.0
    # How far the offset strays over days.
    offset_k: float = 1.0
    # How far the sky's radiant temperature strays from what cover and dew point say of it, for hours: 3.1 to
    # 5.2 K in nine regions' test reference years (DWD 2010), nights below 5 °C.
    sky_k: float = 4.0
    # Noise of one reading: a probe of 1/16 °C steps beside moving air.
    probe_k: float = 0.1


# How well a state is known before anything was read [K]: the mass worst, since nothing sees it.
_UNREAD_AIR_K, _UNREAD_MASS_K, _UNREAD_FRUIT_K = 2.0, 3.0, 3.0


def first_covariance(noise: Noise, tree_count: int, *, is_read: bool) -> FloatArray:
    """Return the covariance of a state made from what is known now, its probes just read or not; (n, n)."""
    air_k = min(noise.probe_k, _UNREAD_AIR_K) if is_read else _UNREAD_AIR_K
    sd = np.empty(state_count(tree_count))
    sd[HOUSE], sd[MASS], sd[OFFSET] = air_k, _UNREAD_MASS_K, noise.offset_k
    sd[SUBSOIL] = _UNREAD_MASS_K
    sd[SKY_ERROR] = noise.sky_k
    sd[trees(tree_count)] = air_k
    sd[fruits(tree_count)] = _UNREAD_FRUIT_K
    sd[soils(tree_count)] = _UNREAD_MASS_K
    return np.diag(sd**2)


def intensity(noise: Noise, tree_count: int) -> FloatArray:
    """Return the intensity of the states' white noise [unit²/s], without sun and with, shape (2, n, n)."""
    per_s = np.empty(state_count(tree_count))
    per_s[HOUSE] = noise.house_k_per_root_h**2 / _HOUR_S
    per_s[MASS] = noise.mass_k_per_root_h**2 / _HOUR_S
    # What fades with time constant τ and is driven by 2 σ²/τ strays by σ.
    per_s[OFFSET] = 2.0 * noise.offset_k**2 / OFFSET_MEMORY_S
    per_s[SKY_ERROR] = 2.0 * noise.sky_k**2 / SKY_MEMORY_S
    per_s[SUBSOIL] = (_SUBSOIL_SHARE * noise.mass_k_per_root_h) ** 2 / _HOUR_S
    per_s[trees(tree_count)] = noise.tree_k_per_root_h**2 / _HOUR_S
    per_s[fruits(tree_count)] = noise.fruit_k_per_root_h**2 / _HOUR_S
    per_s[soils(tree_count)] = noise.mass_k_per_root_h**2 / _HOUR_S
    sunny = per_s.copy()
    sunny[HOUSE] *= noise.sunny_factor**2
    sunny[trees(tree_count)] *= noise.sunny_factor**2
    return np.array([np.diag(per_s), np.diag(sunny)])


def output_matrix(tree_count: int) -> FloatArray:
    """Return what the probes see of the state: house air, then the air of each tree; shape (1+N, n)."""
    C = np.zeros((1 + tree_count, state_count(tree_count)))
    C[0, HOUSE] = 1.0
    C[np.arange(tree_count) + 1, np.arange(tree_count) + FIRST_TREE] = 1.0
    return C


def probe_covariance(noise: Noise, tree_count: int) -> FloatArray:
    """Return the covariance of the readings [K²], shape (1+N, 1+N)."""
    return np.eye(1 + tree_count) * noise.probe_k**2
