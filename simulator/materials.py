"""What the simulated house is made of, each number with its source.

"From memory" marks a value recalled without the text at hand, "estimate" one that no text gives.

None of these numbers comes from the controller's transfer model, and none goes into it.
"""

from dataclasses import dataclass

import numpy as np

from controller.site.handbook import FleeceKind, GlazingKind

# ---- surfaces -----------------------------------------------------------------------------------------

# Turbulent natural convection, W/(m²·K^(4/3)): ASHRAE Handbook of Fundamentals (from memory): 1.31 at upright
# plates, 1.52 above warm and below cold level ones.  Level air that lies stably takes the 0.6 that fits its
# laminar 0.59 (ΔT/L)^(1/4) over a few kelvin and metres.
UPRIGHT = 1.31
LEVEL_STIRRED = 1.52
LEVEL_STILL = 0.6
# Under a sloping cover the air is stirred as long as the cover is the colder one.
SLOPING = (1.45, 0.9)
# Wind over a cover, W/(m²·K) for each m/s: Watmuff et al. 1977, h = 2.8 + 3.0 v (from memory); the calm part
# is natural convection here.
WIND_OVER_COVER = 3.0
# Wind at eaves height over open ground, of that at 10 m: logarithmic profile, roughness 0.1 m, computed.
WIND_AT_EAVES = 0.65
# Long-wave emissivity of glass 0.84-0.90 (ISO/EN window data, from memory), of leaves, fruit and soil
# 0.95-0.98 (Campbell & Norman, Environmental Biophysics, from memory).
GLASS_EMISSIVITY = 0.88
PLANT_EMISSIVITY = 0.96
# View of the sky from a roof and from a wall (half is the limit for open country; hedges take some).
ROOF_SEES_SKY = 0.92
WALL_SEES_SKY = 0.45
# Plastic and fleece reflect about a tenth of long-wave radiation (from memory).
REFLECTED = 0.1
# Convection and conduction across the gap of a double cover, W/(m²·K) (still air of 15-20 mm, computed).
GAP_W_PER_M2_K = 1.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """A house cover: layers, the heat each square metre of a layer stores, and what passes through all."""

    layers: int
    capacity_j_per_m2_k: float
    layer_transmittance: float
    solar_transmittance: float
    solar_absorptance: float

    def optics(self, wet: float) -> "Optics":
        """Return what it does to long-wave radiation, from 0 (dry inside) to 1 (wet inside)."""
        outer = self.layer_transmittance
        inner = outer * (1.0 - wet)
        if self.layers == 1:
            return Optics(
                inner=_emissivity(inner), outer=_emissivity(inner), passed=inner, opaque=outer == 0.0
            )
        return Optics(
            inner=_emissivity(inner), outer=_emissivity(outer), passed=inner * outer, opaque=outer == 0.0
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """Long-wave emissivity of a cover's inner and outer face, and the share that passes all of it.

    ``opaque`` is true of glass, which passes nothing even when dry.
    """

    inner: float
    outer: float
    passed: float
    opaque: bool


def _emissivity(transmittance: float) -> float:
    return GLASS_EMISSIVITY if transmittance == 0.0 else 1.0 - transmittance - REFLECTED


# Glass 4 mm: 2500 kg/m³ x 840 J/(kg·K).  Film 0.2 mm: 920 kg/m³ x 2300 J/(kg·K).  Twin-wall polycarbonate
# 1.5 kg/m² x 1200 J/(kg·K).  Densities, heats and solar values from memory of makers' data.  Dry films block
# 26 % (polyethylene) to 87 % (polyester) of the night's net loss (Hanson 1963, J. Appl. Meteor. 2:793);
# taken is a film made for growing, between them.  Wet inside they pass nothing (see WETTING_KG_PER_M2).
COVERS: dict[GlazingKind, Cover] = {
    GlazingKind.SINGLE_GLASS: Cover(
        layers=1,
        capacity_j_per_m2_k=8400.0,
        layer_transmittance=0.0,
        solar_transmittance=0.78,
        solar_absorptance=0.08,
    ),
    GlazingKind.SINGLE_FILM: Cover(
        layers=1,
        capacity_j_per_m2_k=420.0,
        layer_transmittance=0.5,
        solar_transmittance=0.80,
        solar_absorptance=0.05,
    ),
    GlazingKind.DOUBLE_FILM: Cover(
        layers=2,
        capacity_j_per_m2_k=420.0,
        layer_transmittance=0.5,
        solar_transmittance=0.70,
        solar_absorptance=0.05,
    ),
    GlazingKind.DOUBLE_GLASS: Cover(
        layers=2,
        capacity_j_per_m2_k=8400.0,
        layer_transmittance=0.0,
        solar_transmittance=0.66,
        solar_absorptance=0.07,
    ),
    GlazingKind.TWIN_WALL: Cover(
        layers=2,
        capacity_j_per_m2_k=900.0,
        layer_transmittance=0.0,
        solar_transmittance=0.70,
        solar_absorptance=0.05,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleece:
    """One layer of dry spun-bonded fleece: what it stores, lets through and leaks."""

    capacity_j_per_m2_k: float
    long_wave_transmittance: float
    solar_transmittance: float
    leakage_w_per_m2_k: float


# Polypropylene 1900 J/(kg·K).  Long-wave transmittance 0.45-0.55 and leakage near 1 W/(m²·K) for 17-30 g are
# estimates of this project (±30 %, no text gives them); the pores of heavier cloth are fewer.  By makers
# 20, 30 and 40 g let 87, 79 and 72 % of sunshine through; 17 and 60 g stand on the same line of logarithms.
FLEECES: dict[FleeceKind, Fleece] = {
    FleeceKind.LIGHT_17G: Fleece(
        capacity_j_per_m2_k=32.0,
        long_wave_transmittance=0.55,
        solar_transmittance=0.89,
        leakage_w_per_m2_k=1.4,
    ),
    FleeceKind.MEDIUM_30G: Fleece(
        capacity_j_per_m2_k=57.0,
        long_wave_transmittance=0.45,
        solar_transmittance=0.79,
        leakage_w_per_m2_k=1.0,
    ),
    FleeceKind.HEAVY_60G: Fleece(
        capacity_j_per_m2_k=114.0,
        long_wave_transmittance=0.25,
        solar_transmittance=0.60,
        leakage_w_per_m2_k=0.6,
    ),
}
# Share of the sunshine that fleece stops which it absorbs; the rest goes back (estimate).
FLEECE_ABSORBS = 0.5
# Still air between two layers of fleece, m²·K/W, convection and radiation together (computed).
FLEECE_GAP_M2_K_PER_W = 0.15
# Water that makes a film or fleece opaque to long-wave radiation, and what a fleece can hold, kg/m²
# (estimates: 0.1 mm of water absorbs all of it; a cloth holds a few times its own weight).
WETTING_KG_PER_M2 = 0.05
FLEECE_HOLDS_KG_PER_M2 = 0.3
# A cover drips beyond this film of dew, kg/m² (estimate).
COVER_HOLDS_KG_PER_M2 = 0.1
# Air round a tree without fleece mixes with the house air through the crown, W/(m²·K) (estimate).
BARE_CROWN_W_PER_M2_K = 12.0

# ---- the crown ----------------------------------------------------------------------------------------

# Leaves and thin wood, kg for each m³ under the fleece: 45 kg of crown and fruit for a tree of 7.9 m³ with
# 100 fruit (computed for this project); fresh leaves and wood are 60 % water (from memory).
CROWN_KG_PER_M3 = 3.5
CROWN_J_PER_KG_K = 3200.0
# Leaf area for each square metre of ground: 4-6 in citrus (from memory).
LEAF_AREA_INDEX = 4.5
# Leaf in nearly still air, W/(m²·K^(4/3)) for one side (Campbell & Norman's boundary layer of a 5 cm leaf).
LEAF = 1.9
# A fruit: 3.7 kJ/(kg·K) (WFLO Commodity Storage Manual gives 3.94 for lemons), density near water's.
FRUIT_J_PER_KG_K = 3700.0
FRUIT_KG_PER_M3 = 950.0
# A small sphere in still air: conduction to the air (Nusselt number 2) and natural convection,
# W/(m²·K) and W/(m²·K^(4/3)).  With radiation this gives the 9 W/(m²·K) and the 1.1 h of lag that a 100-130 g
# fruit has.
FRUIT_STILL_W_PER_M2_K = 2.0
FRUIT = 2.2
# The outermost fruit, first to freeze, turns this share of itself outwards, and sees mostly roof (estimates).
FRUIT_TURNS_OUT = 0.6
FRUIT_SEES_COVER = 0.9
# Air moves between the upper and lower half of the crown, W/(m²·K^(4/3)) where the lower is warmer, and
# W/(m²·K) at all times by draughts down the cold fleece (estimates that keep the halves within about 1 K at
# 175 W, as growers report of canopies).
CROWN_STIRRED = 22.0
CROWN_DRAUGHT_W_PER_M2_K = 8.0

# ---- strings ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatShares:
    """Where the watts of a string go first; the shares add up to one."""

    air_low: float
    air_high: float
    leaf: float
    fruit: float
    soil: float
    fleece: float


# A small filament lamp gives about half its watts as radiation (from memory); its plume rises.  Strings hang
# inside the crown, so the outermost fruit, which is what the fruit node stands for, sees none of them.
LAMP_SHARES = HeatShares(air_low=0.20, air_high=0.30, leaf=0.40, fruit=0.0, soil=0.05, fleece=0.05)
# A cable runs cooler: mostly convection, laid low.
CABLE_SHARES = HeatShares(air_low=0.45, air_high=0.30, leaf=0.15, fruit=0.0, soil=0.08, fleece=0.02)

# ---- floor and frame ----------------------------------------------------------------------------------

# Soil layers of the house floor and under a tree [m], fine at the top where the night is felt.
FLOOR_LAYERS_M = (0.02, 0.06, 0.12, 0.25, 0.5, 1.0)
TREE_SOIL_LAYERS_M = (0.03, 0.09, 0.25)
# Below the lowest layer the soil keeps the yearly mean.
CONSTANT_DEPTH_M = 3.0
# Loss of the floor's rim to the ground outside, W/K for each metre of wall: half the 1.2 W/(m·K) that energy
# codes give for a bare slab's edge, as there is no slab (from memory, halved).
RIM_W_PER_M_K = 0.6
RIM_LAYER = 2
# Frame, benches, pots and pipes for each m² of floor: 8 kg of metal and some timber and water.
FRAME_J_PER_M2_K = 12000.0
FRAME_M2_PER_M2 = 0.5
# Share of sunshine that the floor area stands for: walls catch low sun (estimate).
SUN_CATCH = 1.15
# Share of the sunshine that enters and goes out again (leaves and light soil reflect about a fifth).
SUN_LOST = 0.2

# ---- air exchange and water vapour --------------------------------------------------------------------

# Leakage by wind and by stack: ASHRAE basic model (Handbook of Fundamentals, residential infiltration, from
# memory), one storey, shelter class 3: 0.000145 ΔT + 0.000174 v², here relative to 3 m/s and no ΔT.
STACK_PER_K = 0.000145 / (0.000174 * 9.0)
# Calm air still leaks a little through changes of pressure.
LEAST_LEAKAGE = 0.05
# Latent heats [J/kg] (ASHRAE HoF ch. 1, from memory) and the psychrometric constant at sea level [kPa/K]
# (FAO-56 eq. 8).
VAPORISATION_J_PER_KG = 2.501e6
SUBLIMATION_J_PER_KG = 2.834e6
PSYCHROMETRIC_KPA_PER_K = 0.066
# Gas constant of water vapour [kJ/(kg·K)] (ASHRAE HoF ch. 1, from memory).
VAPOUR_KJ_PER_KG_K = 0.4615
# Evaporation as a share of that from a water surface: moist soil under mulch; leaves by night and in sun.
SOIL_WETNESS = 0.2
LEAF_WETNESS_NIGHT = 0.02
LEAF_WETNESS_DAY = 0.25
# Sunshine outside above which leaves are open [W/m²].
LEAF_OPEN_W_M2 = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """How one house differs from the handbook: factors, 1 where it does not."""

    leakage: float = 1.0
    wind: float = 1.0
    sky_view: float = 1.0
    fleece_leakage: float = 1.0
    fleece_transmittance: float = 1.0
    crown: float = 1.0
    soil_conductivity: float = 1.0
    power: float = 1.0

    @classmethod
    def drawn(cls, seed: int) -> "Variation":
        """Return one of the houses that could stand there; the same for the same seed.

        The widths are estimates: what a careful grower could get wrong in a site file.
        """
        rng = np.random.default_rng([seed, 0x706C616E])
        widths = {
            "leakage": 0.25,
            "wind": 0.15,
            "sky_view": 0.05,
            "fleece_leakage": 0.25,
            "fleece_transmittance": 0.10,
            "crown": 0.20,
            "soil_conductivity": 0.20,
            "power": 0.03,
        }
        return cls(**{name: float(np.exp(rng.normal(0.0, width))) for name, width in widths.items()})
