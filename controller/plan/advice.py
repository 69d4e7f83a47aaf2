"""Advice for hands: what only people can do before and after a night, each with a time and a reason.

Few and dated.  Advice is made anew from each forecast; what is no longer true is simply no longer there.  The
habits behind it (cover one to two hours before sunset, shut vents to keep the afternoon's warmth, fleece dry,
strings looked at by day, fleece off once it is above 0 °C outside and above about 10 °C underneath) are
common extension practice.  No probe sees a fleece: what people say was done is not asked for again.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypedDict
from zoneinfo import ZoneInfo

import numpy as np

from controller.crop.limits import hold_at_c
from controller.crop.season import Stage, stages_at
from controller.physics import FloatArray
from controller.plan.outlook import starting_state
from controller.plan.plan import Plan
from controller.plan.slots import SLOT_S, colder, margin_k, slots_of, utc_of
from controller.site.model import Site
from controller.site.work import EVERYWHERE, NOTHING_DONE, Done, Work
from controller.thermal.inputs import inputs_of
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import Heat, predict
from controller.thermal.sunlight import sun_altitude_deg
from controller.weather.forecast import Forecast

HORIZON_S = 36 * 3600.0
SHORTEST_S = 12 * 3600.0
# Advice looks at a night one standard deviation colder than forecast: own choice.
MARGIN_Z = 1.0
# Sun below this is down [°]: its radius and refraction.
SUNSET_DEG = -0.83
# Before sunset: cover 1-2 h, shut vents while the house is still warm, look at strings by daylight [h].
COVER_H, SHUT_H, CHECK_H, DRY_H = 1.5, 2.5, 3.0, 4.0
# A bare tree that comes this near to its hold temperature is covered [K].
COVER_NEAR_K = 1.0
# Outside this cold, strings are worth a look beforehand [°C].
CHECK_BELOW_C = -2.0
# Air this close to its dew point through the day leaves fleece damp [K]; own choice, about 90 % humidity.
DAMP_K = 1.5
# Fleece comes off above this outside and underneath [°C].
OFF_OUTSIDE_C, OFF_UNDER_C = 0.0, 10.0
# Under fleece in the sun it is too hot above this [°C]: vents open at 30, strings are cut at 35.
HOT_UNDER_C = 25.0
# Dew forms inside a fleece while the air under it is this much warmer than the house's [K]: air of 95 %
# humidity on cloth half way between the two (own assumption); so many hours of it leave it wet [h].
DEW_K, WET_AFTER_H = 1.5, 4.0
# Later after sunrise than this it is not worth taking off [s].
MORNING_S = 5 * 3600.0
# Doors are opened before the unvented house reaches this [°C]; growth stops at about 35 (NSW DPI).
HOT_HOUSE_C, SCORCHING_C = 28.0, 35.0


class Task(StrEnum):
    """What there is to do."""

    OPEN = "open"
    HARVEST = "harvest"
    DRY = "dry"
    CHECK = "check"
    SHUT = "shut"
    COVER = "cover"
    UNCOVER = "uncover"
    KEEP = "keep covered"
    NOTHING = "nothing"


# What readings speak against, and why, by what it asks of hands and the tree.
Doubts = Mapping[tuple[Task, str], str]
NO_DOUBTS: Doubts = {}
_LOOK_AT = {
    Task.COVER: "look at the fleece of {}",
    Task.DRY: "change or dry the fleece of {}",
    Task.CHECK: "look at the strings of {}",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to do, until when, and why.

    ``names`` are the trees it is for (``EVERYWHERE`` for doors and vents), and ``until`` is the work which
    ends the advice once somebody says that it was done there; with ``given`` it is only for trees of which
    somebody says that.  ``wording`` may hold the trees as ``{}``.
    """

    task: Task
    by: datetime
    wording: str
    because: str
    names: tuple[str, ...] = ()
    every_tree: bool = False
    until: Work | None = None
    given: Work | None = None

    @property
    def what(self) -> str:
        """What is to be done, and to which trees."""
        listed = " and ".join(filter(None, [", ".join(self.names[:-1]), *self.names[-1:]]))
        return self.wording.format("every tree" if self.every_tree else listed)

    def remaining(self, done: Done) -> "Advice | None":
        """Return what of it is still to be done; None where nothing is."""
        if self.until is None:
            return self
        left = tuple(
            name
            for name in self.names
            if (self.until, name) not in done and (self.given is None or (self.given, name) in done)
        )
        if not left:
            return None
        return replace(self, names=left, every_tree=self.every_tree and left == self.names)

    def sentence(self, site: Site, now: datetime) -> str:
        """Return the advice as a grower reads it, in the site's local time."""
        if self.task is Task.NOTHING:
            return f"{self.what}: {self.because}"
        zone = ZoneInfo(site.place.time_zone)
        local = self.by.astimezone(zone)
        day = "" if local.date() == now.astimezone(zone).date() else f"{local:%A} "
        when = "at once" if self.by <= now else f"by {day}{local:%H:%M}"
        if self.task is Task.KEEP or (self.task is Task.UNCOVER and self.given is None):
            when = f"from {day}{local:%H:%M}" if self.task is Task.UNCOVER else f"through {local:%A}"
        return f"{self.what}, {when}: {self.because}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Day:
    """The coming day and night by slot, looked at a little colder than forecast."""

    site: Site
    now: datetime
    sunset: datetime
    sunrise: datetime
    at: FloatArray  # UTC seconds, end of each slot
    outside_c: FloatArray
    damp_k: FloatArray
    house_c: FloatArray  # shut and unheated
    bare_c: FloatArray  # (K, N) trees without fleece and heat
    held_c: FloatArray  # (K, N) covered and held
    heat_kwh: float

    def is_tonight(self) -> np.ndarray:
        return (self.at <= self.sunrise.timestamp() + 3600.0) & (self.at >= self.now.timestamp())


