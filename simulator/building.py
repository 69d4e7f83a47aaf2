"""From a site file to a thermal network: nodes, capacities, links, and where sun and strings heat."""

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.physics import (
    AIR_DENSITY_KG_PER_M3,
    AIR_HEAT_CAPACITY_J_PER_KG_K,
    FloatArray,
)
from controller.site.handbook import CROPS, FLOORS, FleeceKind, StringKind
from controller.site.model import House, Site
from simulator import materials as mat
from simulator.network import RADIANT, IndexArray, Links

AIR_J_PER_M3_K = AIR_DENSITY_KG_PER_M3 * AIR_HEAT_CAPACITY_J_PER_KG_K
# What a covered tree sees from its fleece: cover, floor; the rest is the next tree at the same temperature.
FLEECE_SEES_COVER = 0.70
FLEECE_SEES_FLOOR = 0.20
FLOOR_SEES_COVER = 0.75


class Nodes:
    """Numbers of the nodes; those of trees are arrays with one entry for each tree."""

    def __init__(self, trees: int, cover_layers: int) -> None:
        self.trees = trees
        self.covers = list(range(cover_layers))  # from outside to inside
        self.cover_out, self.cover_in = self.covers[0], self.covers[-1]
        self.air = cover_layers
        self.frame = cover_layers + 1
        floor = cover_layers + 2
        self.floor = np.arange(floor, floor + len(mat.FLOOR_LAYERS_M))
        first = floor + len(mat.FLOOR_LAYERS_M)
        kinds = 5 + len(mat.TREE_SOIL_LAYERS_M)
        each = [np.arange(first + kind * trees, first + (kind + 1) * trees) for kind in range(kinds)]
        self.low, self.high, self.fleece, self.leaf, self.fruit = each[:5]
        self.soil = each[5:]
        self.first_of_trees, self.count = first, first + kinds * trees
        self.outside, self.sky, self.deep = self.count, self.count + 1, self.count + 2
        self.boundaries = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Trees:
    """The trees' measures and materials, arrays of shape (trees,)."""

    ground_m2: FloatArray
    fleece_m2: FloatArray
    volume_m3: FloatArray
    width_m: FloatArray
    fruit_m2: FloatArray
    fruit_j_per_k: FloatArray
    fleece_j_per_k: FloatArray
    transmittance: FloatArray
    solar_transmittance: FloatArray
    leakage_w_per_k: FloatArray
    gap_factor: FloatArray
    has_fleece: NDArray[np.bool_]

    @classmethod
    def of(cls, site: Site, variation: mat.Variation) -> "Trees":
        """Return the measures of a site's trees."""
        rows = []
        for tree in site.trees:
            cloth = mat.FLEECES.get(tree.fleece)
            layers = tree.fleece_layers if cloth else 0
            crop = CROPS[tree.kind]
            radius_m = (3.0 * crop.fruit_mass_kg / (4.0 * np.pi * mat.FRUIT_KG_PER_M3)) ** (1.0 / 3.0)
            count = max(tree.fruit_count, 1)  # a tree without fruit still tells what one fruit would feel
            rows.append(
                {
                    "ground_m2": tree.ground_area_m2,
                    "fleece_m2": tree.fleece_area_m2,
                    "volume_m3": tree.ground_area_m2 * tree.height_m,
                    "width_m": tree.width_m,
                    "fruit_m2": count * 4.0 * np.pi * radius_m**2,
                    "fruit_j_per_k": count * crop.fruit_mass_kg * mat.FRUIT_J_PER_KG_K,
                    # a tree that is never covered keeps a node of token size, tied to the house air
                    "fleece_j_per_k": (cloth.capacity_j_per_m2_k * layers if cloth else 50.0)
                    * tree.fleece_area_m2,
                    "transmittance": min(0.85, cloth.long_wave_transmittance * variation.fleece_transmittance)
                    ** layers
                    if cloth
                    else 1.0,
                    "solar_transmittance": cloth.solar_transmittance**layers if cloth else 1.0,
                    "leakage_w_per_k": cloth.leakage_w_per_m2_k
                    * variation.fleece_leakage
                    * tree.fleece_area_m2
                    / layers
                    if cloth
                    else 0.0,
                    # seven W/(m²·K) reach a single layer from inside; each gap stands in series with them
                    "gap_factor": 1.0 / (1.0 + 7.0 * mat.FLEECE_GAP_M2_K_PER_W * max(layers - 1, 0)),
                }
            )
        columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
        covered = np.array([tree.fleece is not FleeceKind.NONE for tree in site.trees])
        return cls(**columns, has_fleece=covered)


