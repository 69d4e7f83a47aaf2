"""Where warming ahead pays: before hours whose strings are too small, or whose electricity costs more."""

import numpy as np
from numpy.typing import NDArray

from controller.crop.dose import HALF_DOSE_K_H, STEEPNESS
from controller.physics import FloatArray
from controller.plan.allocate import merit_order
from controller.plan.circuits import within_circuits
from controller.plan.slots import SLOT_S
from controller.site.model import Site
from controller.thermal.drive import Inputs
from controller.thermal.model import FIRST_STRING, FIRST_TREE, Stepper, state_count
from controller.thermal.parameters import Parameters
from controller.thermal.predict import Prediction

# Electricity counts as dearer from here on, and within this time: less would hardly pay for what is lost
# meanwhile.
DEARER, DEARER_WITHIN_S = 1.1, 9 * 3600.0
# Share of a watt's warmth in the tree's air that must still come when the tree is short.  With it the model's
# own slow modes decide how long before a shortage a tree is warmed: not quite a day under usual fleece, more
# where more soil or water keeps the warmth.  The crop alone would justify less; at this a tree short of heat
# is less cold for some per cent more energy.  Of 0.04 to 0.01 on regions 2 and 4 of the benches each halving
# took about 4 % more energy and left about 4 % less of the kelvin-hours.
LEAST_YIELD = 0.0125


def warmed_ahead(
    site: Site,
    parameters: Parameters,
    inputs: Inputs,
    held: Prediction,
    stepper: Stepper,
    price_per_kwh: FloatArray,
    at_stake: FloatArray,
) -> FloatArray:
    """Return the power of every string by slot [W], (K, N): held, and more ahead of shortage or dear hours.

    Parameters
    ----------
    site, parameters, inputs, stepper
        The house and what comes.
    held
        The day with every tree held as far as its strings reach.
    price_per_kwh
        Of each slot, (K,).
    at_stake
        What each tree is expected to lose, (N,), for who comes first on a circuit.
    """
    power_w = np.array(held.string_w)
    soon = round(DEARER_WITHIN_S / SLOT_S)
    dearer = float(price_per_kwh[:soon].max()) > DEARER * float(price_per_kwh[0])
    gated = held.short.any(0) | (held.string_w.any(0) & dearer)
    if not gated.any():
        return power_w
    needed = held.short[:, gated].any(1) | (held.string_w[:, gated].any(1) & dearer)
    slots = int(np.flatnonzero(needed)[-1]) + 1
    which = np.flatnonzero(gated)
    gains = gains_of(parameters, inputs, stepper, which, slots)
    warmth = warmth_of(inputs, stepper, which)
    price = np.maximum(price_per_kwh[:slots], 1e-3) * SLOT_S / 3.6e6
    for gain, i, k_per_w in zip(gains, which, warmth, strict=True):
        kelvin = float(price.min()) / float(k_per_w)
        worth = _worth_per_k(site, int(i), kelvin)
        if worth > kelvin:
            power_w[:slots, i] = merit_order(
                held.tree_temp_c[1 : slots + 1, i] - gain @ held.string_w[:slots, i],
                gain,
                limit_c=float(held.hold_c[i]),
                cap_w=float(parameters.string_w[i]),
                price_per_w=price,
                worth_per_k=worth,
            )
    if not dearer:
        power_w = np.maximum(power_w, held.string_w)
    cut_w = within_circuits(site, power_w, held.string_w, at_stake)
    # what may not be warmed ahead needs its own heat later
    return np.where((cut_w < power_w).any(0), np.maximum(cut_w, held.string_w), cut_w)


def _worth_per_k(site: Site, i: int, price_of_a_kelvin: float) -> float:
    """Return what a kelvin below the limit through one slot is worth to a tree, in money.

    It is what the steepest part of the crop's loss makes of it, and at most what makes ``LEAST_YIELD`` of a
    watt's warmth worth buying.
    """
    tree = site.trees[i]
    crop = tree.crop_value if tree.fruit_count else 0.0
    at_stake = (crop + tree.tree_value) * STEEPNESS / (4.0 * HALF_DOSE_K_H) * SLOT_S / 3600.0
    return min(at_stake, price_of_a_kelvin / LEAST_YIELD)


def gains_of(
    parameters: Parameters, inputs: Inputs, stepper: Stepper, which: NDArray[np.intp], slots: int
) -> FloatArray:
    """Return what a watt in a slot adds to its own tree at the end of every slot, (trees, slots, slots)."""
    step, index = stepper.modes_of(inputs)
    gains = np.zeros((len(which), slots, slots))
    risen = np.zeros((len(which), slots, state_count(parameters.tree_count)))
    tree = np.arange(len(which))
    for k in range(slots):
        risen[:, :k] = risen[:, :k] @ step.Phi[index[k]].T
        risen[:, k] = step.Gamma[index[k]][:, FIRST_STRING + which].T
        gains[:, k, : k + 1] = risen[tree, : k + 1, FIRST_TREE + which]
    return gains


def warmth_of(inputs: Inputs, stepper: Stepper, which: NDArray[np.intp]) -> FloatArray:
    """Return what a watt in the first slot adds to its own tree in all slots together [K/W], (trees,)."""
    step, index = stepper.modes_of(inputs)
    risen = step.Gamma[index[0]][:, FIRST_STRING + which].T
    tree, total = np.arange(len(which)), np.zeros(len(which))
    for k in range(inputs.steps):
        risen = risen if k == 0 else risen @ step.Phi[index[k]].T
        total += risen[tree, FIRST_TREE + which]
    return total
