"""Handbook numbers for what a site is made of, each with its source.

"From memory" marks a value recalled from the literature without the text at hand; such values are priors,
to be replaced by what the house itself shows.
"""

from dataclasses import dataclass
from enum import StrEnum


class GlazingKind(StrEnum):
    """What the house is covered with."""

    SINGLE_GLASS = "single-glass"
    SINGLE_FILM = "single-film"
    DOUBLE_FILM = "double-film"
    DOUBLE_GLASS = "double-glass"
    TWIN_WALL = "twin-wall"


@dataclass(frozen=True, slots=True, kw_only=True)
class Glazing:
    """Heat loss of a house cover, without air leakage.

    ``still_u_w_per_m2_k`` is the overall loss in calm air and ``wind_u_j_per_m3_k`` what each m/s of wind
    adds to it.  ``long_wave_transmittance`` is the share of heat radiation that passes straight through and
    ``solar_transmittance`` the share of sunshine.
    """

    still_u_w_per_m2_k: float
    wind_u_j_per_m3_k: float
    long_wave_transmittance: float
    solar_transmittance: float
    heat_capacity_j_per_m2_k: float
    source: str


# Still-air loss and its rise with wind for glass and for film: Mihara & Hayashi 1979, J. Agric. Meteorol.
# 35:13 (glass 4.4 + 0.40 w, PVC film 4.9 + 0.54 w, two films 3.2 + 0.17 w).  Solar and long-wave
# transmittances: ISO/EN window data and Hanson 1963, J. Appl. Meteor. 2:793, rounded, from memory.  Heat
# capacities: computed from the thickness (glass 4 mm of 2.1 MJ/(m³·K), film 0.2 mm, twin wall 8 mm).
GLAZINGS: dict[GlazingKind, Glazing] = {
    GlazingKind.SINGLE_GLASS: Glazing(
        still_u_w_per_m2_k=4.4,
        wind_u_j_per_m3_k=0.40,
        long_wave_transmittance=0.0,
        solar_transmittance=0.80,
        heat_capacity_j_per_m2_k=8400.0,
        source="Mihara & Hayashi 1979, J. Agric. Meteorol. 35:13 (glass)",
    ),
    GlazingKind.SINGLE_FILM: Glazing(
        still_u_w_per_m2_k=4.9,
        wind_u_j_per_m3_k=0.54,
        long_wave_transmittance=0.35,
        solar_transmittance=0.80,
        heat_capacity_j_per_m2_k=400.0,
        source="Mihara & Hayashi 1979, J. Agric. Meteorol. 35:13 (film); transmittance from memory",
    ),
    GlazingKind.DOUBLE_FILM: Glazing(
        still_u_w_per_m2_k=3.2,
        wind_u_j_per_m3_k=0.17,
        long_wave_transmittance=0.15,
        solar_transmittance=0.70,
        heat_capacity_j_per_m2_k=800.0,
        source="Mihara & Hayashi 1979, J. Agric. Meteorol. 35:13 (two films); transmittance from memory",
    ),
    GlazingKind.DOUBLE_GLASS: Glazing(
        still_u_w_per_m2_k=3.0,
        wind_u_j_per_m3_k=0.15,
        long_wave_transmittance=0.0,
        solar_transmittance=0.70,
        heat_capacity_j_per_m2_k=16800.0,
        source="from memory of ASABE EP406 classes (3.7 W/m²K at design wind)",
    ),
    GlazingKind.TWIN_WALL: Glazing(
        still_u_w_per_m2_k=2.9,
        wind_u_j_per_m3_k=0.12,
        long_wave_transmittance=0.0,
        solar_transmittance=0.72,
        heat_capacity_j_per_m2_k=2000.0,
        source="from memory of ASABE EP406 classes (8 mm polycarbonate 3.1 W/m²K at design wind)",
    ),
}


class FleeceKind(StrEnum):
    """Fleece by weight; the weight is what its label says."""

    NONE = "none"
    LIGHT_17G = "17g"
    MEDIUM_30G = "30g"
    HEAVY_60G = "60g"


# Loss of still air under one layer of dry fleece inside a house [W/(m²·K)], computed for this project from
# convection, radiation and leakage; ±30 %, so the fit has the last word.  Measured gains are not monotonic in
# weight (Poling, cfgrower.com: 25 g +2.4 K, 34 g +3.0 K, 42 g +2.1 K).  "none" is a tree's own sheltering.
FLEECE_U_W_PER_M2_K: dict[FleeceKind, float] = {
    FleeceKind.NONE: 15.0,
    FleeceKind.LIGHT_17G: 5.2,
    FleeceKind.MEDIUM_30G: 4.6,
    FleeceKind.HEAVY_60G: 2.7,
}
# What each further layer adds to the resistance of the first [m²·K/W]: computed from two layers of 30 g
# losing 2.7 W/(m²·K) where one loses 4.6.
FURTHER_LAYER_M2_K_PER_W = 1.0 / 2.7 - 1.0 / 4.6
# Sunshine that one layer lets through: makers' data for 17-40 g, 0.72-0.88 (weak evidence).
FLEECE_SOLAR_TRANSMITTANCE = 0.8


class FloorKind(StrEnum):
    """What the floor of the house is."""

    DRY_SAND = "dry-sand"
    MOIST_LOAM = "moist-loam"
    WET_CLAY = "wet-clay"


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """Soil properties: Campbell & Norman, Environmental Biophysics, and FAO-56 eq. 41 (from memory)."""

    conductivity_w_per_m_k: float
    heat_capacity_j_per_m3_k: float


