"""The plan: to what temperature each tree is to be warmed ahead of hours its strings cannot hold.

A plan can only add heat.  It is a floor for each tree and quarter of an hour, above the hold temperature that
the guard keeps anyway, and it asks for nothing unless an hour of the coming day is predicted in which a
tree's strings, fully on, are too small, and so soon that the tree still holds some of the warmth by then; or
one of the next nine in which electricity costs more.  On every other night a thermostat is
already the cheapest way to hold a tree, and heating ahead would only waste.  Blossom and fruitlets are asked
a warmer floor for as long as they hang (common practice).

A tree whose ``hold`` is "risk" is also given the hold temperature at which heat and expected loss together
cost least; the guard takes it within limits in code, and its usual one without a fresh plan.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo

import numpy as np

from controller.crop.limits import hold_at_c
from controller.crop.risk import margin_z
from controller.physics import FloatArray
from controller.plan.ahead import warmed_ahead
from controller.plan.airing import AiringPlan, VentAsk, airing_of
from controller.plan.loss import Held, Weather, held_by_risk, last_first, night_loss
from controller.plan.outlook import coldest_c, starting_state
from controller.plan.slots import SLOT_S, colder, margin_k, slots_of, utc_of
from controller.site.model import Site
from controller.site.tariff import price_per_kwh_at
from controller.thermal.drive import Inputs
from controller.thermal.inputs import careful_hours, inputs_of
from controller.thermal.model import Stepper
from controller.thermal.parameters import Parameters, parameters_of
from controller.thermal.predict import Heat, Prediction, predict
from controller.weather.forecast import Forecast

HORIZON_S = 24 * 3600.0
# Shorter than this a forecast cannot say that a night is held.
SHORTEST_S = 6 * 3600.0
# A plan is made every quarter of an hour; one older than this is not heeded.
OLDEST_S = 3600.0
# No plan warms a tree further than this above its hold temperature [K]; beyond it, more is lost than kept.
LARGEST_LIFT_K = 10.0
# The plan looks at a night at most this many standard deviations colder than forecast: warming ahead buys
# little, so a careful look wastes more than it keeps (of 0 to 0.75 on region 2 of the benches).
LARGEST_Z = 0.5
# A forecast that is so much colder than the probe outside says now warms nothing ahead [K]: three deviations
# of a day-old forecast (BOPTEST's medium level, Zheng et al. 2025, computed).
BUST_K = 5.0
# A prediction that reaches this is none [°C].
ABSURD_C = 100.0
# A tree this far from where the plan saw it now [K], with a plan at least this old [s], is planned for anew.
STRAYS_K, STRAYS_AFTER_S = 2.0, 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a plan asks for one tree now: warm it to a floor [°C], and why."""

    floor_c: float
    why: str
    age_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """What a day is expected to cost in fruit and wood, in the tariff's currency: unheated, held, planned."""

    unheated: float
    held: float
    planned: float


NO_LOSS = Loss(unheated=0.0, held=0.0, planned=0.0)
TOO_SMALL = "its strings will be too small"


