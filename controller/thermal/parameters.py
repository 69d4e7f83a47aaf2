"""The numbers of the transfer model, and their first guess from what the site is made of."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from controller.physics import AIR_DENSITY_KG_PER_M3, AIR_HEAT_CAPACITY_J_PER_KG_K, FloatArray
from controller.site.handbook import (
    CROPS,
    FLEECE_SOLAR_TRANSMITTANCE,
    FLEECE_U_W_PER_M2_K,
    FLOOR_SURFACE_W_PER_M2_K,
    FLOORS,
    FURTHER_LAYER_M2_K_PER_W,
    GLAZINGS,
    FleeceKind,
    Floor,
)
from controller.site.model import House, Site, Tree

AIR_CAPACITY_J_PER_M3_K = AIR_DENSITY_KG_PER_M3 * AIR_HEAT_CAPACITY_J_PER_KG_K
# Linearised radiation of surfaces near 0 °C, 4 ε σ T³ with ε = 0.9 (computed).
RADIATION_W_PER_M2_K = 4.2
# Outside convection 2.8 + 3.0 w W/(m²·K): Watmuff et al. 1977, from memory.
OUTSIDE_CONVECTION_W_PER_M2_K = 2.8
# Wind at which half of the sky's still-air chill of the house is left [m/s].  Computed: a cover's chill goes
# with U(w) / (4.2 + 2.8 + 3.0 w), which falls from 0.63 to 0.35 at 3 m/s and 0.27 at 6 m/s for glass.
SKY_SHELTER_WIND_M_S = 4.0
# Measured cover losses contain what clear nights took; this share is left beside a sky term of its own.
# Computed from the surface films: glass 3.8, 4.8, 5.9 W/(m²·K) at 0.7, 3, 6.7 m/s against 4.7, 5.6, 7.1.
SHARE_BESIDE_SKY = 0.85
# Share of the sky's radiation that reaches the cover of a small house with walls (computed view factor).
SKY_VIEW = 0.65
# Depth to which the daily wave warms the soil goes with this angular frequency [1/s].
DAY_ANGULAR_FREQUENCY_PER_S = 2.0 * np.pi / 86400.0
# Thickness of topsoil and subsoil in depths of the daily wave: of all pairs those that meet a slab's exact
# impedance best (computed for waves of 6 h to 10 days, behind a surface of 7 to 12 W/(m²·K)).
TOPSOIL_SHARE, SUBSOIL_SHARE = 0.6, 2.0
# Depth at which the soil keeps its seasonal temperature through a night [m].
DEEP_SOIL_M = 1.0
# Benches, frame and plants outside fleece, per floor area [J/(m²·K)]; from memory, order of magnitude.
STRUCTURE_CAPACITY_J_PER_M2_K = 4000.0
# Leaves: 0.4 kg/m² of leaf, three layers of them above the soil, 3.6 kJ/(kg·K); from memory.
LEAF_CAPACITY_J_PER_M2_K = 4300.0
# Fruit and wood, mostly water [J/(kg·K)]; WFLO Commodity Storage Manual 2008 gives 3940 for lemons.
FRUIT_CAPACITY_J_PER_KG_K = 3900.0
# Wood and twigs per volume under fleece [kg/m³]: computed from 45 kg of canopy and fruit in 7.9 m³.
WOOD_DENSITY_KG_PER_M3 = 4.0
# Lag of a fruit of 115 g behind the air, 9 W/(m²·K) at its skin (computed); it goes with the fruit's size.
FRUIT_LAG_S = 1.1 * 3600.0
FRUIT_LAG_MASS_KG = 0.115
# Shares of the sunshine inside that warm air and soil at once; the rest goes out again or into vapour.  Own
# assumption, within the ranges that greenhouse studies fit.
SOLAR_SHARE_HOUSE = 0.25
SOLAR_SHARE_MASS = 0.35
SOLAR_SHARE_TREE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parameters:
    """The transfer model's numbers, in SI.

    Scalars describe the house, arrays of length N its trees, in the order of ``tree_names``.  Losses are in
    W/K, capacities in J/K, solar apertures in m² (watts of heat for each W/m² of sunshine outside).  The
    loss to the outside air is ``house_loss + house_wind_loss x wind``, leaks included; the sky takes
    ``sky_loss / (1 + wind / 4 m/s)`` for each kelvin that it is colder than the outside air.  Each tree's air
    loses ``fleece_loss`` to the house's air when covered and ``bare_loss`` when not.  The topsoil under a
    tree, which its strings warm, exchanges heat with that air, round its rim with the house's mass, and with
    the subsoil below the whole floor, which ends in the deep soil.
    """

    tree_names: tuple[str, ...]
    house_loss_w_per_k: float
    house_wind_loss_w_s_per_k_m: float
    sky_loss_w_per_k: float
    house_capacity_j_per_k: float
    mass_capacity_j_per_k: float
    house_mass_w_per_k: float
    subsoil_capacity_j_per_k: float
    mass_subsoil_w_per_k: float
    deep_w_per_k: float
    house_solar_m2: float
    mass_solar_m2: float
    fleece_loss_w_per_k: FloatArray
    bare_loss_w_per_k: FloatArray
    tree_soil_w_per_k: FloatArray
    soil_rim_per_s: FloatArray
    soil_down_per_s: FloatArray
    soil_capacity_j_per_k: FloatArray
    tree_capacity_j_per_k: FloatArray
    fruit_w_per_k: FloatArray
    fruit_capacity_j_per_k: FloatArray
    tree_solar_m2: FloatArray
    string_w: FloatArray
    hold_c: FloatArray

    def __post_init__(self) -> None:
        """Refuse arrays that do not fit the trees, a programmer's mistake."""
        for field in fields(self)[12:]:
            if np.shape(getattr(self, field.name))[-1:] != (self.tree_count,):
                raise ValueError(f"{field.name} must have one value for each of {self.tree_count} trees")

    @property
    def tree_count(self) -> int:
        """Number of trees."""
        return len(self.tree_names)


