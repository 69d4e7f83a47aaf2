"""Whole winters with the real controller, nothing broken, beside simpler ways to heat the same trees.

The controller is played as in any rehearsal: boards, probes, messages, forecasts.  The others are rules on
the same simulated house in the same weather; they know true temperatures, which no probe tells them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from controller.site.handbook import CROPS
from controller.site.model import Site
from controller.site.price import bill_of
from simulator.kept import Kept, carried_on
from simulator.night import FileWeather, ForecastFault, Night, ReferenceWeather
from simulator.plant import Plant
from simulator.rehearsal import Rehearsal
from simulator.sky import Weather
from simulator.study import BAND_K, Design, Rule, Winter, first_month, winter_of, work_of
from simulator.weather_files import reference_year
from simulator.weather_years import WINTER_DAYS, read_year
from simulator.winters import another_year

# Where winters are kept in a folder.
KEPT = "winters.jsonl"
OURS, ORACLE, FORESIGHT = "Rimeward", "on below 2 °C outside", "perfect foresight"
# A plain thermostat, and every string on whenever it is nearly freezing outside (common practice, no source).
THERMOSTAT_C, OUTSIDE_C = 0.0, 2.0
# Who knows the true fruit and the winter holds it the least of these above its damage that loses nothing [K].
FORESIGHT_K, FORESIGHT_BAND_K = (0.3, 0.6, 1.0, 1.5), 0.2
# A forecast as good as those of a coast: as in the winter that is rehearsed.
FORECAST = ForecastFault(bias_k=0.3, noise_k=0.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lived:
    """One winter: what became of it by each rule.

    ``avoidable`` are trees lost by the controller that stay whole with every string on when it is below 2 °C
    outside; ``unjustified_off`` is the auditor's count.
    """

    seed: int
    by: dict[str, Winter]
    unjustified_off: int
    avoidable: tuple[str, ...]

    @property
    def key(self) -> str:
        """What tells this winter from others."""
        return str(self.seed)


def thermostat(site: Site, plant: Plant, weather: Weather, lit: Sequence[bool]) -> list[bool]:
    """Heat each tree whose true air is at 0 °C or below."""
    del site, weather
    return [
        air <= THERMOSTAT_C + (BAND_K if on else 0.0) for air, on in zip(plant.tree_air_c, lit, strict=True)
    ]


def on_when_cold(site: Site, plant: Plant, weather: Weather, lit: Sequence[bool]) -> list[bool]:
    """Heat every tree while it is nearly freezing outside."""
    del site, plant
    return [weather.outside_temp_c <= OUTSIDE_C] * len(lit)


def held_above(margin_k: float) -> Rule:
    """Return the rule that keeps each tree's true fruit so far above its damage, and no warmer."""

    def rule(site: Site, plant: Plant, weather: Weather, lit: Sequence[bool]) -> list[bool]:
        del weather
        return [
            fruit <= CROPS[tree.kind].fruit_damage_c + margin_k + (FORESIGHT_BAND_K if on else 0.0)
            for fruit, tree, on in zip(plant.fruit_c, site.trees, lit, strict=True)
        ]

    return rule


def nothing(site: Site, plant: Plant, weather: Weather, lit: Sequence[bool]) -> list[bool]:
    """Leave the trees to their fleece."""
    del site, plant, weather
    return [False] * len(lit)


RIVALS: dict[str, Rule] = {
    "plain thermostat, 0 °C": thermostat,
    ORACLE: on_when_cold,
    "fleece only": nothing,
}


