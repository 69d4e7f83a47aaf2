"""A study: many winters of one climate, at a site as it is and changed in one way at a time.

Each tree is held by a plain rule on its true air, as the guard does it when nothing is wrong; what differs
between designs is the house, the fleece and the watts.  So it tells what to buy, not what a fault costs.
"""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from controller.crop.dose import FRUIT_ONSET_K, lost_share
from controller.site.handbook import CROPS, FleeceKind, GlazingKind
from controller.site.model import Site, Tree
from controller.site.price import bill_of, is_cheap_at
from simulator.kept import Kept, carried_on
from simulator.plant import Plant
from simulator.sky import Weather
from simulator.weather_files import WeatherYear, reference_year
from simulator.weather_years import WINTER_DAYS, read_year
from simulator.winters import another_year

# Steps while every tree is far above its hold temperature, and while one is not [s].
QUIET_STEP_S, STEP_S = 900.0, 120.0
QUIET_MARGIN_K = 4.0
BAND_K = 0.5
# The house forgets how it was set up in these days before a winter.
SPIN_UP = timedelta(days=6)
# Where winters are kept in a folder.
KEPT = "designs.jsonl"
# What is worth paying once for a yearly saving: five years of it (a rule of building-control studies).
YEARS_TO_PAY = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """One way a site could be: its name, what it changes in words, and the site."""

    name: str
    says: str
    site: Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Winter:
    """One winter of one design; ``hurt`` names the trees whose fruit froze."""

    design: str
    seed: int
    lost: float
    trees_hurt: int
    kwh: float
    cost: float
    outside_min_c: float
    hurt: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """What tells this winter from others."""
        return _key(self.design, self.seed)


def _key(design: str, seed: int) -> str:
    return f"{design}/{seed}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A design over all winters, money a winter.  ``worth_once`` is what a change may cost, against none."""

    design: str
    says: str
    winters: int
    winters_with_loss: int
    lost: float
    worst_lost: float
    kwh: float
    cost: float
    cents_per_fruit: float
    worth_once: float


def designs_of(site: Site) -> list[Design]:
    """Return the site as it is, and changed in one way at a time."""
    watts = {
        "half the watts": 0.5,
        "half as many watts again": 1.5,
    }
    designs = [Design(name="as it is", says="the site file", site=site)]
    designs += [
        Design(name=name, says=f"every string {share:g} times as strong", site=_trees(site, _powered(share)))
        for name, share in watts.items()
    ]
    designs += [
        Design(
            name="one more layer",
            says="one more layer of fleece on each tree",
            site=_trees(site, _layers(+1)),
        ),
        Design(name="one layer less", says="one layer of fleece less", site=_trees(site, _layers(-1))),
        Design(name="half a kelvin less", says="held half a kelvin colder", site=_trees(site, _held(-0.5))),
        Design(name="a kelvin more", says="held a kelvin warmer", site=_trees(site, _held(+1.0))),
    ]
    if site.house.glazing in {GlazingKind.SINGLE_GLASS, GlazingKind.SINGLE_FILM}:
        house = site.house.model_copy(update={"glazing": GlazingKind.DOUBLE_FILM})
        designs.append(
            Design(
                name="double film",
                says="a house of double film",
                site=site.model_copy(update={"house": house}),
            )
        )
    return designs


def _trees(site: Site, change: Callable[[Tree], Tree]) -> Site:
    return site.model_copy(update={"trees": tuple(change(tree) for tree in site.trees)})


def _powered(share: float) -> Callable[[Tree], Tree]:
    def change(tree: Tree) -> Tree:
        strings = tuple(s.model_copy(update={"power_w": s.power_w * share}) for s in tree.strings)
        return tree.model_copy(update={"strings": strings})

    return change


def _layers(more: int) -> Callable[[Tree], Tree]:
    def change(tree: Tree) -> Tree:
        layers = max(0, tree.fleece_layers + more) if tree.fleece is not FleeceKind.NONE else 0
        if layers == 0:
            return tree.model_copy(update={"fleece": FleeceKind.NONE})
        return tree.model_copy(update={"fleece_layers": layers})

    return change