def parameters_of(site: Site) -> Parameters:
    """Return the first guess of a site's numbers, from its dimensions and materials alone.

    Notes
    -----
    The soil is two lumps, measured by the depth that the daily wave reaches, d = sqrt(2k / (ω c)): 0.6 d of
    topsoil, whose middle the air reaches through half of it and its surface, and 2 d of subsoil.  With those
    two the air meets a deep soil's impedance within a fifth for waves of six hours to ten days, and within a
    tenth in the mean; one lump errs by a quarter to a third.  What it cannot say: condensation and rime (they
    warm the house a little), a tree's neighbour shading it, layers of air in the house.
    """
    house, floor = site.house, FLOORS[site.house.floor]
    return Parameters(
        **_house_numbers(house, floor, sum(tree.ground_area_m2 for tree in site.trees)),
        **_tree_numbers(site.trees, house, floor),
    )


def day_depth_m(floor: Floor) -> float:
    """Return the depth that the daily temperature wave reaches in a floor [m]."""
    return float(
        np.sqrt(
            2.0
            * floor.conductivity_w_per_m_k
            / (DAY_ANGULAR_FREQUENCY_PER_S * floor.heat_capacity_j_per_m3_k)
        )
    )


def topsoil_m(floor: Floor) -> float:
    """Return the thickness of the topsoil [m]."""
    return TOPSOIL_SHARE * day_depth_m(floor)


def subsoil_m(floor: Floor) -> float:
    """Return the thickness of the subsoil [m]."""
    return SUBSOIL_SHARE * day_depth_m(floor)


def soil_surface_w_per_m2_k(floor: Floor) -> float:
    """Return the conductance between air and the middle of the topsoil [W/(m²·K)]."""
    return 1.0 / (1.0 / FLOOR_SURFACE_W_PER_M2_K + topsoil_m(floor) / (2.0 * floor.conductivity_w_per_m_k))


def subsoil_w_per_m2_k(floor: Floor) -> float:
    """Return the conductance between the middles of topsoil and subsoil [W/(m²·K)]."""
    return 2.0 * floor.conductivity_w_per_m_k / (topsoil_m(floor) + subsoil_m(floor))


def deep_soil_w_per_m2_k(floor: Floor) -> float:
    """Return the conductance between the middle of the subsoil and the deep soil [W/(m²·K)]."""
    return floor.conductivity_w_per_m_k / (DEEP_SOIL_M - topsoil_m(floor) - 0.5 * subsoil_m(floor))