def advise(
    site: Site,
    forecast: Forecast,
    plan: Plan | None,
    latest_c: Mapping[str, float],
    now: datetime,
    done: Done = NOTHING_DONE,
    doubts: Doubts = NO_DOUBTS,
) -> tuple[Advice, ...]:
    """Return what hands should do about the coming night and day, in the order of time.

    Parameters
    ----------
    site, forecast, now
        What stands there, what is expected (24 h at least), the present.
    plan
        The plan, which says what cannot be held; None where there is none.
    latest_c
        What each probe last said [°C].
    done
        What people say was done, and is not asked for again.
    doubts
        What readings speak against, whatever people say; a reason for each task and tree.
    """
    day = _day(site, forecast, latest_c, now)
    if day is None:
        return ()
    found = [*_doubted(day, doubts), *_before_night(day, plan), *_by_day(day), *_in_the_sun(day)]
    found = sorted(found, key=lambda each: each.by)
    left = tuple(rest for each in found if (rest := each.remaining(done)) is not None)
    return left or (_nothing(day, more=bool(found)),)


def _doubted(day: _Day, doubts: Doubts) -> Iterator[Advice]:
    """Ask to look at what readings speak against; no word ends it, only other readings do."""
    for (task, tree), because in doubts.items():
        yield Advice(task=task, by=day.now, wording=_LOOK_AT[task], because=because, names=(tree,))


def _before_night(day: _Day, plan: Plan | None) -> Iterator[Advice]:
    tonight = day.is_tonight()
    bare_min_c = day.bare_c[tonight].min(0)
    hold_c = [hold_at_c(t, day.now, latitude_deg=day.site.place.latitude_deg) for t in day.site.trees]
    cold = [
        tree.name
        for tree, bare_c, held_c in zip(day.site.trees, bare_min_c, hold_c, strict=True)
        if bare_c < held_c + COVER_NEAR_K
    ]
    if not cold:
        return
    outside_c, house_c = float(day.outside_c[tonight].min()), float(day.house_c[tonight].min())
    kept = "the afternoon's" if day.now < day.sunset else "what is left of the day's"
    yield Advice(
        task=Task.COVER,
        by=day.sunset - timedelta(hours=COVER_H),
        wording="cover {}, fleece down to the ground",
        because=f"{outside_c:.0f} °C is possible outside, {bare_min_c.min():.0f} °C round a bare tree",
        **_for(cold, day.site, Work.COVERED),
    )
    yield Advice(
        task=Task.SHUT,
        by=day.sunset - timedelta(hours=SHUT_H),
        wording="shut doors and vents",
        because=f"the house keeps {kept} warmth; it may fall to {house_c:.0f} °C",
        names=(EVERYWHERE,),
        until=Work.VENTS_SHUT,
    )
    if outside_c < CHECK_BELOW_C and day.heat_kwh > 0.0:
        yield Advice(
            task=Task.CHECK,
            by=day.sunset - timedelta(hours=CHECK_H),
            wording="see that every string lights",
            because=f"they will be needed for about {day.heat_kwh:.1f} kWh until morning",
        )
    before = day.at <= day.sunset.timestamp()
    if before.any() and float(day.damp_k[before].mean()) < DAMP_K:
        yield Advice(
            task=Task.DRY,
            by=day.sunset - timedelta(hours=DRY_H),
            wording="hang the fleece to dry, or take the spare set",
            because="the day is damp, and wet fleece chills what it covers",
            **_for(cold, day.site, Work.COVERED),
        )
    yield from _harvest(day, plan)