def _held(more_k: float) -> Callable[[Tree], Tree]:
    return lambda tree: tree.model_copy(update={"hold_c": tree.hold_or_default_c + more_k})


def first_month(site: Site) -> int:
    """Return the month in which winters begin at a site."""
    return 10 if site.place.latitude_deg >= 0.0 else 4


# What a rule wants: which trees' strings are on, from the house, the weather and which are on now.
Rule = Callable[[Site, Plant, Weather, Sequence[bool]], list[bool]]


def held(site: Site, plant: Plant, weather: Weather, lit: Sequence[bool]) -> list[bool]:
    """Hold each tree's true air at its hold temperature."""
    del weather
    return [
        air <= tree.hold_or_default_c + (BAND_K if on else 0.0)
        for air, tree, on in zip(plant.tree_air_c, site.trees, lit, strict=True)
    ]


def winter_of(
    design: Design, year: WeatherYear, seed: int, *, days: int = WINTER_DAYS, rule: Rule = held
) -> Winter:
    """Return what one winter, or its first days, does to a design: trees heated by a rule.

    By the rule that holds trees, or by a rival's.
    """
    site = design.site
    begin = datetime(2026, first_month(site), 1, tzinfo=UTC)
    sky = year.sky(site.place, begin - SPIN_UP, begin + timedelta(days=days))
    plant = Plant(site, air_c=sky.at(begin - SPIN_UP).outside_temp_c)
    hold_c = [tree.hold_or_default_c for tree in site.trees]
    onset_c = [CROPS[tree.kind].fruit_damage_c + FRUIT_ONSET_K for tree in site.trees]
    heats, dose_k_h, coldest_c = [False] * len(hold_c), [0.0] * len(hold_c), [99.0] * len(hold_c)
    kwh, cheap_kwh, outside_min_c, at_s = 0.0, 0.0, 99.0, -SPIN_UP.total_seconds()
    first_s = sky.seconds(begin)
    while at_s < days * 86400.0:
        air_c = plant.tree_air_c
        quiet = all(air - hold > QUIET_MARGIN_K for air, hold in zip(air_c, hold_c, strict=True))
        dt_s = QUIET_STEP_S if quiet else STEP_S
        weather = sky.at_s(first_s + at_s + 0.5 * dt_s)
        heats = rule(site, plant, weather, heats)
        watts = [tree.power_w if on else 0.0 for tree, on in zip(site.trees, heats, strict=True)]
        plant.step(dt_s, weather, watts)
        at_s += dt_s
        if at_s > 0.0:
            kwh += sum(watts) * dt_s / 3.6e6
            if is_cheap_at(site, begin.timestamp() + at_s - 0.5 * dt_s):
                cheap_kwh += sum(watts) * dt_s / 3.6e6
            outside_min_c = min(outside_min_c, weather.outside_temp_c)
            for tree, fruit_c in enumerate(plant.fruit_c):
                coldest_c[tree] = min(coldest_c[tree], fruit_c)
                dose_k_h[tree] += max(0.0, onset_c[tree] - fruit_c) * dt_s / 3600.0
    hurt = [low < onset - FRUIT_ONSET_K for low, onset in zip(coldest_c, onset_c, strict=True)]
    lost = sum(
        float(lost_share(dose)) * tree.crop_value
        for dose, tree, is_hurt in zip(dose_k_h, site.trees, hurt, strict=True)
        if is_hurt
    )
    return Winter(
        design=design.name,
        seed=seed,
        lost=lost,
        trees_hurt=sum(hurt),
        kwh=kwh,
        cost=bill_of(site.tariff, kwh, cheap_kwh),
        outside_min_c=outside_min_c,
        hurt=tuple(tree.name for tree, is_hurt in zip(site.trees, hurt, strict=True) if is_hurt),
    )


