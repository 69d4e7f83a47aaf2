"""How many watts each tree needs: steady cold nights in the transfer model, before anything is bought.

A steady night is worse than a real one, whose soil and fruit still give off the day's heat: sized by it, a
string has something to spare.  The numbers stand or fall with the house's true losses, known from materials
only to about 30 %, so they are a first guess to be checked on a cold evening with a meter.
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from controller.crop.limits import limits_of
from controller.physics import FloatArray, dew_point_c, sky_temp_c, vapour_pressure_kpa
from controller.site.handbook import CONTINUOUS_LOAD_FRACTION, FleeceKind, GlazingKind
from controller.site.model import Site
from controller.thermal.inputs import deep_soil_temp_c
from controller.thermal.model import sky_chill_k
from controller.thermal.parameters import SUBSOIL_SHARE, TOPSOIL_SHARE, Parameters, parameters_of

# Share of the way from the middle of the topsoil to that of the subsoil at half the depth of the daily wave.
NIGHT_SHARE = (0.5 - 0.5 * TOPSOIL_SHARE) / (0.5 * (TOPSOIL_SHARE + SUBSOIL_SHARE))
# The outside temperatures of the table [°C].
TABLE_C = (-3.0, -6.0, -9.0, -12.0)
# Relative humidity of a frosty night by the sea [%]: own assumption; drier air makes a colder sky.
NIGHT_RH_PCT = 85.0
# Where no circuit is described: 230 V and a 10 A breaker.
USUAL_CIRCUIT_W = 230.0 * 10.0 * CONTINUOUS_LOAD_FRACTION
# "Held down to" is looked for down to here, at this step [°C, K].
COLDEST_C = -25.0
SEARCH_STEP_K = 0.1
_BISECTIONS = 60


class NightKind(StrEnum):
    """Kinds of cold night; at one outside temperature they differ by 4-5 K in an unheated house."""

    CLEAR_CALM = "clear, calm"
    CLEAR_WINDY = "clear, windy"
    OVERCAST = "overcast, windy"


# Cloud (0..1) and wind [m/s at 10 m] of each; own choice.
SKIES: dict[NightKind, tuple[float, float]] = {
    NightKind.CLEAR_CALM: (0.0, 0.5),
    NightKind.CLEAR_WINDY: (0.0, 3.0),
    NightKind.OVERCAST: (1.0, 3.0),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steady:
    """A night that has come to rest: house (...), air and strings of each tree (..., N)."""

    house_temp_c: FloatArray
    tree_temp_c: FloatArray
    string_w: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSize:
    """What one tree needs [W], by kind of night and outside temperature, against what it has."""

    name: str
    has_w: float
    hold_c: float
    needs_w: dict[NightKind, tuple[float, ...]]
    design_w: float
    held_down_to_c: dict[NightKind, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What a change to fleece or house would make of the watts at the design temperature."""

    what: str
    design_w: float
    saved_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What a site needs down to a design temperature."""

    design_min_c: float
    soil_c: float
    outside_c: tuple[float, ...]
    house_c: dict[NightKind, tuple[float, ...]]
    trees: tuple[TreeSize, ...]
    design_w: float
    circuit_w: float
    circuits_needed: int
    circuits_there: int
    changes: tuple[Change, ...]


def size(site: Site, design_min_c: float, parameters: Parameters | None = None) -> Sizing:
    """Return the watts that a site needs down to an outside temperature.

    Parameters
    ----------
    site
        The site; all trees covered and held, vents shut.
    design_min_c
        The coldest outside temperature that the strings shall stand [°C].
    parameters
        What the house has shown of itself; left out, what its materials say.
    """
    parameters = parameters_of(site) if parameters is None else parameters
    soil_c = coldest_soil_c(site)
    table = {kind: steady_kind(parameters, kind, np.array(TABLE_C), soil_c) for kind in NightKind}
    design_w = _design_w(parameters, design_min_c, soil_c)
    reach = {kind: _held_down_to_c(parameters, kind, soil_c) for kind in NightKind}
    limit_w = min((circuit.continuous_limit_w for circuit in site.circuits), default=USUAL_CIRCUIT_W)
    return Sizing(
        design_min_c=design_min_c,
        soil_c=soil_c,
        outside_c=TABLE_C,
        house_c={
            kind: tuple(house_alone_c(parameters, kind, np.array(TABLE_C), soil_c).tolist())
            for kind in NightKind
        },
        trees=tuple(
            TreeSize(
                name=tree.name,
                has_w=tree.power_w,
                hold_c=limits_of(tree).hold_c,
                needs_w={kind: tuple(night.string_w[:, i].tolist()) for kind, night in table.items()},
                design_w=float(design_w[i]),
                held_down_to_c={kind: round(float(reach[kind][i]), 1) for kind in NightKind},
            )
            for i, tree in enumerate(site.trees)
        ),
        design_w=float(design_w.sum()),
        circuit_w=limit_w,
        circuits_needed=math.ceil(design_w.sum() / limit_w),
        circuits_there=len(site.circuits),
        changes=tuple(
            _change(what, other, float(design_w.sum()), design_min_c) for what, other in changed(site)
        ),
    )


def changed(site: Site) -> tuple[tuple[str, Site], ...]:
    """Return the site with one more layer of fleece, and with a doubled cover, each with its name."""
    trees = tuple(
        tree.model_copy(update={"fleece": FleeceKind.MEDIUM_30G})
        if tree.fleece is FleeceKind.NONE
        else tree.model_copy(update={"fleece_layers": tree.fleece_layers + 1})
        for tree in site.trees
    )
    found = [("one more layer of fleece on every tree", site.model_copy(update={"trees": trees}))]
    if site.house.glazing in {GlazingKind.SINGLE_GLASS, GlazingKind.SINGLE_FILM}:
        house = site.house.model_copy(update={"glazing": GlazingKind.DOUBLE_FILM})
        found.append(("a house of double film, taken as dry", site.model_copy(update={"house": house})))
    return tuple(found)


def coldest_soil_c(site: Site) -> float:
    """Return the temperature of the soil on its coldest day of the year [°C]."""
    days = (datetime(2027, month, 1, tzinfo=UTC) for month in range(1, 13))
    return min(deep_soil_temp_c(site, day) for day in days)


def steady_kind(
    parameters: Parameters, kind: NightKind, outside_c: FloatArray, soil_c: float, **more: FloatArray
) -> Steady:
    """Return steady nights of a kind at outside temperatures [°C]; ``more`` as for ``steady``."""
    cloud_frac, wind_m_s = SKIES[kind]
    dew_c = dew_point_c(vapour_pressure_kpa(outside_c, NIGHT_RH_PCT))
    depression_k = outside_c - sky_temp_c(outside_c, dew_c, cloud_frac)
    return steady(
        parameters,
        outside_c=outside_c,
        sky_depression_k=depression_k,
        wind_m_s=wind_m_s,
        soil_c=soil_c,
        **more,
    )


def house_alone_c(
    parameters: Parameters, kind: NightKind, outside_c: FloatArray, soil_c: float
) -> FloatArray:
    """Return the temperature of the house with no string on [°C], in the shape of ``outside_c``."""
    none_w = np.zeros(parameters.tree_count)
    return steady_kind(parameters, kind, outside_c, soil_c, string_w=none_w).house_temp_c


def steady(
    parameters: Parameters,
    *,
    outside_c: ArrayLike,
    sky_depression_k: ArrayLike,
    wind_m_s: ArrayLike,
    soil_c: float,
    string_w: FloatArray | None = None,
) -> Steady:
    """Return the steady state of the transfer model with every tree held as far as its strings reach.

    Parameters
    ----------
    parameters
        The house.
    outside_c, sky_depression_k, wind_m_s
        Outside air [°C], how much colder the sky is [K], wind [m/s], all of shape (...).
    soil_c
        Temperature of the soil in the house where a night does not change it [°C].
    string_w
        The most that the strings give [W], shape (N,); left out, whatever is needed.

    Notes
    -----
    A tree's air without heat lies between house and soil; strings lift it to its hold temperature or by what
    they can.  All trees warm the house, so the house temperature at which its balance closes is found by
    halving: the balance falls as the house gets warmer.
    """
    p = parameters
    outside_c, wind_m_s = np.asarray(outside_c, dtype=np.float64), np.asarray(wind_m_s, dtype=np.float64)
    loss = p.house_loss_w_per_k + p.house_wind_loss_w_s_per_k_m * wind_m_s
    sky_w = p.sky_loss_w_per_k * sky_chill_k(sky_depression_k, wind_m_s)
    floor_w_per_k = to_soil_w_per_k(p.house_mass_w_per_k, p.mass_subsoil_w_per_k)
    ground_w_per_k = to_soil_w_per_k(p.tree_soil_w_per_k, p.soil_capacity_j_per_k * p.soil_down_per_s)
    lift_w_per_k = p.fleece_loss_w_per_k + ground_w_per_k
    most_k = np.inf if string_w is None else string_w / lift_w_per_k

    def tree_c(house_c: FloatArray) -> tuple[FloatArray, FloatArray]:
        alone_c = (p.fleece_loss_w_per_k * house_c[..., None] + ground_w_per_k * soil_c) / lift_w_per_k
        return alone_c, np.minimum(np.maximum(alone_c, p.hold_c), alone_c + most_k)

    low_c = np.minimum(outside_c - sky_w / loss, soil_c)
    high_c = np.maximum(outside_c, max(soil_c, float(p.hold_c.max()))) + np.zeros_like(low_c)
    for _ in range(_BISECTIONS):
        house_c = 0.5 * (low_c + high_c)
        gain_w = (p.fleece_loss_w_per_k * (tree_c(house_c)[1] - house_c[..., None])).sum(-1)
        gain_w += loss * (outside_c - house_c) - sky_w + floor_w_per_k * (soil_c - house_c)
        low_c, high_c = np.where(gain_w > 0.0, house_c, low_c), np.where(gain_w > 0.0, high_c, house_c)
    alone_c, held_c = tree_c(house_c)
    return Steady(house_temp_c=house_c, tree_temp_c=held_c, string_w=lift_w_per_k * (held_c - alone_c))


def to_soil_w_per_k(topsoil_w_per_k: ArrayLike, subsoil_w_per_k: ArrayLike) -> FloatArray:
    """Return the conductance [W/K] from air to the soil that a night leaves as it is.

    It lies half the depth of the daily wave down, which for that wave gives a deep soil's impedance.
    """
    topsoil, subsoil = (np.asarray(each, dtype=np.float64) for each in (topsoil_w_per_k, subsoil_w_per_k))
    return np.asarray(1.0 / (1.0 / topsoil + NIGHT_SHARE / subsoil))


def _design_w(parameters: Parameters, design_min_c: float, soil_c: float) -> FloatArray:
    """Return what each tree needs in the worst kind of night at the design temperature [W], shape (N,)."""
    nights = [steady_kind(parameters, kind, np.array(design_min_c), soil_c).string_w for kind in NightKind]
    return np.asarray(np.max(nights, axis=0))


def _held_down_to_c(parameters: Parameters, kind: NightKind, soil_c: float) -> FloatArray:
    """Return the coldest outside temperature at which each tree is still held, shape (N,).

    NaN where it is not held at 10 °C; -25 °C stands for that or colder.
    """
    outside_c = np.arange(10.0, COLDEST_C - SEARCH_STEP_K / 2, -SEARCH_STEP_K)
    night = steady_kind(parameters, kind, outside_c, soil_c, string_w=parameters.string_w)
    held = np.logical_and.accumulate(night.tree_temp_c >= parameters.hold_c - 1e-6, axis=0)
    last = held.sum(0) - 1
    return np.where(last >= 0, outside_c[last], np.nan)


def _change(what: str, site: Site, before_w: float, design_min_c: float) -> Change:
    after_w = float(_design_w(parameters_of(site), design_min_c, coldest_soil_c(site)).sum())
    saved = 1.0 - after_w / before_w if before_w > 0.0 else 0.0
    return Change(what=what, design_w=after_w, saved_share=saved)


def unlimited(parameters: Parameters) -> Parameters:
    """Return the house with strings of any size, to see what is needed."""
    return replace(parameters, string_w=np.full(parameters.tree_count, 1e5))
