"""A logbook: a plain CSV file of what was measured, put on the model's time grid.

Nothing in it is guessed silently: each column that is missing, and each stretch that was bridged, is told.
"""

import csv
import difflib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from controller.errors import LogbookError
from controller.physics import FloatArray, dew_point_c, sky_temp_c, vapour_pressure_kpa
from controller.site.handbook import FleeceKind
from controller.site.model import Site, Tree
from controller.thermal.drive import Inputs
from controller.thermal.inputs import deep_soil_temp_c
from controller.thermal.parameters import Parameters, parameters_of
from controller.thermal.record import MIDDLING, Record, filled
from controller.thermal.sunlight import sun_altitude_deg, sun_on_house_w_m2

MOST_ROWS = 2_000_000
MOST_FAULTS = 10
# A grid finer than the readings costs time, a coarser one smears the strings' switching [s].
GRIDS_S = (300.0, 600.0, 900.0)
# Rows further apart than this leave a hole that is told [s].
HOLE_S = 3.0 * 3600.0
# Longer than any one fit is of use for, and a bound on memory [s]: a wrong year in one row shows here.
LONGEST_S = 2.0 * 366.0 * 86400.0
# Where no humidity or cloud is written down: middling values of a maritime winter, own assumption.
MIDDLING_DEW_DEPRESSION_K = 3.0
MIDDLING_CLOUD_FRAC = 0.5