def _house_numbers(house: House, floor: Floor, shaded_m2: float) -> dict[str, Any]:
    glazing = GLAZINGS[house.glazing]
    cover_m2, floor_m2 = house.cover_area_m2, house.floor_area_m2
    # Leaks at wind w: a quarter of those at 3 m/s in calm air and a quarter for each m/s (from memory).
    leak_w_per_k = 0.25 * house.air_changes_per_h / 3600.0 * house.volume_m3 * AIR_CAPACITY_J_PER_M3_K
    opaque_chill_w_per_m2_k = (
        SHARE_BESIDE_SKY
        * glazing.still_u_w_per_m2_k
        * RADIATION_W_PER_M2_K
        / (RADIATION_W_PER_M2_K + OUTSIDE_CONVECTION_W_PER_M2_K)
    )
    chill_w_per_m2_k = SKY_VIEW * (
        (1.0 - glazing.long_wave_transmittance) * opaque_chill_w_per_m2_k
        + glazing.long_wave_transmittance * RADIATION_W_PER_M2_K
    )
    sun_m2 = glazing.solar_transmittance * floor_m2
    # A floor crowded with trees still has paths between them.
    open_m2 = max(floor_m2 - shaded_m2, 0.2 * floor_m2)
    return {
        "house_loss_w_per_k": SHARE_BESIDE_SKY * glazing.still_u_w_per_m2_k * cover_m2 + leak_w_per_k,
        "house_wind_loss_w_s_per_k_m": SHARE_BESIDE_SKY * glazing.wind_u_j_per_m3_k * cover_m2 + leak_w_per_k,
        "sky_loss_w_per_k": chill_w_per_m2_k * cover_m2,
        "house_capacity_j_per_k": AIR_CAPACITY_J_PER_M3_K * house.volume_m3
        + 0.5 * glazing.heat_capacity_j_per_m2_k * cover_m2
        + STRUCTURE_CAPACITY_J_PER_M2_K * floor_m2,
        "mass_capacity_j_per_k": floor.heat_capacity_j_per_m3_k * topsoil_m(floor) * open_m2,
        "house_mass_w_per_k": soil_surface_w_per_m2_k(floor) * open_m2,
        "subsoil_capacity_j_per_k": floor.heat_capacity_j_per_m3_k * subsoil_m(floor) * floor_m2,
        "mass_subsoil_w_per_k": subsoil_w_per_m2_k(floor) * open_m2,
        "deep_w_per_k": deep_soil_w_per_m2_k(floor) * floor_m2,
        "house_solar_m2": SOLAR_SHARE_HOUSE * sun_m2,
        "mass_solar_m2": SOLAR_SHARE_MASS * sun_m2,
    }


def _tree_numbers(trees: Sequence[Tree], house: House, floor: Floor) -> dict[str, Any]:
    fleece_m2 = np.array([tree.fleece_area_m2 for tree in trees])
    ground_m2 = np.array([tree.ground_area_m2 for tree in trees])
    volume_m3 = ground_m2 * np.array([tree.height_m for tree in trees])
    fruit_mass_kg = np.array([CROPS[tree.kind].fruit_mass_kg for tree in trees])
    pulp_mass_kg = (
        fruit_mass_kg * np.array([tree.fruit_count for tree in trees]) + WOOD_DENSITY_KG_PER_M3 * volume_m3
    )
    fruit_j_per_k = FRUIT_CAPACITY_J_PER_KG_K * pulp_mass_kg
    fruit_lag_s = FRUIT_LAG_S * (fruit_mass_kg / FRUIT_LAG_MASS_KG) ** (1.0 / 3.0)
    return {
        "tree_names": tuple(tree.name for tree in trees),
        "fleece_loss_w_per_k": np.array([fleece_u_w_per_m2_k(tree) for tree in trees]) * fleece_m2,
        "bare_loss_w_per_k": FLEECE_U_W_PER_M2_K[FleeceKind.NONE] * fleece_m2,
        "tree_soil_w_per_k": soil_surface_w_per_m2_k(floor) * ground_m2,
        # What it exchanges for each J/K that it stores: round its rim with the soil beside, and downwards.
        "soil_rim_per_s": 2.0
        * np.pi
        * floor.conductivity_w_per_m_k
        / (floor.heat_capacity_j_per_m3_k * ground_m2),
        "soil_down_per_s": np.full(
            len(trees),
            subsoil_w_per_m2_k(floor) / (floor.heat_capacity_j_per_m3_k * topsoil_m(floor)),
        ),
        "soil_capacity_j_per_k": floor.heat_capacity_j_per_m3_k * topsoil_m(floor) * ground_m2,
        "tree_capacity_j_per_k": AIR_CAPACITY_J_PER_M3_K * volume_m3 + LEAF_CAPACITY_J_PER_M2_K * ground_m2,
        "fruit_w_per_k": fruit_j_per_k / fruit_lag_s,
        "fruit_capacity_j_per_k": fruit_j_per_k,
        "tree_solar_m2": SOLAR_SHARE_TREE
        * GLAZINGS[house.glazing].solar_transmittance
        * FLEECE_SOLAR_TRANSMITTANCE
        * ground_m2,
        "string_w": np.array([tree.power_w for tree in trees]),
        "hold_c": np.array([tree.hold_or_default_c for tree in trees]),
    }


def fleece_u_w_per_m2_k(tree: Tree) -> float:
    """Return the loss through all layers of a tree's fleece [W/(m²·K)]; without, its own sheltering."""
    first = FLEECE_U_W_PER_M2_K[tree.fleece]
    if tree.fleece is FleeceKind.NONE:
        return first
    return 1.0 / (1.0 / first + (tree.fleece_layers - 1) * FURTHER_LAYER_M2_K_PER_W)