@dataclass(frozen=True, slots=True, kw_only=True)
class Building:
    """Everything about a house that does not change from step to step.

    ``tree_of_link`` is -1 for links of the house itself; ``places`` tells where named links stand.
    ``covered`` and ``bare`` hold the links' coefficients with fleece on and off, shape (5, links), all dry;
    ``radiant`` is the radiant row by fleece (0 off, 1 on), by its water and by the cover's (0 dry, 1 wet),
    shape (2, 2, 2, links).  ``sun_*`` is the heat for each W/m² of sunshine and
    ``string`` that for each watt of a tree's strings, shape (nodes, trees).
    """

    nodes: Nodes
    trees: Trees
    capacity_j_per_k: FloatArray
    ends: tuple[IndexArray, IndexArray]
    covered: FloatArray
    bare: FloatArray
    radiant: FloatArray
    tree_of_link: IndexArray
    places: dict[str, slice]
    sun_covered: FloatArray
    sun_bare: FloatArray
    string: FloatArray
    leakage_m3_s: float


def build(site: Site, variation: mat.Variation) -> Building:
    """Return the building a site file describes."""
    house, cover = site.house, mat.COVERS[site.house.glazing]
    nodes = Nodes(len(site.trees), cover.layers)
    trees = Trees.of(site, variation)
    tables = {}
    for key in product((False, True), (0.0, 1.0), (0.0, 1.0)):
        covered, wet_fleece, wet_cover = key
        links, optics = Links(), cover.optics(wet_cover)
        places = _link_house(links, nodes, house, trees, variation, optics)
        places |= _link_trees(links, nodes, house, trees, variation, optics, covered=covered, wet=wet_fleece)
        tables[key] = links.coefficients
    radiant = np.stack([table[RADIANT] for table in tables.values()])
    owned = links.ends[0] - nodes.first_of_trees  # the links of trees begin at a node of the tree
    sun_covered, sun_bare = _sun(site, nodes, trees)
    return Building(
        nodes=nodes,
        trees=trees,
        capacity_j_per_k=_capacities(house, nodes, trees, variation),
        ends=links.ends,
        covered=tables[True, 0.0, 0.0],
        bare=tables[False, 0.0, 0.0],
        radiant=radiant.reshape(2, 2, 2, -1),
        tree_of_link=np.where(owned < 0, -1, owned % nodes.trees),
        places=places,
        sun_covered=sun_covered,
        sun_bare=sun_bare,
        string=_strings(site, nodes),
        leakage_m3_s=house.volume_m3 * house.air_changes_per_h / 3600.0 * variation.leakage,
    )


def _open_floor_m2(house: House, trees: Trees) -> float:
    """Return the floor that no fleece stands on; trees that overlap leave a tenth of it."""
    return max(house.floor_area_m2 - float(trees.ground_m2.sum()), 0.1 * house.floor_area_m2)


def _sky_view(house: House, variation: mat.Variation) -> float:
    """Return how much of what the cover sees is sky."""
    walls_m2 = 2.0 * (house.length_m * house.eaves_height_m + house.gable_area_m2)
    roof_m2 = house.cover_area_m2 - walls_m2
    seen = (roof_m2 * mat.ROOF_SEES_SKY + walls_m2 * mat.WALL_SEES_SKY) / house.cover_area_m2
    return min(1.0, seen * variation.sky_view)


