"""What a season came to, from the journal: nights, trees, alarms, orders; and what that says should change.

Heat is counted as decided, at the strings' declared watts: nothing here was measured by a meter.
"""

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from statistics import median

from controller.crop.limits import limits_of
from controller.journal.reader import readings_of
from controller.journal.spans import active_spans, by_night, evening_of
from controller.site.model import Site, Tree
from controller.site.price import cost_of

# Between two readings further apart than this nothing is known [s].
GAP_S = 1800.0
# So much below the hold temperature for longer than so long, strings or fleece are too little (own choice).
SHORT_K, SHORT_H = 1.0, 1.0
# Kelvin-hours of air below the fruit's onset of damage from which fruit is worth looking at: our own dose
# spoils a tenth at 2 (DEVELOPERS.md), and air is colder than the fruit in it.
LOOK_KH = 2.0
OFTEN = 3
# Severity 3 is "mend it today": worth that somebody says to have it.
GRAVE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class NightUse:
    """A night with heat or frost: its evening, the coldest outside (None if not known) and the heat."""

    evening: datetime
    outside_min_c: float | None
    energy_kwh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSeason:
    """A tree's season; ``below_kh`` are kelvin-hours of air below the fruit's onset of damage."""

    name: str
    heated_h: float
    energy_kwh: float
    cost: float
    cost_per_fruit: float | None
    hold_c: float
    damage_c: float
    lowest_c: float | None
    lowest_at: datetime | None
    short_h: float
    below_kh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSeason:
    """One alarm's season; ``had_after_min`` is the median time until somebody had it, None if nobody did."""

    key: str
    severity: int
    raised: int
    had_after_min: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A season."""

    since: datetime
    until: datetime
    currency: str
    nights: tuple[NightUse, ...]
    trees: tuple[TreeSeason, ...]
    alarms: tuple[AlarmSeason, ...]
    orders: dict[str, int] = field(default_factory=dict)
    refused: int = 0

    @property
    def heated(self) -> tuple[NightUse, ...]:
        """The nights with heat."""
        return tuple(night for night in self.nights if night.energy_kwh > 0.0)

    @property
    def energy_kwh(self) -> float:
        """All heat."""
        return sum(tree.energy_kwh for tree in self.trees)

    @property
    def cost(self) -> float:
        """What it cost."""
        return sum(tree.cost for tree in self.trees)


def season_of(connection: sqlite3.Connection, site: Site, begin: datetime, end: datetime) -> Season | None:
    """Return what happened in a time; None where nothing was decided in it."""
    begin_s, end_s = begin.timestamp(), end.timestamp()
    ((first_s, last_s),) = connection.execute(
        "SELECT min(at_s), max(at_s) FROM decision WHERE at_s BETWEEN ? AND ?", (begin_s, end_s)
    )
    if first_s is None:
        return None
    ((read_s,),) = connection.execute(
        "SELECT max(at_s) FROM reading WHERE at_s BETWEEN ? AND ?", (begin_s, end_s)
    )
    end_s = max(last_s, read_s or last_s)  # heat that was on when the journal ended is counted no further
    heat_kwh: dict[int, float] = defaultdict(float)
    trees = tuple(_tree(connection, site, tree, first_s, end_s, heat_kwh) for tree in site.trees)
    outside_c = _outside(connection, site, begin_s, end_s)
    frosty = {night for night, lowest_c in outside_c.items() if lowest_c < 0.0}
    orders = Counter(
        dict(
            connection.execute(
                "SELECT position, count(*) FROM hand_order "
                "WHERE accepted = 1 AND received_s BETWEEN ? AND ? GROUP BY position",
                (begin_s, end_s),
            )
        )
    )
    ((refused,),) = connection.execute(
        "SELECT count(*) FROM hand_order WHERE accepted = 0 AND received_s BETWEEN ? AND ?", (begin_s, end_s)
    )
    return Season(
        since=datetime.fromtimestamp(first_s, tz=UTC),
        until=datetime.fromtimestamp(end_s, tz=UTC),
        currency=site.tariff.currency,
        nights=tuple(
            NightUse(
                evening=evening_of(night, site.place),
                outside_min_c=outside_c.get(night),
                energy_kwh=heat_kwh.get(night, 0.0),
            )
            for night in sorted(frosty | set(heat_kwh))
        ),
        trees=trees,
        alarms=_alarms(connection, begin_s, end_s),
        orders=dict(orders),
        refused=refused,
    )


def _tree(
    connection: sqlite3.Connection,
    site: Site,
    tree: Tree,
    begin_s: float,
    end_s: float,
    heat_kwh: dict[int, float],
) -> TreeSeason:
    """Return a tree's season; its heat is added to each night's."""
    heated_s = cost = 0.0
    for span in active_spans(connection, "tree", tree.name, begin_s, end_s):
        cost += cost_of(site, tree.power_w, *span)
        for night, lasts_s in by_night(span, site.place):
            heated_s += lasts_s
            heat_kwh[night] += tree.power_w * lasts_s / 3.6e6
    limits = limits_of(tree)
    lowest_c, lowest_s, short_s, below_ks = float("inf"), begin_s, 0.0, 0.0
    for at_s, temp_c, lasts_s in _air(connection, site, tree, begin_s, end_s):
        if temp_c < lowest_c:
            lowest_c, lowest_s = temp_c, at_s
        short_s += lasts_s if temp_c < limits.hold_c - SHORT_K else 0.0
        below_ks += lasts_s * max(0.0, limits.fruit_damage_c - temp_c)
    known = lowest_c < float("inf")
    energy_kwh = tree.power_w * heated_s / 3.6e6
    return TreeSeason(
        name=tree.name,
        heated_h=heated_s / 3600.0,
        energy_kwh=energy_kwh,
        cost=cost,
        cost_per_fruit=cost / tree.fruit_count if tree.fruit_count else None,
        hold_c=limits.hold_c,
        damage_c=limits.fruit_damage_c,
        lowest_c=lowest_c if known else None,
        lowest_at=datetime.fromtimestamp(lowest_s, tz=UTC) if known else None,
        short_h=short_s / 3600.0,
        below_kh=below_ks / 3600.0,
    )


def _air(
    connection: sqlite3.Connection, site: Site, tree: Tree, begin_s: float, end_s: float
) -> Iterator[tuple[float, float, float]]:
    """Yield the readings of a tree's first probe: when, the air [°C], and for how long it stood [s]."""
    probe = next(probe for probe in site.probes if probe.name == tree.probes[0])
    before_s: float | None = None
    for at_s, temp_c in readings_of(connection, probe, begin_s, end_s):
        lasts_s = at_s - before_s if before_s is not None and at_s - before_s <= GAP_S else 0.0
        before_s = at_s
        yield at_s, temp_c, lasts_s