FLOORS: dict[FloorKind, Floor] = {
    FloorKind.DRY_SAND: Floor(conductivity_w_per_m_k=0.3, heat_capacity_j_per_m3_k=1.3e6),
    FloorKind.MOIST_LOAM: Floor(conductivity_w_per_m_k=1.3, heat_capacity_j_per_m3_k=2.5e6),
    FloorKind.WET_CLAY: Floor(conductivity_w_per_m_k=1.8, heat_capacity_j_per_m3_k=3.0e6),
}
# Air above a floor at night, convection and radiation together [W/(m²·K)]; computed for this project.
FLOOR_SURFACE_W_PER_M2_K = 7.0


class CropKind(StrEnum):
    """Citrus by the names growers use."""

    SATSUMA = "satsuma"
    MANDARIN = "mandarin"
    SWEET_ORANGE = "sweet-orange"
    GRAPEFRUIT = "grapefruit"
    LEMON = "lemon"
    LIME = "lime"
    YUZU = "yuzu"
    KUMQUAT = "kumquat"


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """What ripe fruit and wood of a kind can stand.

    ``fruit_damage_c`` is the fruit temperature at which ripe fruit begins to freeze and ``wood_damage_c`` the
    air temperature that, kept for 4 h, damages hardened wood.  ``hold_c`` is the air temperature to hold
    round the tree: common practice, no source.
    """

    fruit_damage_c: float
    wood_damage_c: float
    hold_c: float
    fruit_mass_kg: float
    source: str


_PUFFER = "Puffer & Turrell 1967 in Snyder & de Melo-Abreu 2005, FAO ENRS 10 vol. 1 (from memory)"
_MCGHIE = "wood: McGhie, UC Master Gardeners, 4 h"
CROPS: dict[CropKind, Crop] = {
    CropKind.SATSUMA: Crop(
        fruit_damage_c=-2.2,
        wood_damage_c=-6.7,
        hold_c=0.0,
        fruit_mass_kg=0.10,
        source=f"ripe mandarins -2.8..-2.2: {_PUFFER}; {_MCGHIE}",
    ),
    CropKind.MANDARIN: Crop(
        fruit_damage_c=-2.2,
        wood_damage_c=-6.7,
        hold_c=0.0,
        fruit_mass_kg=0.10,
        source=f"ripe mandarins -2.8..-2.2: {_PUFFER}; {_MCGHIE}",
    ),
    CropKind.SWEET_ORANGE: Crop(
        fruit_damage_c=-2.2,
        wood_damage_c=-4.4,
        hold_c=0.0,
        fruit_mass_kg=0.18,
        source=f"ripe oranges -2.8..-2.2: {_PUFFER}; {_MCGHIE}",
    ),
    CropKind.GRAPEFRUIT: Crop(
        fruit_damage_c=-2.2,
        wood_damage_c=-3.3,
        hold_c=0.0,
        fruit_mass_kg=0.35,
        source=f"ripe grapefruit -2.8..-2.2: {_PUFFER}; {_MCGHIE}",
    ),
    CropKind.LEMON: Crop(
        fruit_damage_c=-0.8,
        wood_damage_c=-3.0,
        hold_c=1.0,
        fruit_mass_kg=0.12,
        source=f"tree-ripe lemons -1.4..-0.8: {_PUFFER}; wood: LSU AgCenter, high 20s °F",
    ),
    CropKind.LIME: Crop(
        fruit_damage_c=-0.8,
        wood_damage_c=-2.0,
        hold_c=1.0,
        fruit_mass_kg=0.07,
        source="fruit taken as lemon's, no source found; wood: LSU AgCenter, high 20s °F",
    ),
    CropKind.YUZU: Crop(
        fruit_damage_c=-2.2,
        wood_damage_c=-9.0,
        hold_c=0.0,
        fruit_mass_kg=0.12,
        source="fruit taken as mandarin's, no source found; wood from growers' accounts, lowered for safety",
    ),
    CropKind.KUMQUAT: Crop(
        fruit_damage_c=-2.2,
        wood_damage_c=-6.7,
        hold_c=0.0,
        fruit_mass_kg=0.012,
        source="fruit taken as mandarin's, no source found; wood: LSU AgCenter, 20 °F",
    ),
}


class StringKind(StrEnum):
    """What makes the heat."""

    LAMPS = "lamps"
    DECORATIVE_LAMPS = "decorative-lamps"
    CABLE = "cable"


# Cold tungsten draws 10 (makers' data for relays) to 15 (AC-5b utilisation category) times its running
# current, so ten times the running current must stay below a contact's resistive rating.
LAMP_INRUSH_FACTOR = 10.0
# A relay's resting contact is often good for half of what its label says of the working one: makers' pages of
# hobby relay modules (10 A working, 5 A resting).
RESTING_CONTACT_FRACTION = 0.5
# Multiples of its rating from which a breaker may trip without delay: IEC 60898-1, table 2 (from memory).
TRIPS_FROM: dict[str, float] = {"B": 3.0, "C": 5.0, "D": 10.0}
# Share of a breaker's rating that a load of three hours or more may take: NEC Art. 100 and 210.20(A).
CONTINUOUS_LOAD_FRACTION = 0.8