def _link_house(
    links: Links, nodes: Nodes, house: House, trees: Trees, variation: mat.Variation, optics: mat.Optics
) -> dict[str, slice]:
    floor = FLOORS[house.floor]
    area_m2, open_m2 = house.cover_area_m2, _open_floor_m2(house, trees)
    frame_m2 = mat.FRAME_M2_PER_M2 * house.floor_area_m2
    sky_view = _sky_view(house, variation)
    wind = mat.WIND_OVER_COVER * mat.WIND_AT_EAVES * variation.wind

    links.add(
        nodes.cover_out,
        nodes.outside,
        radiant_m2=area_m2 * optics.outer * (1.0 - sky_view),
        convective=area_m2 * mat.UPRIGHT,
        wind_w_s_per_k_m=area_m2 * wind,
    )
    links.add(nodes.cover_out, nodes.sky, radiant_m2=area_m2 * optics.outer * sky_view)
    for outer, inner in pairwise(nodes.covers):
        links.add(
            inner,
            outer,
            fixed_w_per_k=area_m2 * mat.GAP_W_PER_M2_K,
            radiant_m2=area_m2 / (1.0 / optics.inner + 1.0 / optics.outer - 1.0),
        )
    places = {
        "cover-air": links.add(
            nodes.air,
            nodes.cover_in,
            convective=(area_m2 * mat.SLOPING[0], area_m2 * mat.SLOPING[1]),
        ),
        "leakage": links.add(nodes.air, nodes.outside),
        "floor-air": links.add(
            nodes.floor[0], nodes.air, convective=(open_m2 * mat.LEVEL_STIRRED, open_m2 * mat.LEVEL_STILL)
        ),
    }
    links.add(nodes.frame, nodes.air, convective=frame_m2 * mat.UPRIGHT)
    for node, seen_m2 in (
        (nodes.floor[0], open_m2 * FLOOR_SEES_COVER * mat.PLANT_EMISSIVITY),
        (nodes.frame, frame_m2 * 0.6),  # paint and galvanised steel, and half of it sees the cover
    ):
        _link_to_cover(links, nodes, node, seen_m2, optics, sky_view)
    _link_floor(links, nodes, house, floor.conductivity_w_per_m_k * variation.soil_conductivity)
    return places


def _link_to_cover(
    links: Links, nodes: Nodes, node: ArrayLike, seen_m2: ArrayLike, optics: mat.Optics, sky_view: float
) -> None:
    """Link what sees the cover to it, and through it to the sky; other things outside count as cover."""
    seen_m2 = np.asarray(seen_m2)
    links.add(node, nodes.cover_in, radiant_m2=seen_m2 * (optics.inner + optics.passed * (1.0 - sky_view)))
    if not optics.opaque:
        links.add(node, nodes.sky, radiant_m2=seen_m2 * optics.passed * sky_view)


def _link_floor(links: Links, nodes: Nodes, house: House, conductivity_w_per_m_k: float) -> None:
    depths_m = np.cumsum(mat.FLOOR_LAYERS_M) - 0.5 * np.array(mat.FLOOR_LAYERS_M)
    spacing_m = np.diff(depths_m, append=mat.CONSTANT_DEPTH_M)
    below = np.append(nodes.floor[1:], nodes.deep)
    links.add(nodes.floor, below, fixed_w_per_k=conductivity_w_per_m_k * house.floor_area_m2 / spacing_m)
    rim_m = 2.0 * (house.length_m + house.width_m)
    links.add(nodes.floor[mat.RIM_LAYER], nodes.outside, fixed_w_per_k=mat.RIM_W_PER_M_K * rim_m)


