"""The true house: nonlinear, and finer than anything the controller believes.

Nodes are the cover (one for each layer), house air, frame, six layers of floor, and for each tree the air in
two heights, fleece, crown, fruit and three layers of soil (``building``).  Long-wave exchange goes with the
fourth power of temperature and convection with the cube root of its difference (``network``); air leaks in
with wind and stack; water evaporates, condenses and frosts with its latent heat (``moisture``).

What it leaves out: the house air is one well-mixed volume; fruit and soil do not freeze, so that they get
somewhat colder than true ones; dew that freezes or melts where it lies gives and takes no heat of fusion;
the sun has no direction.
"""

import math
from collections.abc import Sequence

import numpy as np

from controller.physics import KELVIN_OFFSET_K, STEFAN_BOLTZMANN_W_PER_M2_K4, FloatArray
from controller.site.model import Site
from simulator import materials as mat
from simulator.building import AIR_J_PER_M3_K, build
from simulator.materials import Variation
from simulator.moisture import Moisture
from simulator.network import FIXED, RADIANT, Held, IndexArray, Network
from simulator.sky import Weather

# Vapour moves in steps of this length [s]; in between its heat stays what it was, so that what is caught and
# what it warms agree.
VAPOUR_STEP_S = 240.0
# What the links conduct is worked out anew when heat, vents or fleece change, when anything has moved by so
# much [K], and after so long [s].  Against working it out at every step, a night differs by 0.04 K at most
# (computed, in the tests).
HOLD_K, HOLD_S = 0.3, 240.0
# A wet surface follows its temperature by this share a vapour step: at once, a hot wet film would swing, as
# evaporation then answers temperature more strongly than all else that cools it.
SURFACE_SHARE = 0.4