def lived_winter(site: Site, weather: str, seed: int, *, days: int = WINTER_DAYS) -> Lived:
    """Return one winter of a climate, or its first days, by the controller and by the rivals."""
    climate = (
        ReferenceWeather(kind="reference-year", region=int(weather), another_year=True)
        if weather.isdecimal()
        else FileWeather(kind="year-file", file=weather, another_year=True)
    )
    night = Night(
        title="a winter",
        says="one of many",
        site=site.name,
        start=datetime(2026, first_month(site), 1),  # noqa: DTZ001 (a night begins by the site's own clock)
        hours=days * 24.0,
        weather=climate,
        forecast=FORECAST,
    )
    run = Rehearsal("winters", night, seed, site=site, with_forecast=True).run()
    record = run.world.record
    hurt = tuple(tree.name for tree in record.trees if tree.is_damaged)
    values = {tree.name: tree.crop_value for tree in site.trees}
    ours = Winter(
        design=OURS,
        seed=seed,
        lost=sum(tree.lost_share * values[tree.name] for tree in record.trees if tree.is_damaged),
        trees_hurt=len(hurt),
        kwh=record.kwh,
        cost=bill_of(site.tariff, record.kwh, record.cheap_kwh),
        outside_min_c=record.outside_min_c,
        hurt=hurt,
    )
    year = reference_year(int(weather)) if weather.isdecimal() else read_year(Path(weather))
    other = another_year(year, seed)

    def by_rule(name: str, rule: Rule) -> Winter:
        return winter_of(Design(name=name, says=name, site=site), other, seed, days=days, rule=rule)

    by = {OURS: ours} | {name: by_rule(name, rule) for name, rule in RIVALS.items()}
    for margin_k in FORESIGHT_K:
        by[FORESIGHT] = by_rule(FORESIGHT, held_above(margin_k))
        if set(by[FORESIGHT].hurt) <= set(by[ORACLE].hurt):
            break
    return Lived(
        seed=seed,
        by=by,
        unjustified_off=run.auditor.unjustified_off,
        avoidable=tuple(name for name in hurt if name not in by[ORACLE].hurt),
    )


def live(
    site: Site, weather: str, winters: int, *, processes: int | None = None, keep: Path | None = None
) -> Iterator[Lived]:
    """Yield winters as they are done, ``processes`` at a time; left out, one for each processor.

    In a folder ``keep`` they are kept as they come, and those kept there already are not played again.

    Raises
    ------
    RehearsalError
        The folder is of another program, site or weather.
    """
    jobs = {str(seed): (site, weather, seed) for seed in range(1, winters + 1)}
    kept = Kept(keep / KEPT, Lived, work_of(site, weather)) if keep is not None else None
    return carried_on(jobs, _one, kept, processes=processes)


def _one(job: tuple[Site, str, int]) -> Lived:
    return lived_winter(*job)


def lived_text(site: Site, lived: Sequence[Lived]) -> str:
    """Return winters as a grower reads them."""
    fruits, count = max(1, sum(tree.fruit_count for tree in site.trees)), len(lived)
    lines = [
        f"{count} winters, {len(site.trees)} trees, nothing broken; {site.tariff.currency} a winter",
        "",
        f"{'':26}"
        + "".join(f"{word:>10}" for word in ("lost", "worst", "winters", "kWh", "costs", "ct/fruit")),
    ]
    for name in lived[0].by:
        own = [winter.by[name] for winter in lived]
        kwh, cost, lost = (sum(getattr(w, field) for w in own) / count for field in ("kwh", "cost", "lost"))
        share = f"{sum(w.trees_hurt > 0 for w in own)}/{count}"
        lines.append(
            f"{name:26}{lost:10.2f}{max(w.lost for w in own):10.2f}{share:>10}{kwh:10.1f}{cost:10.2f}"
            f"{100.0 * cost / fruits:10.2f}"
        )
    avoidable = [f"winter {each.seed}: {', '.join(each.avoidable)}" for each in lived if each.avoidable]
    lines += [
        "",
        "'winters' counts those in which any fruit froze.",
        f"lost by {OURS} though kept with every string {ORACLE}: {len(avoidable)} winters",
        *(f"  {each}" for each in avoidable),
        f"strings at rest without a reason to: {sum(each.unjustified_off for each in lived)} control periods",
    ]
    return "\n".join(lines)