def _link_trees(
    links: Links,
    nodes: Nodes,
    house: House,
    trees: Trees,
    variation: mat.Variation,
    optics: mat.Optics,
    *,
    covered: bool,
    wet: float,
) -> dict[str, slice]:
    """Link every tree with fleece on or off; ``wet`` goes from 0 (dry) to 1 (opaque with water)."""
    on = trees.has_fleece & covered
    sky_view = _sky_view(house, variation)
    through = np.where(on, trees.transmittance * (1.0 - wet), 1.0)
    emissivity = np.where(on, 1.0 - through - mat.REFLECTED, 0.0)
    half_m2 = 0.5 * trees.fleece_m2
    crown_out_m2 = trees.fleece_m2 * mat.PLANT_EMISSIVITY
    fruit_out_m2 = mat.FRUIT_TURNS_OUT * trees.fruit_m2 * mat.PLANT_EMISSIVITY
    leaf_side_m2 = (
        mat.LEAF_AREA_INDEX * trees.ground_m2 * variation.crown
    )  # half of both sides, for each height
    inner = np.where(on, mat.UPRIGHT * half_m2 * trees.gap_factor, 0.0)
    leak = np.where(on, 0.5 * trees.leakage_w_per_k, mat.BARE_CROWN_W_PER_M2_K * half_m2)
    places = {
        "low-house": links.add(nodes.low, nodes.air, fixed_w_per_k=leak),
        "high-house": links.add(nodes.high, nodes.air, fixed_w_per_k=leak),
        "low-fleece": links.add(nodes.low, nodes.fleece, convective=inner),
        "high-fleece": links.add(nodes.high, nodes.fleece, convective=inner),
        "leaf-low": links.add(nodes.leaf, nodes.low, convective=mat.LEAF * leaf_side_m2),
        "leaf-high": links.add(nodes.leaf, nodes.high, convective=mat.LEAF * leaf_side_m2),
        "soil-low": links.add(
            nodes.soil[0],
            nodes.low,
            convective=(mat.LEVEL_STIRRED * trees.ground_m2, mat.LEVEL_STILL * trees.ground_m2),
        ),
    }
    links.add(
        nodes.fleece,
        nodes.air,
        fixed_w_per_k=np.where(on, 0.0, 10.0 * trees.fleece_m2),
        convective=np.where(on, mat.UPRIGHT * trees.fleece_m2, 0.0),
    )
    links.add(nodes.fleece, nodes.floor[0], radiant_m2=trees.fleece_m2 * emissivity * FLEECE_SEES_FLOOR)
    for node, seen_m2 in (
        (nodes.fleece, trees.fleece_m2 * emissivity * FLEECE_SEES_COVER),
        (nodes.leaf, crown_out_m2 * through * FLEECE_SEES_COVER),
        (nodes.fruit, fruit_out_m2 * through * mat.FRUIT_SEES_COVER),
    ):
        _link_to_cover(links, nodes, node, seen_m2, optics, sky_view)
    links.add(nodes.leaf, nodes.fleece, radiant_m2=crown_out_m2 * emissivity * trees.gap_factor)
    links.add(nodes.fruit, nodes.fleece, radiant_m2=fruit_out_m2 * emissivity * trees.gap_factor)
    fruit_in_m2 = (1.0 - mat.FRUIT_TURNS_OUT) * trees.fruit_m2 * mat.PLANT_EMISSIVITY
    links.add(nodes.fruit, nodes.leaf, radiant_m2=fruit_in_m2)
    for air, share in ((nodes.low, 0.7), (nodes.high, 0.3)):  # most fruit hangs in the lower half
        links.add(
            nodes.fruit,
            air,
            fixed_w_per_k=share * trees.fruit_m2 * mat.FRUIT_STILL_W_PER_M2_K,
            convective=share * trees.fruit_m2 * mat.FRUIT,
        )
    links.add(
        nodes.low,
        nodes.high,
        fixed_w_per_k=mat.CROWN_DRAUGHT_W_PER_M2_K * trees.ground_m2,
        convective=(mat.CROWN_STIRRED * trees.ground_m2, 0.0),
    )
    links.add(nodes.soil[0], nodes.leaf, radiant_m2=0.9 * trees.ground_m2 * mat.PLANT_EMISSIVITY)
    _link_tree_soil(links, nodes, house, trees, variation)
    return places


def _link_tree_soil(links: Links, nodes: Nodes, house: House, trees: Trees, variation: mat.Variation) -> None:
    """Link the soil under each tree downwards and, at mid-depth, sideways to the floor."""
    conductivity = FLOORS[house.floor].conductivity_w_per_m_k * variation.soil_conductivity
    depths_m = np.cumsum(mat.TREE_SOIL_LAYERS_M) - 0.5 * np.array(mat.TREE_SOIL_LAYERS_M)
    floor_depths_m = np.cumsum(mat.FLOOR_LAYERS_M) - 0.5 * np.array(mat.FLOOR_LAYERS_M)
    below = int(np.searchsorted(floor_depths_m, depths_m[-1] + 0.1))
    for (upper, lower), spacing_m in zip(pairwise(nodes.soil), np.diff(depths_m), strict=True):
        links.add(upper, lower, fixed_w_per_k=conductivity * trees.ground_m2 / spacing_m)
    spacing_m = floor_depths_m[below] - depths_m[-1]
    links.add(nodes.soil[-1], nodes.floor[below], fixed_w_per_k=conductivity * trees.ground_m2 / spacing_m)
    rim_m2 = np.pi * trees.width_m * mat.TREE_SOIL_LAYERS_M[1]
    beside = int(np.searchsorted(floor_depths_m, depths_m[1] + 0.01))
    links.add(nodes.soil[1], nodes.floor[beside], fixed_w_per_k=conductivity * rim_m2 / (0.5 * trees.width_m))