def work_of(site: Site, weather: str) -> dict[str, str]:
    """Return what kept winters are of: the site and the climate, a file by what is in it."""
    climate = weather if weather.isdecimal() else hashlib.sha256(Path(weather).read_bytes()).hexdigest()
    return {"site": hashlib.sha256(site.model_dump_json().encode()).hexdigest(), "weather": climate}


def study(
    site: Site, weather: str, winters: int, *, processes: int | None = None, keep: Path | None = None
) -> Iterator[Winter]:
    """Yield each winter of each design as it is done.

    Parameters
    ----------
    site, weather
        Where; and the climate, a German reference year's number or a weather file.
    winters
        How many winters of that climate.
    processes
        How many at a time; left out, one for each processor.
    keep
        A folder in which winters are kept as they come; those kept there already are not played again.

    Raises
    ------
    RehearsalError
        The folder is of another program, site or weather.
    """
    jobs = {
        _key(design.name, seed): (design, weather, seed)
        for seed in range(1, winters + 1)
        for design in designs_of(site)
    }
    kept = Kept(keep / KEPT, Winter, work_of(site, weather)) if keep is not None else None
    return carried_on(jobs, _one, kept, processes=processes)


def _one(job: tuple[Design, str, int]) -> Winter:
    design, weather, seed = job
    year = reference_year(int(weather)) if weather.isdecimal() else read_year(Path(weather))
    return winter_of(design, another_year(year, seed), seed)


def verdicts_of(site: Site, winters: Sequence[Winter]) -> list[Verdict]:
    """Return each design's verdict; the site as it is first, then what is worth most."""
    fruits = max(1, sum(tree.fruit_count for tree in site.trees))
    base = [winter for winter in winters if winter.design == "as it is"]
    base_money = sum(winter.lost + winter.cost for winter in base) / len(base)
    verdicts = []
    for design in designs_of(site):
        own = [winter for winter in winters if winter.design == design.name]
        count = len(own)
        lost, cost = (sum(getattr(w, name) for w in own) / count for name in ("lost", "cost"))
        verdicts.append(
            Verdict(
                design=design.name,
                says=design.says,
                winters=count,
                winters_with_loss=sum(winter.trees_hurt > 0 for winter in own),
                lost=round(lost, 2),
                worst_lost=round(max(winter.lost for winter in own), 2),
                kwh=round(sum(winter.kwh for winter in own) / count, 1),
                cost=round(cost, 2),
                cents_per_fruit=round(100.0 * cost / fruits, 2),
                worth_once=round(YEARS_TO_PAY * (base_money - lost - cost), 2),
            )
        )
    return [verdicts[0], *sorted(verdicts[1:], key=lambda verdict: -verdict.worth_once)]


def study_text(verdicts: Sequence[Verdict], currency: str) -> str:
    """Return the verdicts as a grower reads them."""
    lines = [f"{verdicts[0].winters} winters of this climate; {currency} a winter", ""]
    head = ("lost", "worst", "winters", "kWh", "costs", "ct/fruit", "may cost")
    lines.append(f"{'design':26}" + "".join(f"{word:>10}" for word in head))
    for each in verdicts:
        share = f"{each.winters_with_loss}/{each.winters}"
        worth = f"{each.worth_once:.0f}" if each is not verdicts[0] else ""
        lines.append(
            f"{each.design:26}{each.lost:10.2f}{each.worst_lost:10.2f}{share:>10}{each.kwh:10.1f}"
            f"{each.cost:10.2f}{each.cents_per_fruit:10.2f}{worth:>10}  {each.says}"
        )
    best = verdicts[1]
    lines.append("")
    if best.worth_once > 0.0:
        lines.append(
            f"Look first at: {best.says}. It may cost up to {best.worth_once:.0f} {currency} once, "
            f"{YEARS_TO_PAY:g} years of what it saves."
        )
    else:
        lines.append("Nothing here saves money against the site as it is.")
    lines.append(
        "'winters' counts those in which any fruit froze; every tree is held as far as its strings can."
    )
    return "\n".join(lines)