class Plant:
    """One house with its trees.

    Parameters
    ----------
    site : Site
        What stands there.
    variation : Variation
        How it differs from the handbook.
    air_c : float
        Temperature of everything above the floor at the start [°C]; the floor goes from there to the yearly
        mean at depth.  A spin-up of some days makes the start forgotten.

    Notes
    -----
    Order of trees is that of the site file throughout.
    """

    def __init__(self, site: Site, variation: Variation | None = None, *, air_c: float = 6.0) -> None:
        self.building = build(site, variation or Variation())
        nodes = self._nodes = self.building.nodes
        self._network = Network(self.building.capacity_j_per_k, self.building.ends, nodes.boundaries)
        self._deep_c = site.house.deep_soil_c
        self._temp_k = self._held_k = self._first_temp_k(air_c)
        self._temp_c: list[float] | None = None
        trees = self.building.trees
        self._moisture = Moisture(
            site.house.volume_m3,
            trees.volume_m3,
            np.concatenate(
                (
                    [mat.COVER_HOLDS_KG_PER_M2 * site.house.cover_area_m2],
                    mat.FLEECE_HOLDS_KG_PER_M2 * trees.fleece_m2,
                )
            ),
            vapour_kpa=0.6,
        )
        self._surface_nodes = np.concatenate(
            ([nodes.cover_in], nodes.fleece, [nodes.floor[0]], nodes.leaf, nodes.soil[0])
        ).astype(np.intp)
        self._surface_c = self._temp_k.take(self._surface_nodes) - KELVIN_OFFSET_K
        self._latent_w = np.zeros(len(self._surface_nodes))
        self._vapour_due_s = 0.0
        self._night_wetness, self._day_wetness = _wetness(nodes.trees)
        self._places = self.building.places
        self._leakage = self._places["leakage"].start
        self._wetting_kg = mat.WETTING_KG_PER_M2 * np.concatenate(
            ([site.house.cover_area_m2], trees.fleece_m2)
        )
        self._drives: tuple[float, float, tuple[float, ...]] | None = None
        self._held: Held | None = None
        self._held_s = math.inf
        self._covered = np.ones(nodes.trees, dtype=bool)
        self._set_cover()
        self._last: tuple[FloatArray, FloatArray, FloatArray, FloatArray, float] | None = None

    # ---- what may be changed ------------------------------------------------------------------------

    def cover(self, tree: int, *, on: bool) -> None:
        """Put a tree's fleece on or take it off."""
        if self._covered[tree] != on:
            self._covered[tree] = on
            self._set_cover()

    def soak(self, kg_per_m2: float) -> None:
        """Put water into every fleece, as much as it holds [kg/m²]."""
        self._moisture.stored_kg[1:] = (
            min(kg_per_m2, mat.FLEECE_HOLDS_KG_PER_M2) * self.building.trees.fleece_m2
        )

    def step(self, dt_s: float, weather: Weather, heat_w: Sequence[float], vent_m3_s: float = 0.0) -> None:
        """Move on by ``dt_s`` seconds.

        Parameters
        ----------
        dt_s : float
            Length of the step [s], above zero; 60 s or less follows the strings well.
        weather : Weather
            What is outside over the step.
        heat_w : sequence of float
            Power of the strings of each tree [W].
        vent_m3_s : float
            Air moved through vents [m³/s].
        """
        nodes = self._nodes
        before_k = self._temp_k
        before_k[nodes.outside] = weather.outside_temp_c + KELVIN_OFFSET_K
        before_k[nodes.sky] = (weather.longwave_down_w_m2 / STEFAN_BOLTZMANN_W_PER_M2_K4) ** 0.25
        drives = (dt_s, vent_m3_s, tuple(heat_w))
        if drives != self._drives:
            self._drives, self._held_s = drives, math.inf
            self._string_w = self.building.string @ np.array(heat_w, dtype=np.float64)
        held = self._held
        if held is None or not self._held_s + dt_s <= HOLD_S or self._has_moved():
            held = self._held = self._hold(dt_s, weather, vent_m3_s)
            self._held_s, self._held_k = 0.0, before_k
        self._held_s += dt_s
        source_w = self._string_w + self._sun_m2 * weather.shortwave_w_m2
        self._vapour_due_s += dt_s
        if self._vapour_due_s >= VAPOUR_STEP_S:
            self._move_vapour(self._vapour_due_s, weather, held.conductance_w_per_k)
            self._vapour_due_s = 0.0
        source_w[self._surface_nodes] += self._latent_w
        after_k = np.empty_like(before_k)
        after_k[: nodes.count] = held.step(before_k, source_w)
        after_k[nodes.count :] = before_k[nodes.count :]
        self._temp_k, self._temp_c = after_k, None
        self._last = (before_k, after_k, held.conductance_w_per_k, source_w, dt_s)

    # ---- what may be seen ---------------------------------------------------------------------------

    @property
    def house_c(self) -> float:
        """House air [°C]."""
        return self._all_c()[self._nodes.air]

    @property
    def cover_c(self) -> float:
        """Inner face of the cover [°C]."""
        return self._all_c()[self._nodes.cover_in]

    @property
    def floor_c(self) -> list[float]:
        """Floor layers from the top [°C]."""
        return self._celsius(self._nodes.floor)

    @property
    def tree_air_c(self) -> list[float]:
        """Air in the lower half of each crown, where fruit hangs and the probe should [°C]."""
        return self._celsius(self._nodes.low)

    @property
    def tree_high_c(self) -> list[float]:
        """Air in the upper half of each crown [°C]."""
        return self._celsius(self._nodes.high)

    @property
    def fleece_c(self) -> list[float]:
        """Each fleece [°C]."""
        return self._celsius(self._nodes.fleece)

    @property
    def leaf_c(self) -> list[float]:
        """Leaves and thin wood of each crown [°C]."""
        return self._celsius(self._nodes.leaf)

    @property
    def fruit_c(self) -> list[float]:
        """The outer fruit of each tree [°C]."""
        return self._celsius(self._nodes.fruit)

    @property
    def soil_c(self) -> list[float]:
        """Top soil under each tree [°C]."""
        return self._celsius(self._nodes.soil[0])

    @property
    def house_vapour_kpa(self) -> float:
        """Vapour pressure of the house air [kPa]."""
        return float(self._moisture.air_kpa[0])

    @property
    def fleece_water_kg(self) -> list[float]:
        """Dew or rime on each fleece [kg]."""
        return [float(kg) for kg in self._moisture.stored_kg[1:]]

    @property
    def balance_w(self) -> float:
        """Largest fault in any node's energy balance over the last step [W]: nothing but rounding."""
        if self._last is None:
            return 0.0
        return float(np.abs(self._network.residual_w(*self._last)).max())

    # ---- inside -------------------------------------------------------------------------------------

    def _all_c(self) -> list[float]:
        """Return every node's temperature [°C]; asked for often, worked out once a step."""
        if self._temp_c is None:
            self._temp_c = (self._temp_k - KELVIN_OFFSET_K).tolist()
        return self._temp_c

    def _celsius(self, nodes: IndexArray) -> list[float]:
        """Return the temperatures of nodes that stand in a row [°C]."""
        return self._all_c()[nodes[0] : nodes[-1] + 1]

    def _first_temp_k(self, air_c: float) -> FloatArray:
        nodes = self._nodes
        temp_c = np.full(nodes.count + nodes.boundaries, air_c)
        temp_c[nodes.deep] = self._deep_c
        depths_m = np.cumsum(mat.FLOOR_LAYERS_M) - 0.5 * np.array(mat.FLOOR_LAYERS_M)
        # a season's wave dies out over some 2 m (Campbell & Norman, from memory); weeks' waves sooner
        temp_c[nodes.floor] = self._deep_c + (air_c - self._deep_c) * np.exp(-depths_m / 1.0)
        for layer, depth_m in zip(nodes.soil, np.cumsum(mat.TREE_SOIL_LAYERS_M), strict=True):
            temp_c[layer] = self._deep_c + (air_c - self._deep_c) * np.exp(-depth_m / 1.0)
        return temp_c + KELVIN_OFFSET_K

    def _has_moved(self) -> bool:
        """Tell whether anything is warmer or colder than when links were last looked at."""
        return float(np.abs(self._temp_k - self._held_k).max()) > HOLD_K

    def _hold(self, dt_s: float, weather: Weather, vent_m3_s: float) -> Held:
        """Work out what every link conducts now."""
        self._flow_m3_s = self._leakage_m3_s(weather) + vent_m3_s
        self._coefficients[FIXED, self._leakage] = self._flow_m3_s * AIR_J_PER_M3_K
        network = self._network
        conductance = network.conductance_w_per_k(self._coefficients, self._temp_k, weather.wind_m_s)
        return network.held(conductance, dt_s)

    def _set_cover(self) -> None:
        """Choose the coefficients for the fleeces that are on."""
        building, nodes = self.building, self._nodes
        owner = building.tree_of_link
        on = np.where(owner < 0, True, self._covered[owner])  # noqa: FBT003 (an array's value)
        self._held_s = math.inf
        self._coefficients = np.where(on, building.covered, building.bare)
        radiant = np.where(on, building.radiant[1], building.radiant[0])
        # linear in the fleece's wetness and in the cover's: dry, what each adds, and what both add together
        self._dry_m2 = radiant[0, 0]
        self._by_fleece = radiant[1, 0] - radiant[0, 0]
        self._by_cover = radiant[0, 1] - radiant[0, 0]
        self._by_both = radiant[1, 1] - radiant[1, 0] - self._by_cover
        self._tree_of_link = np.maximum(owner, 0)
        sun = building.sun_covered.copy()
        for tree in np.flatnonzero(~self._covered):
            for node in (nodes.fleece, nodes.leaf, nodes.fruit, nodes.soil[0]):
                sun[node[tree]] = building.sun_bare[node[tree]]
        self._sun_m2 = sun

    def _leakage_m3_s(self, weather: Weather) -> float:
        """Return the air that leaks in with everything shut [m³/s]."""
        wind = weather.wind_m_s / 3.0
        stack = mat.STACK_PER_K * abs(self.house_c - weather.outside_temp_c)
        return self.building.leakage_m3_s * max(mat.LEAST_LEAKAGE, math.sqrt(wind * wind + stack))

    def _move_vapour(self, dt_s: float, weather: Weather, conductance: FloatArray) -> None:
        """Move the vapour on; note the heat it leaves on each surface, and how opaque fleece has become."""
        part = self._places
        convective = np.concatenate(
            (
                conductance[part["cover-air"]],
                conductance[part["low-fleece"]] + conductance[part["high-fleece"]],
                conductance[part["floor-air"]],
                conductance[part["leaf-low"]] + conductance[part["leaf-high"]],
                conductance[part["soil-low"]],
            )
        )
        leak = conductance[part["low-house"]] + conductance[part["high-house"]]
        surface_c = self._temp_k.take(self._surface_nodes) - KELVIN_OFFSET_K
        self._surface_c += SURFACE_SHARE * (surface_c - self._surface_c)
        self._latent_w = self._moisture.step(
            dt_s,
            _vapour_kpa(weather.dew_point_c),
            self._surface_c,
            convective,
            self._flow_m3_s,
            leak / AIR_J_PER_M3_K,
            self._day_wetness if weather.shortwave_w_m2 > mat.LEAF_OPEN_W_M2 else self._night_wetness,
        )
        wet = np.clip(self._moisture.stored_kg / self._wetting_kg, 0.0, 1.0)
        fleece = wet.take(self._tree_of_link + 1)
        by_cover = wet[0] * (self._by_cover + fleece * self._by_both)
        self._coefficients[RADIANT] = self._dry_m2 + fleece * self._by_fleece + by_cover


def _wetness(trees: int) -> tuple[FloatArray, FloatArray]:
    """Return how wet each surface is by night and by day, in the order of ``moisture``."""
    night = np.concatenate(
        (
            np.ones(1 + trees),
            [mat.SOIL_WETNESS],
            np.full(trees, mat.LEAF_WETNESS_NIGHT),
            np.full(trees, mat.SOIL_WETNESS),
        )
    )
    day = night.copy()
    day[2 + trees : 2 + 2 * trees] = mat.LEAF_WETNESS_DAY
    return night, day


def _vapour_kpa(dew_point_c: float) -> float:
    """Return the vapour pressure of air with a dew point over water [kPa] (FAO-56 eq. 11), for one number."""
    return 0.6108 * math.exp(17.27 * dew_point_c / (dew_point_c + 237.3))
