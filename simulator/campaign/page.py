"""The campaign as one page for growers: pictures and words in one file, no script, nothing from elsewhere."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from simulator.campaign.outcome import Outcome, Task, onset_s
from simulator.campaign.rivals import watched_thermostat
from simulator.campaign.score import Score
from simulator.faults.catalogue import catalogue
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import Stage
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

# The night and the fault of the picture of two courses: a probe that sticks warm at deep night.
SHOWN_NIGHT, SHOWN_FAULT, SHOWN_ONSET = "clear-calm", "S01", "deep night"
EVERY_S = 300.0
# Size and margins of the picture of courses [px].
WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 720.0, 300.0, 46.0, 14.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One run in the picture of all faults: what became of it with us and with a plain thermostat."""

    ours: str
    thermostat: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One fault in that picture."""

    fault: str
    what: str
    place: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Courses:
    """The air round one tree through one night with one fault, twice, as lines of a picture."""

    tree: str
    what: str
    ours: str
    thermostat: str
    outside: str
    onset_x: float
    damage_y: float
    damage_c: float
    ours_lost: bool
    thermostat_lost: bool
    hours: tuple[tuple[float, str], ...]
    degrees: tuple[tuple[float, int], ...]


def page_of(score: Score, outcomes: Sequence[Outcome], courses: Courses) -> str:
    """Return the page as HTML; ``courses`` is its picture of one night."""
    folder = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    columns = list(dict.fromkeys((each.night, each.onset) for each in outcomes if each.fault))
    return environment.get_template("page.html").render(
        score=score,
        most_money=max(row.money for row in score.rows) or 1.0,
        most_kwh=max(row.kwh for row in score.rows) or 1.0,
        columns=columns,
        lines=lines_of(outcomes, columns),
        courses=courses,
        titles={night: load_night(night).title for night in score.nights},
        size=(WIDTH, HEIGHT),
        plot=(LEFT, TOP, WIDTH - 8.0, HEIGHT - BOTTOM),
    )


def lines_of(outcomes: Sequence[Outcome], columns: Sequence[tuple[str, str]]) -> list[Line]:
    """Return one line for each fault, with one cell for each night and onset."""
    by_key = {each.key: each for each in outcomes}
    seed = outcomes[0].seed
    lines = []
    for fault in catalogue().values():
        keys = [Task(night=n, seed=seed, onset=o, fault=fault.id).key for n, o in columns]
        if any(key in by_key for key in keys):
            places = Stage.places_of(fault.id)
            cells = tuple(_cell(by_key.get(key)) for key in keys)
            lines.append(
                Line(fault=fault.id, what=fault.what, place=" and ".join(sorted(places)), cells=cells)
            )
    return lines


def _cell(outcome: Outcome | None) -> Cell:
    if outcome is None:
        return Cell(ours="none", thermostat="none", title="not played")
    ours = "kept"
    if outcome.by_control:
        ours = "control"
    elif outcome.avoidable:
        ours = "fault"
    elif outcome.ours.trees:
        ours = "beyond"
    thermostat = (
        "control" if outcome.thermostat_avoidable else "beyond" if outcome.thermostat.trees else "kept"
    )
    found = "nothing new found"
    if outcome.found_after_s is not None:
        found = f"found after {outcome.found_after_s / 60:.0f} min: {outcome.found[0]}"
    lost = f"lost {outcome.ours.money:.2f} {outcome.currency}" if outcome.ours.trees else "nothing lost"
    return Cell(
        ours=ours,
        thermostat=thermostat,
        title=f"{outcome.night}, {outcome.onset}: {lost}, {outcome.ours.kwh:.1f} kWh; {found}. "
        f"Plain thermostat: lost {outcome.thermostat.money:.2f} {outcome.currency}",
    )


def courses_of() -> Courses:
    """Return the picture's lines: the same night with the same stuck probe, with us and with a thermostat."""
    night = load_night(SHOWN_NIGHT)
    run = Rehearsal(SHOWN_NIGHT, night, 1, with_forecast=True)
    begins_s = onset_s(SHOWN_ONSET, night, run.world.sky)
    setting = FaultSetting(id=SHOWN_FAULT, at=f"{begins_s:.0f}s")
    run.suffer([setting])
    ours: list[tuple[float, float, float]] = []
    while run.world.elapsed_s < run.end_s:
        run.run(run.world.elapsed_s + EVERY_S)
        ours.append((run.world.elapsed_s, run.world.plant.tree_air_c[0], run.world.weather.outside_temp_c))
    theirs, record = watched_thermostat(night, 1, [setting], every_s=EVERY_S)
    damage_c = record.trees[0].fruit_damage_c
    values = [c for row in ours for c in row[1:]] + [c for _, c in theirs]
    low, high = int(min(values)) - 1, int(max(values)) + 1

    def x(at_s: float) -> float:
        return round(LEFT + (WIDTH - 8.0 - LEFT) * at_s / run.end_s, 1)

    def y(temp_c: float) -> float:
        return round(TOP + (HEIGHT - BOTTOM - TOP) * (high - temp_c) / (high - low), 1)

    start_h = night.start.hour
    return Courses(
        tree=run.site.trees[0].name,
        what=catalogue()[SHOWN_FAULT].what,
        ours=" ".join(f"{x(at)},{y(c)}" for at, c, _ in ours),
        thermostat=" ".join(f"{x(at)},{y(c)}" for at, c in theirs),
        outside=" ".join(f"{x(at)},{y(c)}" for at, _, c in ours),
        onset_x=x(begins_s),
        damage_y=y(damage_c),
        damage_c=damage_c,
        ours_lost=run.world.record.trees[0].is_damaged,
        thermostat_lost=record.trees[0].is_damaged,
        hours=tuple((x(h * 3600.0), f"{(start_h + h) % 24:02d}") for h in range(0, int(night.hours) + 1, 2)),
        degrees=tuple((y(c), c) for c in range(low, high + 1, 2)),
    )
