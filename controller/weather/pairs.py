"""What was forecast beside what was seen: the pairs that a correction learns from and is judged by."""

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from controller.errors import ForecastError, Retry
from controller.physics import FloatArray

MOST_MEMBERS = 51
MOST_ROWS = 2_000_000
# What is no temperature of outside air is no pair [°C].
LOW_C, HIGH_C = -60.0, 60.0
_OPTIONAL = ("dew_point_c", "wind_m_s", "cloud_frac", "spread_k")
_MEMBER = re.compile(r"member_?(\d{1,2})")
COLUMNS_HELP = (
    "A CSV file with a head line.  'time': when the forecast was for, ISO 8601 with its zone.  'lead_h' "
    "(hours) or 'issued' (as time): how long before it was made.  'forecast_c', or up to 51 columns "
    "'member01', 'member02', ...  'observed_c': what the outside probe read, empty if unknown.  Optional: "
    "'dew_point_c', 'wind_m_s', 'cloud_frac' (0..1) as forecast, and 'spread_k', the service's own standard "
    "deviation."
)


class PairsError(ForecastError):
    """A logbook of forecasts and readings cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs:
    """Forecasts and readings, one value per pair, in order of issue and then of time; NaN is unknown.

    ``members_c`` has shape (pairs, members), or is None where forecasts are single values.
    """

    at_s: FloatArray
    lead_h: FloatArray
    forecast_c: FloatArray
    observed_c: FloatArray
    dew_point_c: FloatArray
    wind_m_s: FloatArray
    cloud_frac: FloatArray
    spread_k: FloatArray
    members_c: FloatArray | None = None

    @property
    def issued_s(self) -> FloatArray:
        """When each forecast was made, seconds since 1970, to the minute."""
        return np.round((self.at_s - 3600.0 * self.lead_h) / 60.0) * 60.0

    def sorted(self) -> "Pairs":
        """Return the pairs in order of issue and then of time."""
        order = np.lexsort((self.at_s, self.issued_s))
        return Pairs(
            at_s=self.at_s[order],
            lead_h=self.lead_h[order],
            forecast_c=self.forecast_c[order],
            observed_c=self.observed_c[order],
            dew_point_c=self.dew_point_c[order],
            wind_m_s=self.wind_m_s[order],
            cloud_frac=self.cloud_frac[order],
            spread_k=self.spread_k[order],
            members_c=None if self.members_c is None else self.members_c[order],
        )


def read_pairs(path: Path) -> Pairs:
    """Return the pairs in a CSV file; raise ``PairsError`` naming the line and column that is wrong."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise PairsError(f"{path}: cannot be read ({error})", Retry.WHEN_MENDED) from error
    if len(rows) < 2 or len(rows) > MOST_ROWS:
        raise PairsError(f"{path}: expected a head line and 1 to {MOST_ROWS} rows, got {len(rows)}")
    head = [name.strip().lower() for name in rows[0]]
    members = sorted((int(m.group(1)), i) for i, name in enumerate(head) if (m := _MEMBER.fullmatch(name)))
    if len(members) > MOST_MEMBERS:
        raise PairsError(f"{path}: {len(members)} member columns; at most {MOST_MEMBERS} are taken")
    for needed in (("time",), ("observed_c",), ("lead_h", "issued"), ("forecast_c", "member01")):
        if not any(name in head for name in needed) and not (needed[0] == "forecast_c" and members):
            raise PairsError(
                f"{path}: line 1: no column {' or '.join(repr(n) for n in needed)}. {COLUMNS_HELP}"
            )
    body = _Body(path, head, [row for row in rows[1:] if row])
    at_s = body.times("time")
    lead_h = body.numbers("lead_h") if "lead_h" in head else (at_s - body.times("issued")) / 3600.0
    if not ((lead_h >= 0.0) & (lead_h <= 24.0 * 40.0)).all():
        line = int(np.flatnonzero(~((lead_h >= 0.0) & (lead_h <= 24.0 * 40.0)))[0]) + 2
        raise PairsError(f"{path}: line {line}: a lead must lie between 0 and 960 h")
    members_c = np.stack([body.numbers_at(i) for _, i in members], axis=1) if len(members) >= 2 else None
    forecast_c, spread_k = _from_members(members_c, at_s.size)
    if "forecast_c" in head:
        forecast_c = body.numbers("forecast_c")
    optional = {
        name: body.numbers(name) if name in head else np.full(at_s.size, np.nan) for name in _OPTIONAL
    }
    optional["spread_k"] = np.where(np.isfinite(optional["spread_k"]), optional["spread_k"], spread_k)
    return Pairs(
        at_s=at_s,
        lead_h=lead_h,
        forecast_c=_plausible(forecast_c),
        observed_c=_plausible(body.numbers("observed_c")),
        members_c=members_c,
        **optional,
    ).sorted()


def _from_members(members_c: FloatArray | None, count: int) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of the members that are known; NaN with fewer than half of them."""
    nothing = np.full(count, np.nan)
    if members_c is None:
        return nothing, nothing
    known = np.isfinite(members_c)
    number = known.sum(axis=1)
    mean_c = np.where(known, members_c, 0.0).sum(axis=1) / np.maximum(number, 1)
    squares = np.where(known, (members_c - mean_c[:, None]) ** 2, 0.0).sum(axis=1)
    enough = (number >= 2) & (2 * number >= members_c.shape[1])
    spread_k = np.sqrt(squares / np.maximum(number - 1, 1))
    return np.where(enough, mean_c, np.nan), np.where(enough, spread_k, np.nan)


def _plausible(values_c: FloatArray) -> FloatArray:
    return np.where((values_c >= LOW_C) & (values_c <= HIGH_C), values_c, np.nan)


@dataclass(frozen=True, slots=True)
class _Body:
    path: Path
    head: Sequence[str]
    rows: Sequence[Sequence[str]]

    def times(self, name: str) -> FloatArray:
        """Return a column of times in seconds since 1970."""
        index = self.head.index(name)
        return np.array([self._time(row, index, number) for number, row in enumerate(self.rows, 2)])

    def numbers(self, name: str) -> FloatArray:
        """Return a column of numbers, empty as NaN."""
        return self.numbers_at(self.head.index(name))

    def numbers_at(self, index: int) -> FloatArray:
        """Return a column of numbers by its place, empty as NaN."""
        return np.array([self._number(row, index, number) for number, row in enumerate(self.rows, 2)])

    def _time(self, row: Sequence[str], index: int, line: int) -> float:
        try:
            at = datetime.fromisoformat(row[index].strip())
        except (ValueError, IndexError) as error:
            raise PairsError(
                f"{self.path}: line {line}: expected a time such as 2027-01-14T18:00Z in '{self.head[index]}'"
            ) from error
        if at.tzinfo is None:
            raise PairsError(f"{self.path}: line {line}: a time needs its zone, such as Z or +01:00")
        return at.timestamp()

    def _number(self, row: Sequence[str], index: int, line: int) -> float:
        text = row[index].strip() if index < len(row) else ""
        if text.lower() in {"", "na", "nan", "null"}:
            return math.nan
        try:
            value = float(text)
        except ValueError as error:
            raise PairsError(
                f"{self.path}: line {line}: expected a number in '{self.head[index]}', got {text[:40]!r}"
            ) from error
        return value if math.isfinite(value) else math.nan