def _harvest(day: _Day, plan: Plan | None) -> Iterator[Advice]:
    lost = []
    for tree in day.site.trees:
        planned = plan.trees[tree.name] if plan else None
        stages = stages_at(
            tree.kind,
            day.now,
            latitude_deg=day.site.place.latitude_deg,
            later_days=tree.season_later_days,
        )
        ripe = tree.fruit_count > 0 and (Stage.RIPE in stages or Stage.HALF_RIPE in stages)
        if ripe and planned and planned.short_from and planned.short_from <= day.sunrise:
            lost.append((tree.name, planned.lacks_w))
    if lost:
        yield Advice(
            task=Task.HARVEST,
            by=day.sunset,
            wording="harvest what is ripe on {}",
            because=f"the strings lack up to {max(watts for _, watts in lost):.0f} W on this night",
            **_for([name for name, _ in lost], day.site, Work.HARVESTED),
        )


def _by_day(day: _Day) -> Iterator[Advice]:
    hot = np.flatnonzero(day.house_c > HOT_HOUSE_C)
    if hot.size:
        peak_c = float(day.house_c.max())
        scorch = ", which scorches leaves and drops fruitlets" if peak_c > SCORCHING_C else ""
        yield Advice(
            task=Task.OPEN,
            by=utc_of(day.at[hot[0]]) - timedelta(hours=1),
            wording="open doors and vents",
            because=f"shut, the house would reach {peak_c:.0f} °C{scorch}",
        )
    covered = bool((day.bare_c[day.is_tonight()].min(0) < COVER_NEAR_K + 1.0).any())
    if not covered:
        return
    every = _for([tree.name for tree in day.site.trees], day.site, Work.UNCOVERED)
    morning = (day.at > day.sunrise.timestamp()) & (day.at <= day.sunrise.timestamp() + MORNING_S)
    warm = np.flatnonzero(morning & (day.outside_c > OFF_OUTSIDE_C) & (day.held_c.min(1) > OFF_UNDER_C))
    if warm.size:
        at = utc_of(day.at[warm[0]])
        dew_h = _dew_h(day)
        yield Advice(
            task=Task.UNCOVER,
            by=at,
            wording="take the fleece off" + (" and hang it to dry" if dew_h > WET_AFTER_H else ""),
            because=f"{day.held_c[warm[0]].min():.0f} °C underneath, {day.outside_c[warm[0]]:.0f} °C outside"
            + ("; dew will have formed inside it" if dew_h > WET_AFTER_H else ""),
            **every,
        )
    elif day.at[-1] > day.sunrise.timestamp() + MORNING_S:
        yield Advice(
            task=Task.KEEP,
            by=day.sunrise,
            wording="leave the fleece on",
            because=f"it stays below {OFF_UNDER_C:.0f} °C underneath through the morning",
            **every,
        )


def _dew_h(day: _Day) -> float:
    """Return for how long dew forms inside some fleece in the night [h]."""
    tonight = day.is_tonight() & (day.at > day.sunset.timestamp())
    warmer = (day.held_c[tonight] - day.house_c[tonight, np.newaxis] > DEW_K).any(1)
    return float(warmer.sum()) * SLOT_S / 3600.0


