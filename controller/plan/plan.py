"""The plan: to what temperature each tree is to be warmed ahead of hours its strings cannot hold.

A plan can only add heat.  It is a floor for each tree and quarter of an hour, above the hold temperature that
the guard keeps anyway, and it asks for nothing unless an hour of the next six is predicted in which a tree's
strings, fully on, are too small.  On every other night a thermostat is already the cheapest way to hold a
tree, and heating ahead would only waste.  Blossom and fruitlets are asked a warmer floor for as long as they
hang (common practice).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from controller.crop.dose import HALF_DOSE_K_H, STEEPNESS
from controller.crop.limits import hold_at_c
from controller.crop.risk import margin_z
from controller.physics import FloatArray
from controller.plan.airing import AiringPlan, VentAsk, airing_of
from controller.plan.allocate import merit_order
from controller.plan.outlook import starting_state
from controller.plan.slots import SLOT_S, colder, slots_of
from controller.site.model import Site
from controller.thermal.drive import Inputs
from controller.thermal.inputs import inputs_of
from controller.thermal.model import FIRST_STRING, FIRST_TREE, Stepper, state_count
from controller.thermal.parameters import Parameters, parameters_of
from controller.thermal.predict import Heat, Prediction, predict
from controller.weather.forecast import Forecast

HORIZON_S = 24 * 3600.0
# Shorter than this a forecast cannot say that a night is held.
SHORTEST_S = 6 * 3600.0
# The plan acts only on a shortage predicted within this time.
GATE_S = 6 * 3600.0
# A plan is made every quarter of an hour; one older than this is not heeded.
OLDEST_S = 3600.0
# No plan warms a tree further than this above its hold temperature [K]; beyond it, more is lost than kept.
LARGEST_LIFT_K = 10.0
# Share of a watt's warmth that must still stand when the tree is short: own choice.  The crop alone
# would justify less, but a forecast is not worth that much certainty.
LEAST_YIELD = 0.1
# The plan looks at a night at most this many standard deviations colder than forecast: own choice.
LARGEST_Z = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a plan asks for one tree now: warm it to a floor [°C], and why."""

    floor_c: float
    why: str
    age_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TreePlan:
    """Floors of one tree by slot [°C]; None where nothing is asked."""

    floor_c: tuple[float | None, ...]
    why: str
    short_from: datetime | None
    lacks_w: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """The planned day by slot (K): weather as the plan looks at it, and what follows for N trees."""

    at_s: FloatArray  # (K,) end of each slot, UTC seconds since 1970
    outside_temp_c: FloatArray  # (K,)
    house_temp_c: FloatArray  # (K,)
    tree_temp_c: FloatArray  # (K, N)
    string_w: FloatArray  # (K, N)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is asked for the coming day, from ``made_at`` on in slots of a quarter of an hour."""

    made_at: datetime
    trees: Mapping[str, TreePlan]
    added_kwh: float
    added_cost: float
    currency: str
    z: float
    source: str
    energy_kwh: float
    cost: float
    course: Course
    airing: AiringPlan

    def ask_vents(self, age_s: float) -> VentAsk | None:
        """Return what is asked of vents now; an old plan asks nothing."""
        return self.airing.ask(int(age_s // SLOT_S)) if 0.0 <= age_s <= OLDEST_S else None

    def ask(self, tree: str, age_s: float) -> Ask | None:
        """Return what is asked for a tree now, None for nothing; the guard judges what it is worth.

        ``age_s`` is how long ago the plan came, on the monotonic clock [s].
        """
        planned = self.trees.get(tree)
        slot = int(age_s // SLOT_S)
        if planned is None or not 0 <= slot < len(planned.floor_c):
            return None
        floor_c = planned.floor_c[slot]
        return None if floor_c is None else Ask(floor_c=floor_c, why=planned.why, age_s=age_s)

    @property
    def is_short(self) -> bool:
        """Whether any tree cannot be held through the coming day."""
        return any(tree.short_from is not None for tree in self.trees.values())

    @property
    def sentence(self) -> str:
        """The plan as a grower reads it."""
        short = {name: tree for name, tree in self.trees.items() if tree.short_from is not None}
        if not short:
            return "the strings hold every tree through the coming day: nothing to do ahead"
        first = min(tree.short_from for tree in short.values() if tree.short_from)
        said = ", ".join(f"{name} (lacks {tree.lacks_w:.0f} W)" for name, tree in short.items())
        text = f"from {first:%a %H:%M} UTC the strings are too small for {said}"
        if not self.added_kwh > 0.0:
            return f"{text}; it is too early, or of no use, to warm ahead"
        return f"{text}; warming ahead takes {self.added_kwh:.1f} kWh ({self.added_cost:.2f} {self.currency})"


def plan_of(
    site: Site,
    forecast: Forecast,
    latest_c: Mapping[str, float],
    now: datetime,
    parameters: Parameters | None = None,
) -> Plan | None:
    """Return the plan for the coming day; None where the forecast does not cover 6 h or holds no numbers.

    Parameters
    ----------
    site
        The site; its trees are taken to be covered and its vents shut.
    forecast
        Hourly weather; its spread, or a usual one, is the margin with the model's.
    latest_c
        What each probe last said [°C].
    now
        The present, aware.
    parameters
        What the house is like; left out, what its materials say.
    """
    length_s = min(HORIZON_S, (forecast.ends_at - now).total_seconds())
    if not length_s >= SHORTEST_S:
        return None
    parameters = parameters_of(site) if parameters is None else parameters
    fine = inputs_of(forecast, site, parameters, now, horizon_s=length_s - length_s % SLOT_S)
    start = starting_state(site, parameters, fine, latest_c)
    z = _z(site)
    inputs = colder(slots_of(fine), forecast, z)
    stepper = Stepper(parameters, SLOT_S)
    held = predict(parameters, start, inputs, Heat.HELD, stepper=stepper)
    if not np.isfinite(held.house_temp_c).all():
        return None
    power_w = _warmed_ahead(site, parameters, inputs, held, stepper)
    planned = held
    if (power_w > held.string_w).any():
        warmer = replace(inputs, string_w=power_w)
        planned = predict(parameters, start, warmer, Heat.GIVEN, stepper=stepper)
    lift_w_per_k = parameters.fleece_loss_w_per_k + parameters.tree_soil_w_per_k
    added_kwh = float((power_w - held.string_w).sum()) * SLOT_S / 3.6e6
    energy_kwh = float(power_w.sum()) * SLOT_S / 3.6e6
    return Plan(
        made_at=now,
        trees={
            name: _tree_plan(
                site, i, held, planned.tree_temp_c[1:, i], power_w[:, i], float(lift_w_per_k[i]), now
            )
            for i, name in enumerate(held.tree_names)
        },
        added_kwh=added_kwh,
        added_cost=added_kwh * site.tariff.price_per_kwh,
        currency=site.tariff.currency,
        z=z,
        source=forecast.source,
        energy_kwh=energy_kwh,
        cost=energy_kwh * site.tariff.price_per_kwh,
        course=Course(
            at_s=planned.at_s[1:],
            outside_temp_c=inputs.outside_temp_c,
            house_temp_c=planned.house_temp_c[1:],
            tree_temp_c=planned.tree_temp_c[1:],
            string_w=power_w,
        ),
        airing=airing_of(
            site,
            at_s=planned.at_s[1:],
            outside_c=inputs.outside_temp_c,
            dew_point_c=np.interp(planned.at_s[1:], forecast.at_s, forecast.dew_point_c),
            house_c=planned.house_temp_c[1:],
            heats=np.asarray(power_w.any(1)),
            slot_s=SLOT_S,
        ),
    )


def _z(site: Site) -> float:
    """Return how many standard deviations colder than forecast to look: cost against loss, within limits.

    The cost is that of a whole night's heat on every string, the loss that of every crop.
    """
    night_kwh = sum(tree.power_w for tree in site.trees) * 14.0 / 1000.0
    crops = sum(tree.crop_value for tree in site.trees if tree.fruit_count)
    return min(margin_z(night_kwh * site.tariff.price_per_kwh, crops), LARGEST_Z)


def _warmed_ahead(
    site: Site, parameters: Parameters, inputs: Inputs, held: Prediction, stepper: Stepper
) -> FloatArray:
    """Return the power of every string by slot [W], (K, N): held, and more ahead of shortages soon."""
    power_w = np.array(held.string_w)
    gated = held.short[: round(GATE_S / SLOT_S)].any(0)
    if not gated.any():
        return power_w
    slots = int(np.flatnonzero(held.short[:, gated].any(1))[-1]) + 1
    gains = _gains(parameters, inputs, stepper, np.flatnonzero(gated), slots)
    price = np.full(slots, max(site.tariff.price_per_kwh, 1e-3) * SLOT_S / 3.6e6)
    for gain, i in zip(gains, np.flatnonzero(gated), strict=True):
        free_c = held.tree_temp_c[1 : slots + 1, i] - gain @ held.string_w[:slots, i]
        power_w[:slots, i] = merit_order(
            free_c,
            gain,
            limit_c=float(held.hold_c[i]),
            cap_w=float(parameters.string_w[i]),
            price_per_w=price,
            worth_per_k=_worth_per_k(site, int(i), price[0] / gain[:, 0].sum()),
        )
    return np.asarray(np.maximum(power_w, held.string_w))


def _worth_per_k(site: Site, i: int, price_of_a_kelvin: float) -> float:
    """Return what a kelvin below the limit through one slot is worth to a tree, in money.

    It is what the steepest part of the crop's loss makes of it, and at most what makes ``LEAST_YIELD`` of a
    watt's warmth worth buying.
    """
    tree = site.trees[i]
    crop = tree.crop_value if tree.fruit_count else 0.0
    at_stake = (crop + tree.tree_value) * STEEPNESS / (4.0 * HALF_DOSE_K_H) * SLOT_S / 3600.0
    return min(at_stake, price_of_a_kelvin / LEAST_YIELD)


def _gains(
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


def _tree_plan(
    site: Site,
    i: int,
    held: Prediction,
    planned_c: FloatArray,
    power_w: FloatArray,
    lift_w_per_k: float,
    now: datetime,
) -> TreePlan:
    tree = site.trees[i]
    ahead = (power_w > held.string_w[:, i] + 1.0) & (planned_c > held.hold_c[i])
    tender_c = hold_at_c(tree, now, latitude_deg=site.place.latitude_deg)
    tender = tender_c > tree.hold_or_default_c
    short_s = float(held.short_from_s[i])
    short_from = datetime.fromtimestamp(short_s, tz=UTC) if math.isfinite(short_s) else None
    highest_c = float(held.hold_c[i]) + LARGEST_LIFT_K
    floors = [
        min(float(warm_c), highest_c) if early else (tender_c if tender else None)
        for warm_c, early in zip(planned_c, ahead, strict=True)
    ]
    why = "blossom or fruitlets hang" if tender else ""
    if ahead.any() and short_from is not None:
        why = f"its strings will be too small from {short_from:%H:%M} UTC"
    # what holds it in a steady night at its lowest: the deficit over fleece and soil
    lacks_w = (float(held.hold_c[i]) - float(held.tree_min_c[i])) * lift_w_per_k if short_from else 0.0
    return TreePlan(floor_c=tuple(floors), why=why, short_from=short_from, lacks_w=lacks_w)