def _capacities(house: House, nodes: Nodes, trees: Trees, variation: mat.Variation) -> FloatArray:
    cover, floor = mat.COVERS[house.glazing], FLOORS[house.floor]
    capacity = np.zeros(nodes.count)
    capacity[nodes.covers] = cover.capacity_j_per_m2_k * house.cover_area_m2
    air_m3 = max(house.volume_m3 - float(trees.volume_m3.sum()), 0.2 * house.volume_m3)
    capacity[nodes.air] = air_m3 * AIR_J_PER_M3_K
    capacity[nodes.frame] = mat.FRAME_J_PER_M2_K * house.floor_area_m2
    for node, thickness_m in zip(nodes.floor, mat.FLOOR_LAYERS_M, strict=True):
        # above the tree soil's depth only the open floor is the house's own
        is_shallow = sum(mat.FLOOR_LAYERS_M[: int(node) - nodes.floor[0]]) < sum(mat.TREE_SOIL_LAYERS_M)
        area_m2 = _open_floor_m2(house, trees) if is_shallow else house.floor_area_m2
        capacity[node] = floor.heat_capacity_j_per_m3_k * thickness_m * area_m2
    capacity[nodes.low] = capacity[nodes.high] = 0.5 * trees.volume_m3 * AIR_J_PER_M3_K
    capacity[nodes.fleece] = trees.fleece_j_per_k
    capacity[nodes.leaf] = mat.CROWN_KG_PER_M3 * mat.CROWN_J_PER_KG_K * trees.volume_m3 * variation.crown
    capacity[nodes.fruit] = trees.fruit_j_per_k
    for layer, thickness_m in zip(nodes.soil, mat.TREE_SOIL_LAYERS_M, strict=True):
        capacity[layer] = floor.heat_capacity_j_per_m3_k * thickness_m * trees.ground_m2
    return capacity


def _sun(site: Site, nodes: Nodes, trees: Trees) -> tuple[FloatArray, FloatArray]:
    """Return the heat each node takes for each W/m² of sunshine, fleece on and off."""
    house, cover = site.house, mat.COVERS[site.house.glazing]
    entered_m2 = house.floor_area_m2 * mat.SUN_CATCH * cover.solar_transmittance * (1.0 - mat.SUN_LOST)
    # crowns catch slanting sun beyond their ground area
    caught = np.minimum(1.3 * trees.ground_m2 / house.floor_area_m2, 0.8 / max(nodes.trees, 1))
    both = []
    for on in (trees.has_fleece, np.zeros_like(trees.has_fleece)):
        heat_m2 = np.zeros(nodes.count)
        heat_m2[nodes.covers] = cover.solar_absorptance * house.floor_area_m2 / cover.layers
        rest_m2 = entered_m2 * (1.0 - float(caught.sum()))
        heat_m2[nodes.floor[0]] = 0.85 * rest_m2
        heat_m2[nodes.frame] = 0.15 * rest_m2
        passed = np.where(on, trees.solar_transmittance, 1.0)
        heat_m2[nodes.fleece] = mat.FLEECE_ABSORBS * (1.0 - passed) * caught * entered_m2
        for node, share in ((nodes.leaf, 0.80), (nodes.fruit, 0.05), (nodes.soil[0], 0.15)):
            heat_m2[node] = share * passed * caught * entered_m2
        both.append(heat_m2)
    return both[0], both[1]


def _strings(site: Site, nodes: Nodes) -> FloatArray:
    """Return the share of a tree's watts that each node takes, shape (nodes, trees)."""
    shares = np.zeros((nodes.count, nodes.trees))
    for index, tree in enumerate(site.trees):
        cable_w = sum(s.power_w for s in tree.strings if s.kind is StringKind.CABLE)
        cable = cable_w / tree.power_w if tree.power_w else 0.0
        for kind, weight in ((mat.CABLE_SHARES, cable), (mat.LAMP_SHARES, 1.0 - cable)):
            for node, share in (
                (nodes.low, kind.air_low),
                (nodes.high, kind.air_high),
                (nodes.leaf, kind.leaf),
                (nodes.fruit, kind.fruit),
                (nodes.soil[0], kind.soil),
                (nodes.fleece, kind.fleece),
            ):
                shares[node[index], index] += weight * share
    return shares
