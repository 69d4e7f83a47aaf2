"""Water vapour in the house and under each fleece: evaporation, condensation and frost, with their heat.

Each air volume holds vapour; surfaces evaporate into it or take dew and rime from it by the same boundary
layer that carries heat (Lewis relation).  One step is implicit in the vapour pressures: every tree's air is
eliminated into the house's, which leaves one equation.

Surfaces stand in this order everywhere: the cover and each tree's fleece, which hold water; then the floor,
each crown and the soil under each tree, which never run dry.
"""

import numpy as np

from controller.physics import (
    KELVIN_OFFSET_K,
    FloatArray,
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_over_ice_kpa,
)
from simulator.materials import (
    PSYCHROMETRIC_KPA_PER_K,
    SUBLIMATION_J_PER_KG,
    VAPORISATION_J_PER_KG,
    VAPOUR_KJ_PER_KG_K,
)

# Vapour held by a cubic metre of air for each kPa [kg/(m³·kPa)], at 2 °C (between -15 and 25 °C within 8 %).
VAPOUR_KG_PER_M3_KPA = 1.0 / (VAPOUR_KJ_PER_KG_K * (KELVIN_OFFSET_K + 2.0))

# Tables by hundredths of a degree, because a step has no time for exponentials: over ice below 0 °C.
_LOWEST_C, _HIGHEST_C, _PER_K = -60.0, 90.0, 100.0
_TABLE_C = np.arange(_LOWEST_C, _HIGHEST_C, 1.0 / _PER_K)
_SATURATION_KPA = np.where(
    _TABLE_C < 0.0,
    saturation_vapour_pressure_over_ice_kpa(_TABLE_C),
    saturation_vapour_pressure_kpa(_TABLE_C),
)
_LATENT_J_PER_KG = np.where(_TABLE_C < 0.0, SUBLIMATION_J_PER_KG, VAPORISATION_J_PER_KG)
_LEWIS_KG_K_PER_J_KPA = 1.0 / (PSYCHROMETRIC_KPA_PER_K * _LATENT_J_PER_KG)


class Moisture:
    """The vapour and the stored water of one house.

    Parameters
    ----------
    house_m3 : float
        Air in the house [m³].
    tree_m3 : array, shape (trees,)
        Air under each fleece [m³].
    holds_kg : array, shape (1 + trees,)
        What the cover and each fleece hold before they drip [kg].
    vapour_kpa : float
        Vapour pressure everywhere at the start [kPa].

    Attributes
    ----------
    air_kpa : array, shape (1 + trees,)
        Vapour pressure in the house and under each fleece [kPa].
    stored_kg : array, shape (1 + trees,)
        Water or rime on the cover and on each fleece [kg].
    dripped_kg : float
        What has dripped off so far [kg].

    """

    def __init__(self, house_m3: float, tree_m3: FloatArray, holds_kg: FloatArray, vapour_kpa: float) -> None:
        trees = len(tree_m3)
        self.air_kpa = np.full(1 + trees, vapour_kpa)
        self.stored_kg = np.zeros(1 + trees)
        self.dripped_kg = 0.0
        self._holds_kg = holds_kg
        self._air_kg_per_kpa = np.concatenate(([house_m3], tree_m3)) * VAPOUR_KG_PER_M3_KPA
        each = np.arange(1, trees + 1)
        self._air_of = np.concatenate([[0], each, [0], each, each]).astype(np.intp)

    def step(
        self,
        dt_s: float,
        outside_kpa: float,
        surface_c: FloatArray,
        convective_w_per_k: FloatArray,
        house_flow_m3_s: float,
        tree_flow_m3_s: FloatArray,
        wetness: FloatArray,
    ) -> FloatArray:
        """Move the vapour on by ``dt_s`` and return the heat that each surface gains by it [W].

        Parameters
        ----------
        surface_c, convective_w_per_k, wetness : array, shape (2 + 3 trees,)
            Temperature of each surface [°C], what convection carries from it to its air [W/K], and its
            evaporation as a share of that from open water.
        house_flow_m3_s, tree_flow_m3_s
            Air exchanged between house and outside, and between each tree's air and the house [m³/s].
        """
        kinds = ((surface_c - _LOWEST_C) * _PER_K + 0.5).astype(np.intp)
        saturated_kpa = _SATURATION_KPA.take(kinds, mode="clip")
        transfer = convective_w_per_k * _LEWIS_KG_K_PER_J_KPA.take(kinds, mode="clip")  # kg/(s·kPa)
        transfer = self._limit(transfer, wetness, saturated_kpa - self.air_kpa.take(self._air_of), dt_s)
        self._mix(dt_s, outside_kpa, transfer, transfer * saturated_kpa, house_flow_m3_s, tree_flow_m3_s)
        caught_kg_s = transfer * (self.air_kpa.take(self._air_of) - saturated_kpa)
        self._keep(caught_kg_s[: len(self.stored_kg)] * dt_s)
        return np.asarray(caught_kg_s * _LATENT_J_PER_KG.take(kinds, mode="clip"))

    def _limit(
        self, transfer: FloatArray, wetness: FloatArray, thirst_kpa: FloatArray, dt_s: float
    ) -> FloatArray:
        """Return the transfer, with evaporation cut to what is wet and to what a store still holds."""
        holding = len(self.stored_kg)
        evaporating = transfer * wetness
        thirst_kg = np.maximum(thirst_kpa[:holding], 1e-6) * dt_s
        evaporating[:holding] = np.minimum(evaporating[:holding], np.maximum(self.stored_kg, 0.0) / thirst_kg)
        return np.asarray(np.where(thirst_kpa > 0.0, evaporating, transfer))

    def _mix(
        self,
        dt_s: float,
        outside_kpa: float,
        transfer: FloatArray,
        pulled: FloatArray,
        house_flow_m3_s: float,
        tree_flow_m3_s: FloatArray,
    ) -> None:
        """Solve for the vapour pressures at the end of the step."""
        stored = self._air_kg_per_kpa / dt_s
        held = stored * self.air_kpa
        tree_out = tree_flow_m3_s * VAPOUR_KG_PER_M3_KPA
        total = stored[1:] + tree_out + self._of_trees(transfer)
        alone_kpa = (held[1:] + self._of_trees(pulled)) / total
        follows = tree_out / total
        out = house_flow_m3_s * VAPOUR_KG_PER_M3_KPA
        floor = len(self.stored_kg)
        gain = held[0] + out * outside_kpa + pulled[0] + pulled[floor] + tree_out @ alone_kpa
        loss = stored[0] + out + transfer[0] + transfer[floor] + tree_out @ (1.0 - follows)
        house_kpa = gain / loss
        air_kpa = np.empty_like(self.air_kpa)
        air_kpa[0] = house_kpa
        air_kpa[1:] = alone_kpa + follows * house_kpa
        self.air_kpa = air_kpa

    def _of_trees(self, values: FloatArray) -> FloatArray:
        """Return the sum over each tree's fleece, crown and soil."""
        holding = len(self.stored_kg)
        leaf = holding + 1
        soil = leaf + holding - 1
        return np.asarray(values[1:holding] + values[leaf:soil] + values[soil:])

    def _keep(self, caught_kg: FloatArray) -> None:
        """Add to the stores; what is too much drips.  A store short by a hair is made up later."""
        stored_kg = self.stored_kg + caught_kg
        kept_kg = np.minimum(stored_kg, self._holds_kg)
        self.dripped_kg += float((stored_kg - kept_kg).sum())
        self.stored_kg = kept_kg