def _in_the_sun(day: _Day) -> Iterator[Advice]:
    """Uncover trees that people say are covered before the sun makes it hot under the fleece today."""
    today = day.at <= day.sunset.timestamp()
    hot = np.flatnonzero(today & (day.held_c.max(1) > HOT_UNDER_C) & (day.outside_c > OFF_OUTSIDE_C))
    if hot.size:
        yield Advice(
            task=Task.UNCOVER,
            by=max(day.now, utc_of(day.at[hot[0]]) - timedelta(hours=1)),
            wording="take the fleece off {}",
            because=f"in the sun it would reach {day.held_c[today].max():.0f} °C underneath",
            given=Work.COVERED,
            **_for([tree.name for tree in day.site.trees], day.site, Work.UNCOVERED),
        )


def _nothing(day: _Day, *, more: bool) -> Advice:
    tonight = day.is_tonight()
    return Advice(
        task=Task.NOTHING,
        by=day.now,
        wording=f"tonight needs nothing{' more' if more else ''}",
        because=f"not below {day.outside_c[tonight].min():.0f} °C outside, "
        f"{day.bare_c[tonight].min():.0f} °C round the trees",
    )


def _day(site: Site, forecast: Forecast, latest_c: Mapping[str, float], now: datetime) -> _Day | None:
    length_s = min(HORIZON_S, (forecast.ends_at - now).total_seconds())
    if not length_s >= SHORTEST_S:
        return None
    parameters = parameters_of(site)
    horizon_s = length_s - length_s % SLOT_S
    sunset, sunrise = _sunset_and_sunrise(site, now)
    views = []
    for fleece_on in (False, True):
        fine = inputs_of(forecast, site, parameters, now, horizon_s=horizon_s, fleece_on=fleece_on)
        slots = slots_of(fine)
        inputs = colder(slots, margin_k(slots, forecast, MARGIN_Z))
        start = starting_state(site, parameters, fine, latest_c)
        views.append(predict(parameters, start, inputs, Heat.HELD if fleece_on else Heat.NONE))
    bare, held = views
    if not np.isfinite(bare.house_temp_c).all():
        return None
    tonight = held.at_s[1:] <= sunrise.timestamp() + 3600.0
    dew_c = np.interp(held.at_s[1:], forecast.at_s, np.nan_to_num(forecast.dew_point_c, nan=-99.0))
    return _Day(
        site=site,
        now=now,
        sunset=sunset,
        sunrise=sunrise,
        at=bare.at_s[1:],
        outside_c=inputs.outside_temp_c,
        damp_k=np.interp(held.at_s[1:], forecast.at_s, forecast.outside_temp_c) - dew_c,
        house_c=bare.house_temp_c[1:],
        bare_c=bare.tree_temp_c[1:],
        held_c=held.tree_temp_c[1:],
        heat_kwh=float(held.string_w[tonight].sum()) * SLOT_S / 3.6e6,
    )


def _sunset_and_sunrise(site: Site, now: datetime) -> tuple[datetime, datetime]:
    """Return the sunset before the coming or present night, and the sunrise after it."""
    at_s = now.timestamp() + 300.0 * np.arange(-288, 2 * 288)
    up = sun_altitude_deg(at_s, site.place.latitude_deg, site.place.longitude_deg) > SUNSET_DEG
    sets, rises = at_s[1:][up[:-1] & ~up[1:]], at_s[1:][~up[:-1] & up[1:]]
    rises = rises[rises > now.timestamp()]
    if not sets.size or not rises.size:  # polar day or night: the clock stands for the sun
        return now, now + timedelta(hours=12)
    is_day = bool(up[288])
    sunset_s = sets[sets > now.timestamp()][0] if is_day else sets[sets <= now.timestamp()][-1]
    return utc_of(sunset_s), utc_of(rises[rises > sunset_s][0])


class _For(TypedDict):
    names: tuple[str, ...]
    every_tree: bool
    until: Work


def _for(names: list[str], site: Site, until: Work) -> _For:
    """Return what an advice is for, and the work that ends it."""
    return {"names": tuple(names), "every_tree": len(names) == len(site.trees) > 1, "until": until}
