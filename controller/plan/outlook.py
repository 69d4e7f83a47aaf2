"""The coming night in numbers: how cold, when heat will be needed, and what it will cost."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from controller.physics import FloatArray
from controller.plan.loss import Stake, stake_of
from controller.plan.slots import SLOT_S, utc_of
from controller.site.model import Probe, Site
from controller.site.tariff import price_per_kwh_at
from controller.thermal.inputs import HORIZON_S, STEP_S, Inputs, inputs_of
from controller.thermal.parameters import Parameters, parameters_of
from controller.thermal.predict import J_PER_KWH, Heat, Prediction, first_finite, initial_state, predict
from controller.weather.forecast import Forecast

# A forecast that ends sooner says too little of a night to speak of it.
SHORTEST_S = 6 * 3600.0
# The hours that pages draw stand this far apart.
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeOutlook:
    """What is to be expected for one tree, without heat ("free") and with it held."""

    name: str
    free_air_min_c: float
    free_fruit_min_c: float
    held_air_min_c: float
    heat_from: datetime | None
    heat_until: datetime | None
    energy_kwh: float
    short_of_heat: bool
    # expected share of its fruit lost within a day, with heat and without
    loss_share: float
    free_loss_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookHours:
    """The coming hours one by one, for pictures; ``tree`` is the one with the least to spare.

    Temperatures [°C] are those at the beginning of each hour, energies [kWh] those of the whole hour, for
    that tree and for all.  ``outside_spread_k`` is one standard deviation of the outside temperature, empty
    where nobody gives one.
    """

    starts_at: datetime
    outside_c: tuple[float, ...]
    outside_spread_k: tuple[float, ...]
    house_c: tuple[float, ...]
    tree: str
    free_air_c: tuple[float, ...]
    held_air_c: tuple[float, ...]
    tree_heat_kwh: tuple[float, ...]
    heat_kwh: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is to be expected over the coming hours."""

    made_at: datetime
    ends_at: datetime
    source: str
    attribution: str
    outside_min_c: float
    outside_min_at: datetime
    house_min_c: float
    trees: tuple[TreeOutlook, ...]
    energy_kwh: float
    cost: float
    currency: str
    remark: str = ""
    hours: OutlookHours | None = None

    @property
    def sentence(self) -> str:
        """The outlook as a grower reads it, with what is to be known about the forecast behind it."""
        return f"{self._numbers} ({self.remark})" if self.remark else self._numbers

    @property
    def _numbers(self) -> str:
        text = (
            f"down to {self.outside_min_c:.1f} °C outside at {self.outside_min_at:%a %H:%M} UTC and "
            f"{self.house_min_c:.1f} °C in the house ({self.source})"
        )
        heated = [tree for tree in self.trees if tree.heat_from is not None]
        if not heated:
            return f"{text}: no tree needs heat"
        begins = min(tree.heat_from for tree in heated if tree.heat_from)
        ends = max(tree.heat_until for tree in heated if tree.heat_until)
        text += (
            f": {len(heated)} of {len(self.trees)} trees need heat between {begins:%a %H:%M} UTC and "
            f"{ends:%a %H:%M} UTC, about {self.energy_kwh:.1f} kWh ({self.cost:.2f} {self.currency})"
        )
        short = [tree.name for tree in self.trees if tree.short_of_heat]
        return f"{text}; the strings are too small for: {', '.join(short)}" if short else text


def outlook_of(
    site: Site,
    forecast: Forecast,
    latest_c: Mapping[str, float],
    now: datetime,
    *,
    parameters: Parameters | None = None,
) -> Outlook | None:
    """Return what to expect until the forecast's end, 48 h at most; None where it does not cover 6 h.

    Parameters
    ----------
    site
        The site; its trees are taken to be covered and its vents shut, as they should be on a cold night.
    forecast
        Hourly weather.
    latest_c
        What each probe last said [°C].
    now
        The present.
    parameters
        What is known of the house; left out, what the handbook says of its materials.
    """
    length_s = min(HORIZON_S, (forecast.ends_at - now).total_seconds())
    if not length_s >= SHORTEST_S:
        return None
    parameters = parameters_of(site) if parameters is None else parameters
    inputs = inputs_of(forecast, site, parameters, now, horizon_s=length_s - length_s % SLOT_S)
    start = starting_state(site, parameters, inputs, latest_c)
    free = predict(parameters, start, inputs, Heat.NONE)
    held = predict(parameters, start, inputs, Heat.HELD)
    if not np.isfinite(free.house_temp_c).all():
        return None
    lowest = int(np.argmin(inputs.outside_temp_c))
    energy_kwh = float(held.energy_kwh.sum())
    stake = stake_of(site, forecast, parameters, start, inputs, now)
    return Outlook(
        made_at=now,
        ends_at=utc_of(free.at_s[-1]),
        source=forecast.source,
        attribution=forecast.attribution,
        outside_min_c=float(inputs.outside_temp_c[lowest]),
        outside_min_at=utc_of(free.at_s[lowest]),
        house_min_c=float(free.house_min_c),
        trees=tuple(_tree_outlook(i, free, held, stake) for i in range(len(site.trees))),
        energy_kwh=energy_kwh,
        cost=float((held.string_w.sum(1) * price_per_kwh_at(site, held.at_s[:-1])).sum())
        * (held.step_s / J_PER_KWH),
        currency=site.tariff.currency,
        remark=forecast.remark,
        hours=_hours(forecast, inputs.outside_temp_c, free, held),
    )


