"""What a campaign plays, and what it keeps of each run."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Self

from controller.site.model import Tariff
from controller.site.price import bill_of
from simulator.faults.catalogue import catalogue
from simulator.faults.stage import Stage, injections
from simulator.night import Night
from simulator.sky import Sky
from simulator.sun import solar_elevation_deg
from simulator.world import Record

# When a fault begins: an hour after sunset, 90 minutes before the coldest of the night, and half-way between.
ONSETS = ("dusk", "deep night", "before the coldest")
AFTER_SUNSET = timedelta(hours=1)
BEFORE_COLDEST = timedelta(minutes=90)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One run: a night, a seed, and a fault (or none) from an onset on."""

    night: str
    seed: int
    onset: str = ""
    fault: str = ""

    @property
    def key(self) -> str:
        """What tells this run from others."""
        return f"{self.night}/{self.seed}/{self.onset}/{self.fault}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """What a night took, and what was spent against it."""

    money: float
    damage_k_h: float
    kwh: float
    cost: float
    switchings: int
    trees: tuple[str, ...]

    @classmethod
    def of(cls, record: Record, values: dict[str, float], tariff: Tariff) -> Self:
        """Return the loss of a record, trees being worth ``values``."""
        return cls(
            money=round(
                sum(tree.lost_share * values[tree.name] for tree in record.trees if tree.is_damaged), 4
            ),
            damage_k_h=round(sum(tree.fruit_damage_k_h for tree in record.trees), 4),
            kwh=round(record.kwh, 4),
            cost=round(bill_of(tariff, record.kwh, record.cheap_kwh), 4),
            switchings=sum(tree.switchings for tree in record.trees),
            trees=tuple(tree.name for tree in record.trees if tree.is_damaged),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one run, beside what others would have made of the same night.

    ``avoidable`` are trees lost although every string on from dusk, without any fault, would have kept them;
    ``by_control`` those of them that a controller could have kept: the same night with the same broken house,
    boards and strings, but everything let heat from the fault's first moment on, before anybody could know of
    it.  ``found_after_s`` is when the controller first found something that it does not find in this night
    without the fault, and ``warned_s`` how long that was before the first ``avoidable`` tree was damaged.
    """

    night: str
    seed: int
    onset: str
    fault: str
    onset_s: float
    ours: Loss
    no_heat: Loss
    always_on: Loss
    thermostat: Loss
    foresight: Loss
    avoidable: tuple[str, ...]
    by_control: tuple[str, ...]
    thermostat_avoidable: tuple[str, ...]
    unjustified_off: int
    found: tuple[str, ...]
    found_after_s: float | None
    warned_s: float | None
    false_findings: tuple[str, ...]
    fruits: int
    hours: float
    currency: str
    trace_sha256: str

    @property
    def key(self) -> str:
        """The run it belongs to."""
        return Task(night=self.night, seed=self.seed, onset=self.onset, fault=self.fault).key


def tasks_of(
    nights: tuple[str, ...], seeds: tuple[int, ...], *, singles: bool, pairs: bool, only: tuple[str, ...] = ()
) -> list[Task]:
    """Return the runs of a campaign, those of one night, seed and onset beside one another.

    Every night is also played without a fault.  ``only`` names faults instead of taking all there are.
    """
    faults = list(only)
    if not faults and singles:
        faults += list(injections())
    if not faults or pairs:
        faults += [f.id for f in catalogue().values() if pairs and f.of and Stage.places_of(f.id)]
    plain = [Task(night=night, seed=seed) for night in nights for seed in seeds]
    return plain + [
        Task(night=each.night, seed=each.seed, onset=onset, fault=fault)
        for each in plain
        for onset in ONSETS
        for fault in dict.fromkeys(faults)
    ]


def onset_s(onset: str, night: Night, sky: Sky) -> float:
    """Return when faults begin in a night [s after its start]."""
    site = night.load_site()
    start, end = night.start_utc(site), night.end_utc(site)
    place = site.place

    def is_night(at: datetime) -> bool:
        return bool(solar_elevation_deg(at.timestamp(), place.latitude_deg, place.longitude_deg) < 0.0)

    # the last night, where there are several: the house is coldest then
    times = [start + timedelta(minutes=10 * k) for k in range(int((end - start).total_seconds() // 600.0))]
    coldest = min(times, key=lambda at: sky.at(at).outside_temp_c)
    sunset = coldest
    while sunset > start and is_night(sunset):
        sunset -= timedelta(minutes=10)
    dusk, late = sunset + AFTER_SUNSET, coldest - BEFORE_COLDEST
    at = {"dusk": dusk, "deep night": dusk + (late - dusk) / 2, "before the coldest": late}[onset]
    return max(0.0, round((at - start).total_seconds() / 60.0) * 60.0)