# Each column with its lowest and highest value, and what to do about one outside them.
HOUSE_COLUMNS: dict[str, tuple[float, float, str]] = {
    "outside_c": (-60.0, 60.0, "leave the cell empty where the probe failed; give °C, not °F"),
    "dew_point_c": (-80.0, 40.0, "leave the cell empty where it is not known; give °C, not °F"),
    "rh_pct": (0.0, 105.0, "give relative humidity in percent"),
    "wind_m_s": (0.0, 75.0, "give metres per second (1 km/h is 0.278, 1 knot 0.514)"),
    "cloud_frac": (0.0, 1.0, "give the clouded share of the sky, 0 to 1: divide percent by 100, oktas by 8"),
    "shortwave_w_m2": (-20.0, 1600.0, "give sunshine on the horizontal in W/m²"),
    "house_c": (-60.0, 80.0, "leave the cell empty where the probe failed; give °C, not °F"),
    "vent_m3_s": (0.0, 300.0, "give the air that vents move in m³/s (1000 m³/h is 0.278)"),
    "house_heater_w": (0.0, 1e6, "give watts of heat into the house's air"),
}
TREE_COLUMNS: dict[str, tuple[float, float, str]] = {
    "air_c": (-60.0, 80.0, "leave the cell empty where the probe failed; give °C, not °F"),
    "string_w": (0.0, 20000.0, "give watts, not kilowatts or on/off"),
    "fleece": (0.0, 1.0, "write 1 for covered and 0 for not"),
}
_WORDS = {"yes": 1.0, "on": 1.0, "true": 1.0, "no": 0.0, "off": 0.0, "false": 0.0}
_UNKNOWN = {"", "na", "nan", "null", "-"}
_WITHOUT = {
    "wind_m_s": f"{MIDDLING['wind_m_s']:g} m/s is taken throughout, so loss by wind stays the handbook's",
    "cloud_frac": f"half a cloudy sky ({MIDDLING_CLOUD_FRAC:g}) is taken, so clear nights will be misjudged",
    "shortwave_w_m2": "sunshine is estimated from the sun's height and the clouds",
    "house_c": "the house's own temperature is never seen; only the trees tell of it",
    "vent_m3_s": "vents are taken to be shut throughout",
    "house_heater_w": "no heater in the house's air is assumed",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Logbook:
    """A record read from a file, the handbook's numbers for it, and what a reader should know of it."""

    record: Record
    prior: Parameters
    remarks: tuple[str, ...]
    # How far apart the file's rows are, usually [s].
    interval_s: float


def read_logbook(path: Path, site: Site) -> Logbook:
    """Return a CSV file as a record of a site.

    Raises
    ------
    LogbookError
        With up to ten faults: line, what was expected, what came, what to do.
    """
    head, rows = _rows(path)
    trees = [tree for tree in site.trees if any(f"{tree.name}.{name}" in head for name in TREE_COLUMNS)]
    table = Table.read(path, head, rows, trees)
    table.check_enough(site, trees)
    return table.logbook(site, trees)


def _rows(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file)
            head = [name.strip().lower() for name in next(reader, [])]
            rows: list[tuple[int, list[str]]] = []
            for row in reader:
                if any(cell.strip() for cell in row):
                    rows.append((reader.line_num, row))
                if len(rows) > MOST_ROWS:
                    raise LogbookError(f"{path}: more than {MOST_ROWS} rows; cut the file into years")
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LogbookError(f"{path}: cannot be read as a CSV file in UTF-8 ({error})") from error
    for needed in ("time", "outside_c"):
        if needed not in head:
            came = ", ".join(repr(name) for name in head[:8]) or "an empty file"
            hint = " (separate columns by commas)" if len(head) == 1 and ";" in head[0] else ""
            raise LogbookError(f"{path}: line 1: expected a column '{needed}', but {came} came{hint}")
    twice = sorted({name for name in head if head.count(name) > 1 and name})
    if twice:
        raise LogbookError(f"{path}: line 1: expected each column once; delete one of '{twice[0]}'")
    if len(rows) < 2:
        raise LogbookError(f"{path}: expected a head line and at least 2 rows, but {len(rows)} came")
    return head, rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A file's columns as numbers; NaN is unknown."""

    path: Path
    at_s: FloatArray
    columns: dict[str, FloatArray]
    ignored: tuple[str, ...]

    @classmethod
    def read(
        cls, path: Path, head: Sequence[str], rows: Sequence[tuple[int, list[str]]], trees: Sequence[Tree]
    ) -> "Table":
        """Return a file's columns; raise ``LogbookError`` with all that is wrong in them."""
        wanted = HOUSE_COLUMNS | {
            f"{tree.name}.{name}": bounds for tree in trees for name, bounds in TREE_COLUMNS.items()
        }
        faults: list[str] = []
        at_s = _column(rows, head.index("time"), _time, faults)
        columns = {}
        for index, name in enumerate(head):
            if name in wanted:
                columns[name] = _column(rows, index, _number(name, *wanted[name]), faults)
        faults += _order_faults(rows, at_s)
        if faults:
            more = f"\n  and {len(faults) - MOST_FAULTS} more" if len(faults) > MOST_FAULTS else ""
            raise LogbookError(f"{path}: not a logbook\n  " + "\n  ".join(faults[:MOST_FAULTS]) + more)
        ignored = tuple(
            name + _near(name, wanted) for name in head if name and name not in wanted and name != "time"
        )
        return cls(path=path, at_s=at_s, columns=columns, ignored=ignored)

    def known(self, name: str) -> bool:
        """Return whether a column holds any number."""
        return name in self.columns and bool(np.isfinite(self.columns[name]).any())

    def check_enough(self, site: Site, trees: Sequence[Tree]) -> None:
        """Raise ``LogbookError`` where nothing can be learnt: no outside air, or nothing measured inside."""
        if not self.known("house_c") and not any(self.known(f"{tree.name}.air_c") for tree in trees):
            raise LogbookError(
                f"{self.path}: nothing measured inside: expected numbers in 'house_c' or in a tree's "
                f"'<tree>.air_c' (trees of this site: {', '.join(tree.name for tree in site.trees)})"
            )
        if not self.known("outside_c"):
            raise LogbookError(
                f"{self.path}: 'outside_c' holds no number; without the outside air nothing can be learnt"
            )

    def logbook(self, site: Site, trees: Sequence[Tree]) -> Logbook:
        """Return the columns on the model's grid."""
        interval_s = float(np.median(np.diff(self.at_s)))
        step_s = next((grid for grid in GRIDS_S if interval_s <= grid), GRIDS_S[-1])
        grid = _Grid(at_s=self.at_s, step_s=step_s)
        prior = parameters_of(site.model_copy(update={"trees": tuple(trees)}))
        record = Record(
            inputs=filled(self._inputs(grid, site, trees)),
            house_temp_c=grid.readings(self._values("house_c")),
            tree_temp_c=_stack(
                [grid.readings(self._values(f"{tree.name}.air_c")) for tree in trees], grid.steps
            ),
        )
        return Logbook(
            record=record,
            prior=prior,
            remarks=tuple(self._remarks(site, trees, interval_s, grid)),
            interval_s=interval_s,
        )

    def _values(self, name: str) -> FloatArray:
        return self.columns.get(name, np.full(len(self.at_s), np.nan))

    def _inputs(self, grid: "_Grid", site: Site, trees: Sequence[Tree]) -> Inputs:
        outside_c = grid.weather(self._values("outside_c"))
        humid_dew_c = dew_point_c(
            vapour_pressure_kpa(self._values("outside_c"), np.clip(self._values("rh_pct"), 1.0, 100.0))
        )
        given_dew_c = self._values("dew_point_c")
        dew_c = grid.weather(np.where(np.isfinite(given_dew_c), given_dew_c, humid_dew_c))
        dew_c = np.minimum(
            np.where(np.isfinite(dew_c), dew_c, outside_c - MIDDLING_DEW_DEPRESSION_K), outside_c
        )
        cloud = grid.weather(self._values("cloud_frac"))
        cloud = np.where(np.isfinite(cloud), cloud, MIDDLING_CLOUD_FRAC)
        sunshine = grid.weather(self._values("shortwave_w_m2"))
        estimate = sunshine_w_m2(
            sun_altitude_deg(grid.middle_s, site.place.latitude_deg, site.place.longitude_deg), cloud
        )
        sunshine = np.maximum(np.where(np.isfinite(sunshine), sunshine, estimate), 0.0)
        return Inputs(
            start_s=float(self.at_s[0]),
            step_s=grid.step_s,
            outside_temp_c=outside_c,
            sky_depression_k=outside_c - sky_temp_c(outside_c, dew_c, cloud),
            wind_m_s=grid.weather(self._values("wind_m_s")),
            sun_w_m2=sun_on_house_w_m2(sunshine, grid.middle_s, site),
            deep_temp_c=grid.deep_c(site),
            vent_m3_s=grid.held(self._values("vent_m3_s")),
            house_heat_w=grid.held(self._values("house_heater_w")),
            fleece_on=_stack([self._fleece(grid, tree) for tree in trees], grid.steps) > 0.5,
            string_w=_stack([grid.held(self._values(f"{tree.name}.string_w")) for tree in trees], grid.steps),
        )

    def _fleece(self, grid: "_Grid", tree: Tree) -> FloatArray:
        """Return whether a tree is covered; where nothing is written, as before or as the site says."""
        values = self._values(f"{tree.name}.fleece")
        known = np.flatnonzero(np.isfinite(values))
        if not known.size:
            return np.full(grid.steps, float(tree.fleece is not FleeceKind.NONE))
        latest = np.searchsorted(known, np.arange(len(values)), side="right") - 1
        return grid.held(values[known[np.maximum(latest, 0)]])

    def _remarks(self, site: Site, trees: Sequence[Tree], interval_s: float, grid: "_Grid") -> Iterator[str]:
        begin, end = (datetime.fromtimestamp(at_s, UTC) for at_s in (self.at_s[0], self.at_s[-1]))
        yield (
            f"{len(self.at_s)} rows, {begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC, one every "
            f"{interval_s / 60.0:g} min, used in steps of {grid.step_s / 60.0:g} min"
        )
        if not self.known("dew_point_c") and not self.known("rh_pct"):
            yield (
                "no dew_point_c or rh_pct: the dew point is taken "
                f"{MIDDLING_DEW_DEPRESSION_K:g} K below the air"
            )
        for name, instead in _WITHOUT.items():
            if not self.known(name):
                yield f"no {name}: {instead}"
        if not trees:
            yield "no tree in the logbook: the house alone is modelled"
        for tree in site.trees if trees else ():
            yield from self._tree_remarks(tree, here=tree in trees)
        yield from self._hole_remarks()
        if self.ignored:
            yield f"columns not used: {', '.join(self.ignored)}"

    def _tree_remarks(self, tree: Tree, *, here: bool) -> Iterator[str]:
        if not here:
            yield f"no column of {tree.name}: it is left out"
            return
        if not self.known(f"{tree.name}.air_c"):
            yield f"no {tree.name}.air_c: the air round it is computed, never checked"
        if not self.known(f"{tree.name}.string_w"):
            yield f"no {tree.name}.string_w: its strings are taken to be off throughout"
        if not self.known(f"{tree.name}.fleece"):
            covered = "uncovered" if tree.fleece is FleeceKind.NONE else "covered"
            yield f"no {tree.name}.fleece: it is taken to be {covered} throughout, as the site file has it"

    def _hole_remarks(self) -> Iterator[str]:
        gaps_s = np.diff(self.at_s)
        holes = np.flatnonzero(gaps_s > HOLE_S)
        if holes.size:
            longest = holes[np.argmax(gaps_s[holes])]
            begins = datetime.fromtimestamp(float(self.at_s[longest]), UTC)
            yield (
                f"{holes.size} hole{'s' * (holes.size > 1)} longer than {HOLE_S / 3600.0:g} h, the longest "
                f"{gaps_s[longest] / 3600.0:.1f} h from {begins:%Y-%m-%d %H:%M} UTC: the weather in them is "
                "drawn straight across"
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Grid:
    """The regular steps onto which a file's rows are put."""

    at_s: FloatArray
    step_s: float

    @property
    def steps(self) -> int:
        return int((self.at_s[-1] - self.at_s[0]) / self.step_s) + 1

    @property
    def begin_s(self) -> FloatArray:
        return np.asarray(self.at_s[0] + self.step_s * np.arange(self.steps))

    @property
    def middle_s(self) -> FloatArray:
        return np.asarray(self.begin_s + 0.5 * self.step_s)

    def weather(self, values: FloatArray) -> FloatArray:
        """Return what changes smoothly, in the middle of each step; NaN where nothing is known at all."""
        known = np.isfinite(values)
        if not known.any():
            return np.full(self.steps, np.nan)
        return np.asarray(np.interp(self.middle_s, self.at_s[known], values[known]))

    def held(self, values: FloatArray) -> FloatArray:
        """Return the mean over each step of what stays as written until the next row; unknown is none."""
        edges_s = self.at_s[0] + self.step_s * np.arange(self.steps + 1)
        ends_s = np.r_[self.at_s, max(edges_s[-1], self.at_s[-1] + self.step_s)]
        total = np.r_[0.0, np.cumsum(np.nan_to_num(values) * np.diff(ends_s))]
        return np.asarray(np.diff(np.interp(edges_s, ends_s, total)) / self.step_s)

    def readings(self, values: FloatArray) -> FloatArray:
        """Return the reading nearest to each step's beginning, NaN where none is within half a step."""
        known = np.flatnonzero(np.isfinite(values))
        found = np.full(self.steps, np.nan)
        if not known.size:
            return found
        at_s = self.at_s[known]
        after = np.clip(np.searchsorted(at_s, self.begin_s), 1, max(1, len(known) - 1))
        after = np.minimum(after, len(known) - 1)
        before = np.maximum(after - 1, 0)
        nearest = np.where(
            np.abs(at_s[before] - self.begin_s) <= np.abs(at_s[after] - self.begin_s), before, after
        )
        near = np.abs(at_s[nearest] - self.begin_s) <= 0.5 * self.step_s
        return np.where(near, values[known[nearest]], np.nan)

    def deep_c(self, site: Site) -> FloatArray:
        """Return the temperature of the deep soil, from one value for each day."""
        days_s = np.arange(self.begin_s[0], self.begin_s[-1] + 2 * 86400.0, 86400.0)
        daily = [deep_soil_temp_c(site, datetime.fromtimestamp(float(day_s), UTC)) for day_s in days_s]
        return np.asarray(np.interp(self.middle_s, days_s, daily))


def sunshine_w_m2(altitude_deg: FloatArray, cloud_frac: FloatArray) -> FloatArray:
    """Return an estimate of the sunshine on the horizontal [W/m²] from the sun's height and the clouds.

    References
    ----------
    Kasten & Czeplak 1980, Solar Energy 24:177: (910 sin h - 30)(1 - 0.75 c^3.4); coefficients from memory.
    """
    clear = np.maximum(910.0 * np.sin(np.radians(altitude_deg)) - 30.0, 0.0)
    return np.asarray(clear * (1.0 - 0.75 * cloud_frac**3.4))


def _stack(columns: Sequence[FloatArray], steps: int) -> FloatArray:
    return np.column_stack(columns) if columns else np.empty((steps, 0))


def _column(
    rows: Sequence[tuple[int, list[str]]], index: int, parse: Callable[[str], float], faults: list[str]
) -> FloatArray:
    """Return a column parsed cell by cell; a cell that cannot be is NaN and adds a fault."""
    values = np.full(len(rows), np.nan)
    for number, (line, row) in enumerate(rows):
        try:
            values[number] = parse(row[index].strip() if index < len(row) else "")
        except ValueError as error:
            faults.append(f"line {line}: {error}")
    return values


def _time(text: str) -> float:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"'time': expected a time such as 2027-01-14T18:00Z, but {text[:40]!r} came; write ISO 8601"
        ) from None
    if at.tzinfo is None:
        raise ValueError(
            f"'time': expected a time with its zone, but {text[:40]!r} came; add Z for UTC, or such as +01:00"
        )
    return at.timestamp()


def _number(name: str, lowest: float, highest: float, advice: str) -> Callable[[str], float]:
    is_switch = name.endswith(".fleece")

    def parse(text: str) -> float:
        if text.lower() in _UNKNOWN:
            return math.nan
        if is_switch and text.lower() in _WORDS:
            return _WORDS[text.lower()]
        try:
            value = float(text)
        except ValueError:
            comma = "; use a point for decimals" if "," in text else ""
            raise ValueError(
                f"'{name}': expected a number, but {text[:40]!r} came; {advice}{comma}"
            ) from None
        if not lowest <= value <= highest:
            raise ValueError(f"'{name}': expected {lowest:g} to {highest:g}, but {text[:40]} came; {advice}")
        return value

    return parse


def _order_faults(rows: Sequence[tuple[int, list[str]]], at_s: FloatArray) -> list[str]:
    """Return faults for times that do not rise, and for a file that lasts too long."""
    backwards: NDArray[np.intp] = np.flatnonzero(np.diff(at_s) <= 0.0) + 1
    faults = [
        f"line {rows[k][0]}: expected a time later than the row before, but "
        f"{datetime.fromtimestamp(at_s[k], UTC):%Y-%m-%d %H:%M:%S} UTC came; sort the file, and delete rows "
        "that stand in it twice (local time repeats an hour in autumn: write its zone)"
        for k in backwards
    ]
    if not faults and at_s[-1] - at_s[0] > LONGEST_S:
        faults.append(
            f"line {rows[-1][0]}: expected at most two years from the first row to the last, but "
            f"{(at_s[-1] - at_s[0]) / 86400.0:.0f} days came; look for a wrong year, or cut the file"
        )
    return faults


def _near(name: str, wanted: dict[str, tuple[float, float, str]]) -> str:
    close = difflib.get_close_matches(name, wanted, n=1, cutoff=0.75)
    return f" (did you mean {close[0]}?)" if close else ""