def starting_state(
    site: Site, parameters: Parameters, inputs: Inputs, latest_c: Mapping[str, float]
) -> FloatArray:
    """Return the state that a prediction starts from: what the probes last said, else the forecast."""
    return initial_state(
        parameters,
        house_temp_c=coldest_c(site.probes_of("house"), latest_c),
        outside_temp_c=first_finite(
            coldest_c(site.probes_of("outside"), latest_c), float(inputs.outside_temp_c[0])
        ),
        tree_temp_c=[min(_known(tree.probes, latest_c), default=np.nan) for tree in site.trees],
        deep_temp_c=float(inputs.deep_temp_c[0]),
    )


def _hours(forecast: Forecast, outside_c: FloatArray, free: Prediction, held: Prediction) -> OutlookHours:
    steps = round(HOUR_S / STEP_S)
    each, hours = slice(0, None, steps), np.arange(0, held.string_w.shape[0], steps)
    heat_kwh = np.add.reduceat(held.string_w * (held.step_s / J_PER_KWH), hours, axis=0)
    weakest = int(np.argmin(held.tree_min_c - held.hold_c + 1e-3 * free.tree_min_c))
    spread_k = forecast.spread_k
    if spread_k is not None and not np.isfinite(spread_k).all():
        spread_k = None
    return OutlookHours(
        starts_at=utc_of(free.at_s[0]),
        outside_c=_tenths(outside_c[each]),
        outside_spread_k=()
        if spread_k is None
        else _tenths(np.interp(free.at_s[:-1][each], forecast.at_s, spread_k)),
        house_c=_tenths(held.house_temp_c[:-1][each]),
        tree=free.tree_names[weakest],
        free_air_c=_tenths(free.tree_temp_c[:-1, weakest][each]),
        held_air_c=_tenths(held.tree_temp_c[:-1, weakest][each]),
        tree_heat_kwh=tuple(heat_kwh[:, weakest].round(3).tolist()),
        heat_kwh=tuple(heat_kwh.sum(axis=1).round(3).tolist()),
    )


def _tenths(temps_c: FloatArray) -> tuple[float, ...]:
    return tuple(temps_c.round(1).tolist())


def _tree_outlook(i: int, free: Prediction, held: Prediction, stake: Stake) -> TreeOutlook:
    first_s, last_s = float(held.first_heat_s[i]), float(held.last_heat_s[i])
    needed = np.isfinite(first_s)
    return TreeOutlook(
        name=free.tree_names[i],
        free_air_min_c=float(free.tree_min_c[i]),
        free_fruit_min_c=float(free.fruit_min_c[i]),
        held_air_min_c=float(held.tree_min_c[i]),
        heat_from=utc_of(first_s) if needed else None,
        heat_until=utc_of(last_s) if needed else None,
        energy_kwh=float(held.energy_kwh[i]),
        short_of_heat=bool(held.short_of_heat[i]),
        loss_share=stake.held[free.tree_names[i]],
        free_loss_share=stake.free[free.tree_names[i]],
    )


def _known(names: Iterable[str], latest_c: Mapping[str, float]) -> list[float]:
    return [latest_c[name] for name in names if np.isfinite(latest_c.get(name, np.nan))]


def coldest_c(probes: Iterable[Probe], latest_c: Mapping[str, float]) -> float:
    """Return the coldest that probes last said [°C]; NaN where none tells."""
    return min(_known((probe.name for probe in probes), latest_c), default=np.nan)