def _clock(at: datetime, zone: tzinfo) -> str:
    """Return a time as people read it; a place's own needs no name."""
    return f"{at.astimezone(zone):%a %H:%M}{' UTC' if zone is UTC else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TreePlan:
    """Floors of one tree by slot [°C], None where nothing is asked; and what it has at stake.

    ``hold_c`` is the hold temperature that risk asks for, None where the usual one stands.
    """

    floor_c: tuple[float | None, ...]
    why: str
    short_from: datetime | None
    lacks_w: float
    loss: Loss = NO_LOSS
    hold_c: float | None = None

    def because(self, zone: tzinfo) -> str:
        """Return why floors are asked, its time in a zone."""
        if self.why != TOO_SMALL or self.short_from is None:
            return self.why
        return f"{self.why} from {_clock(self.short_from, zone)}"


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
    # trees that cannot be held, the one to be given up last first
    last_given_up: tuple[str, ...] = ()
    # what hold temperatures by risk save in a day, heat and expected loss together; negative if they cost
    risk_saves: float = 0.0
    # by how much the forecast is colder than it is outside, where that is too much to warm ahead on its word
    bust_k: float = 0.0

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
        return None if floor_c is None else Ask(floor_c=floor_c, why=planned.because(UTC), age_s=age_s)

    def hold_c(self, tree: str, age_s: float) -> float | None:
        """Return the hold temperature that risk asks for a tree [°C]; None where the usual one stands."""
        planned = self.trees.get(tree)
        return planned.hold_c if planned is not None and 0.0 <= age_s <= OLDEST_S else None

    def strays(self, latest_c: Mapping[str, float], probes: Mapping[str, str], age_s: float) -> str:
        """Return the name of a tree that is not where the plan saw it now; empty where none strays.

        ``probes`` names the probe of each tree, ``latest_c`` what each probe last said.
        """
        slot = int(age_s // SLOT_S)
        if not STRAYS_AFTER_S <= age_s < len(self.course.at_s) * SLOT_S:
            return ""
        seen_c = self.course.tree_temp_c[slot]
        for i, name in enumerate(self.trees):
            if abs(latest_c.get(probes.get(name, ""), math.nan) - seen_c[i]) > STRAYS_K:
                return name
        return ""

    @property
    def is_short(self) -> bool:
        """Whether any tree cannot be held through the coming day."""
        return any(tree.short_from is not None for tree in self.trees.values())

    @property
    def sentence(self) -> str:
        """The plan as a grower reads it, its times in UTC."""
        return self.says(UTC)

    def says(self, zone: tzinfo) -> str:
        """Return the plan as a grower reads it, its times in a zone."""
        short = {name: tree for name, tree in self.trees.items() if tree.short_from is not None}
        ahead = f"takes {self.added_kwh:.1f} kWh ({self.added_cost:.2f} {self.currency})"
        if not short and self.added_kwh > 0.0:
            return f"electricity gets dearer: warming ahead {ahead}"
        if not short:
            return "the strings hold every tree through the coming day: none needs warming ahead"
        first = min(tree.short_from for tree in short.values() if tree.short_from)
        said = ", ".join(f"{name} (lacks {tree.lacks_w:.0f} W)" for name, tree in short.items())
        text = f"from {_clock(first, zone)} the strings are too small for {said}"
        if self.bust_k > 0.0:
            return f"{text}; but it is {self.bust_k:.0f} K milder outside than forecast: none is warmed ahead"
        if not self.added_kwh > 0.0:
            return f"{text}; it is too early, or of no use, to warm ahead"
        return f"{text}; warming ahead {ahead}"

    @property
    def loss_sentence(self) -> str:
        """What the coming day puts at stake, what the plan changes, and who is given up last."""
        unheated, held, planned = (
            sum(getattr(tree.loss, view) for tree in self.trees.values())
            for view in ("unheated", "held", "planned")
        )
        text = f"expected loss of fruit and wood: {unheated:.2f} {self.currency} unheated, {held:.2f} held"
        if self.added_kwh > 0.0:
            text += f", {planned:.2f} warmed ahead"
        if abs(self.risk_saves) >= 0.005:
            what = "saves" if self.risk_saves > 0.0 else "costs"
            text += f"; holding by risk {what} {abs(self.risk_saves):.2f}, heat and loss together"
        if self.last_given_up:
            last = self.trees[self.last_given_up[0]]
            text += (
                f"; any spare heat goes to {self.last_given_up[0]}, given up last: "
                f"{last.loss.planned:.2f} at stake for {last.lacks_w:.0f} W"
            )
        return text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """What a plan is made from."""

    site: Site
    now: datetime
    parameters: Parameters  # hold temperatures by risk included
    start: FloatArray
    inputs: Inputs
    margin_k: FloatArray  # by how much colder than expected they are, by slot
    milder_k: float  # by how much milder than expected it is outside now; NaN where no probe tells
    stepper: Stepper
    weather: Weather
    price: FloatArray  # of a kilowatt-hour, by slot
    held: Prediction
    risk: Held


def plan_of(
    site: Site,
    forecast: Forecast,
    latest_c: Mapping[str, float],
    now: datetime,
    parameters: Parameters | None = None,
    model_spread_k: FloatArray | None = None,
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
    model_spread_k
        How uncertain the model is at the end of each slot ahead [K]; left out, a usual one.
    """
    length_s = min(HORIZON_S, (forecast.ends_at - now).total_seconds())
    if not length_s >= SHORTEST_S:
        return None
    parameters = parameters_of(site) if parameters is None else parameters
    z = _z(site)
    view = _view(site, forecast, latest_c, now, parameters, length_s - length_s % SLOT_S, z, model_spread_k)
    if view is None:
        return None
    return _planned(view, forecast, z)


def _view(
    site: Site,
    forecast: Forecast,
    latest_c: Mapping[str, float],
    now: datetime,
    parameters: Parameters,
    horizon_s: float,
    z: float,
    model_spread_k: FloatArray | None,
) -> _View | None:
    """Return what comes by slot, looked at a little colder, and what holding every tree makes of it."""
    fine = inputs_of(forecast, site, parameters, now, horizon_s=horizon_s)
    start = starting_state(site, parameters, fine, latest_c)
    slots = slots_of(fine)
    margin = margin_k(slots, forecast, z, model_spread_k)
    inputs = colder(slots, margin)
    stepper = Stepper(parameters, SLOT_S)
    ends_s: FloatArray = inputs.start_s + SLOT_S * np.arange(1.0, inputs.steps + 1.0)
    weather = Weather(
        cloud_frac=np.interp(ends_s, forecast.at_s, careful_hours(forecast, parameters).cloud_frac),
        spread_k=margin_k(slots, forecast, 1.0, model_spread_k),
    )
    price = price_per_kwh_at(site, ends_s - 0.5 * SLOT_S)
    risk = held_by_risk(site, parameters, start, inputs, stepper, weather, price, now)
    held = predict(parameters, start, inputs, Heat.HELD, stepper=stepper, hold_c=risk.hold_c)
    # written so that NaN fails it
    if not (np.abs(held.states) < ABSURD_C).all() or not np.isfinite(price).all():
        return None
    return _View(
        site=site,
        now=now,
        parameters=parameters,
        start=start,
        inputs=inputs,
        margin_k=margin,
        milder_k=coldest_c(site.probes_of("outside"), latest_c) - float(slots.outside_temp_c[0]),
        stepper=stepper,
        weather=weather,
        price=price,
        held=held,
        risk=risk,
    )


def _planned(view: _View, forecast: Forecast, z: float) -> Plan:
    site, held, inputs = view.site, view.held, view.inputs
    at_stake = night_loss(site, held, view.weather, view.now)
    bust_k = view.milder_k if view.milder_k > BUST_K else 0.0
    power_w = held.string_w
    if not bust_k:
        power_w = warmed_ahead(site, view.parameters, inputs, held, view.stepper, view.price, at_stake.loss)
    planned, planned_stake = held, at_stake
    if (power_w != held.string_w).any():
        warmer = replace(inputs, string_w=power_w)
        given = predict(view.parameters, view.start, warmer, Heat.GIVEN, stepper=view.stepper)
        planned = replace(given, hold_c=held.hold_c, short=held.short)
        planned_stake = night_loss(site, planned, view.weather, view.now)
    free = predict(view.parameters, view.start, inputs, Heat.NONE, stepper=view.stepper)
    unheated = night_loss(site, free, view.weather, view.now, held=False)
    lift_w_per_k = view.parameters.fleece_loss_w_per_k + view.parameters.tree_soil_w_per_k
    # what holds it in a steady night at its lowest: the deficit over fleece and soil
    lacks_w = np.where(held.short.any(0), (held.hold_c - held.tree_min_c) * lift_w_per_k, 0.0)
    slot_kwh = SLOT_S / 3.6e6
    added_kwh = float((power_w - held.string_w).sum()) * slot_kwh
    stakes = [
        Loss(unheated=float(a), held=float(b), planned=float(c))
        for a, b, c in zip(unheated.loss, at_stake.loss, planned_stake.loss, strict=True)
    ]
    return Plan(
        made_at=view.now,
        trees={
            name: _tree_plan(view, i, planned.tree_temp_c[1:, i], power_w[:, i], float(lacks_w[i]), stakes[i])
            for i, name in enumerate(held.tree_names)
        },
        added_kwh=added_kwh,
        added_cost=float(((power_w - held.string_w).sum(1) * view.price).sum()) * slot_kwh,
        currency=site.tariff.currency,
        z=z,
        source=forecast.source,
        energy_kwh=float(power_w.sum()) * slot_kwh,
        cost=float((power_w.sum(1) * view.price).sum()) * slot_kwh,
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
        last_given_up=last_first(held.tree_names, planned_stake.loss, lacks_w),
        risk_saves=view.risk.saves,
        bust_k=bust_k if held.short.any() else 0.0,
    )


def _z(site: Site) -> float:
    """Return how many standard deviations colder than forecast to look: cost against loss, within limits.

    The cost is that of a whole night's heat on every string, the loss that of every crop.
    """
    night_kwh = sum(tree.power_w for tree in site.trees) * 14.0 / 1000.0
    crops = sum(tree.crop_value for tree in site.trees if tree.fruit_count)
    return min(margin_z(night_kwh * site.tariff.price_per_kwh, crops), LARGEST_Z)


def _tree_plan(
    view: _View, i: int, planned_c: FloatArray, power_w: FloatArray, lacks_w: float, loss: Loss
) -> TreePlan:
    tree, held = view.site.trees[i], view.held
    ahead = (power_w > held.string_w[:, i] + 1.0) & (planned_c > held.hold_c[i])
    tender_c = hold_at_c(tree, view.now, latitude_deg=view.site.place.latitude_deg)
    tender = tender_c > tree.hold_or_default_c
    short_s = float(held.short_from_s[i])
    short_from = utc_of(short_s) if math.isfinite(short_s) else None
    highest_c = float(held.hold_c[i]) + LARGEST_LIFT_K
    # to be reached in the weather expected, in which the same heat warms further
    warm_c = np.minimum(planned_c + view.margin_k, highest_c)
    floors = [
        float(floor_c) if early else (tender_c if tender else None)
        for floor_c, early in zip(warm_c, ahead, strict=True)
    ]
    why = "blossom or fruitlets hang" if tender else ""
    if ahead.any():
        why = "electricity gets dearer"
        if short_from is not None:
            why = TOO_SMALL
    return TreePlan(
        floor_c=tuple(floors),
        why=why,
        short_from=short_from,
        lacks_w=lacks_w,
        loss=loss,
        hold_c=float(view.risk.hold_c[i]) if tree.hold == "risk" else None,
    )