def _outside(connection: sqlite3.Connection, site: Site, begin_s: float, end_s: float) -> dict[int, float]:
    """Return the coldest reading outside in each night [°C]."""
    lowest_c: dict[int, float] = {}
    for probe in site.probes_of("outside"):
        for at_s, temp_c in readings_of(connection, probe, begin_s, end_s):
            ((night, _),) = by_night((at_s, at_s), site.place)
            lowest_c[night] = min(temp_c, lowest_c.get(night, temp_c))
    return lowest_c


def _alarms(connection: sqlite3.Connection, begin_s: float, end_s: float) -> tuple[AlarmSeason, ...]:
    """Return each alarm's season, the worst and most frequent first."""
    raised: Counter[str] = Counter()
    severity: dict[str, int] = {}
    since_s: dict[str, float] = {}
    had_s: dict[str, list[float]] = defaultdict(list)
    rows = connection.execute(
        "SELECT at_s, key, event, severity FROM alarm_event WHERE at_s BETWEEN ? AND ? ORDER BY at_s, id",
        (begin_s, end_s),
    )
    for at_s, key, event, degree in rows:
        severity[key] = max(degree, severity.get(key, 0))
        if event == "raised":
            raised[key] += 1
            since_s[key] = at_s
        elif event == "acknowledged" and key in since_s:
            had_s[key].append(at_s - since_s.pop(key))
    found = (
        AlarmSeason(
            key=key,
            severity=severity[key],
            raised=count,
            had_after_min=median(had_s[key]) / 60.0 if had_s[key] else None,
        )
        for key, count in raised.items()
    )
    return tuple(sorted(found, key=lambda alarm: (-alarm.severity, -alarm.raised, alarm.key)))


def changes(season: Season) -> tuple[str, ...]:
    """Return what the season says should change before the next, each with its reason."""
    said = [
        f"{tree.name}: its air was more than {SHORT_K:g} K below {tree.hold_c:g} °C for {tree.short_h:.1f} "
        "h. More watts or more fleece: see `rimeward size`."
        for tree in season.trees
        if tree.short_h > SHORT_H
    ]
    said += [
        f"{tree.name}: {tree.below_kh:.1f} kelvin-hours of air below {tree.damage_c:g} °C, where ripe fruit "
        "begins to freeze. Cut some of its fruit and look."
        for tree in season.trees
        if tree.below_kh >= LOOK_KH
    ]
    said += [
        f"{alarm.key} was raised {alarm.raised} times: mend it for good."
        for alarm in season.alarms
        if alarm.raised >= OFTEN
    ]
    if unheard := [a.key for a in season.alarms if a.severity >= GRAVE and a.had_after_min is None]:
        said.append(
            f"Nobody ever said to have {', '.join(unheard)}: see that messages reach somebody "
            "(`rimeward alarm test`)."
        )
    return tuple(said)
