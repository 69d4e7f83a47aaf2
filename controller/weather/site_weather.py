"""The forecast as this site is to expect it: what services say, corrected by what its own probe has taught.

About once an hour it is shown what the outside probe reads, and learns what the runs of the last two days
were worth at that time.  What it knows lies in one file beside the journal; without that file it begins anew,
and the journal keeps every run as issued, so that it can be taught and judged again.
"""

import contextlib
import json
import math
import os
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from controller.physics import FloatArray
from controller.site.model import Place
from controller.weather.correction import Corrected, SiteCorrection
from controller.weather.fallback import LAST_DAYS_H, fallback_forecast
from controller.weather.fetch import parse_json
from controller.weather.forecast import STEP_S, Forecast
from controller.weather.regime import Regime, regime_of

FILE_NAME = "site-weather.json"
MAX_BYTES = 4_000_000
# Runs are learned from for this long, and one run in this time is enough [h].
RUNS_FOR_H, RUNS_APART_H = 49.0, 3.0
# What the outside probe cannot read [°C]; such a reading teaches nothing.
LOW_C, HIGH_C = -45.0, 50.0
# A chance below this is not worth a word.
WORTH_SAYING = 0.01
NIGHT_AHEAD_S = 24.0 * 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """What is kept of a forecast to learn from it: arrays of one value per hour."""

    issued_s: float
    at_s: FloatArray
    temp_c: FloatArray
    night: FloatArray
    radiating: FloatArray
    still: FloatArray
    spread_k: FloatArray

    def at(self, wanted_s: float) -> list[float]:
        """Return temperature, regime and spread at a time, between hours by straight lines."""
        columns = (self.temp_c, self.night, self.radiating, self.still, self.spread_k)
        return [float(np.interp(wanted_s, self.at_s, c, left=np.nan, right=np.nan)) for c in columns]


class SiteWeather:
    """One site's own view of forecasts.  One thread may use it at a time.

    Parameters
    ----------
    place
        Where it stands.
    folder
        Where what it learned is kept.

    Attributes
    ----------
    trouble
        Why what was learned could not be kept or read, in plain words; empty when all is well.
    """

    def __init__(self, place: Place, folder: Path) -> None:
        self._place, self._path = place, folder / FILE_NAME
        self.trouble = ""
        self.correction = SiteCorrection()
        self._runs: list[_Run] = []
        self._readings: dict[float, float] = {}
        self._recall()

    def learn(self, now: datetime, outside_c: float) -> None:
        """Take in what the outside probe reads now [°C]; it counts once an hour, and NaN never."""
        now_s = now.timestamp()
        hour_s = round(now_s / STEP_S) * STEP_S
        if not LOW_C <= outside_c <= HIGH_C or hour_s in self._readings:
            return
        self._readings[hour_s] = outside_c
        oldest_s = hour_s - LAST_DAYS_H * STEP_S
        self._readings = {t: c for t, c in self._readings.items() if oldest_s <= t <= hour_s}
        self._runs = [run for run in self._runs if 0.0 <= now_s - run.issued_s <= RUNS_FOR_H * STEP_S]
        if self._runs:
            lead_h = np.array([(now_s - run.issued_s) / STEP_S for run in self._runs])
            temp_c, night, radiating, still, spread_k = np.array([run.at(now_s) for run in self._runs]).T
            regime = Regime(night, radiating, still)
            self.correction.learn(hour_s, lead_h, temp_c, regime, outside_c, spread_k)
        self._keep()

    def corrected(
        self, forecast: Forecast, now: datetime, outside_c: float = math.nan
    ) -> tuple[Forecast, Corrected]:
        """Return a forecast as to be expected at this site, and the distribution behind it.

        Parameters
        ----------
        forecast, now
            A service's forecast, and the present.
        outside_c
            What the outside probe reads now [°C]; NaN if that is not known.
        """
        run = self._run(forecast)
        self._note(run)
        lead_h = np.maximum((forecast.at_s - now.timestamp()) / STEP_S, 0.0)
        known_c = outside_c if LOW_C <= outside_c <= HIGH_C else math.nan
        out = self.correction.correct(
            forecast.at_s,
            lead_h,
            forecast.outside_temp_c,
            Regime(run.night, run.radiating, run.still),
            run.spread_k,
            observed_c=known_c,
            observed_at_s=now.timestamp(),
        )
        moved = replace(
            forecast,
            source=f"{forecast.source}, corrected for this site",
            outside_temp_c=out.mean_c,
            # air cannot be drier than saturated at the colder temperature
            dew_point_c=np.minimum(forecast.dew_point_c, out.mean_c),
            spread_k=out.spread_k,
            remark="; ".join(text for text in (forecast.remark, _remark(forecast, out, now)) if text),
        )
        return moved, out

    def without_forecast(self, now: datetime) -> Forecast | None:
        """Return what the outside probe's last days suggest; None without a reading of late."""
        return fallback_forecast(list(self._readings), list(self._readings.values()), self._place, now)

    # ---- runs and the file -----------------------------------------------------------------------------

    def _run(self, forecast: Forecast) -> _Run:
        regime = regime_of(
            forecast.at_s,
            self._place,
            temp_c=forecast.outside_temp_c,
            dew_point_c=forecast.dew_point_c,
            wind_m_s=forecast.wind_m_s,
            cloud_frac=forecast.cloud_frac,
        )
        spread_k = forecast.spread_k if forecast.spread_k is not None else np.full(forecast.at_s.size, np.nan)
        return _Run(
            forecast.fetched_at.timestamp(),
            forecast.at_s,
            forecast.outside_temp_c,
            regime.night,
            regime.radiating,
            regime.still,
            spread_k,
        )

    def _note(self, run: _Run) -> None:
        """Keep a run to learn from, unless one nearly as new is kept."""
        if not self._runs or run.issued_s - self._runs[-1].issued_s >= RUNS_APART_H * STEP_S:
            self._runs.append(run)
        elif run.issued_s < self._runs[-1].issued_s - RUNS_FOR_H * STEP_S:  # the clock was set back
            self._runs = [run]

    def _keep(self) -> None:
        plain = {
            "correction": self.correction.to_plain(),
            "readings": [[t, c] for t, c in self._readings.items()],
            "runs": [
                {"issued_s": run.issued_s} | {name: _listed(getattr(run, name)) for name in _COLUMNS}
                for run in self._runs
            ],
        }
        beside = self._path.with_name(FILE_NAME + ".new")
        try:
            with beside.open("w", encoding="utf-8") as file:
                json.dump(plain, file, separators=(",", ":"), allow_nan=False)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self._path)
            self.trouble = ""
        except OSError as error:
            self.trouble = f"what was learned of forecasts could not be kept ({error.strerror})"

    def _recall(self) -> None:
        try:
            with self._path.open("rb") as file:
                body = file.read(MAX_BYTES)
        except OSError:
            return
        try:
            plain = parse_json(body)
            correction = SiteCorrection.from_plain(plain["correction"])
            readings = {float(t): float(c) for t, c in plain["readings"]}
            runs = [_kept_run(run) for run in plain["runs"]]
        except (ValueError, KeyError, TypeError):
            self.trouble = "what was learned of forecasts was damaged and has been set aside; it begins anew"
            with contextlib.suppress(OSError):
                self._path.replace(self._path.with_name(FILE_NAME + ".damaged"))
            return
        self.correction, self._readings, self._runs = correction, readings, runs


_COLUMNS = ("at_s", "temp_c", "night", "radiating", "still", "spread_k")


def _listed(values: FloatArray) -> list[float | None]:
    return [value if math.isfinite(value) else None for value in values.tolist()]


def _kept_run(plain: Any) -> _Run:
    columns = [np.array(plain[name], dtype=np.float64) for name in _COLUMNS]
    if any(c.shape != columns[0].shape or c.ndim != 1 or c.size < 2 for c in columns):
        raise ValueError("the columns of a run differ in length")
    return _Run(float(plain["issued_s"]), *columns)


def _remark(forecast: Forecast, out: Corrected, now: datetime) -> str:
    """Return what the correction did to the coming day's lowest, and the chance of frost, in words."""
    begin_s = now.timestamp()
    coming = (forecast.at_s >= begin_s) & (forecast.at_s <= begin_s + NIGHT_AHEAD_S)
    if not coming.any():
        return ""
    moved_k = float(out.mean_c[coming].min() - forecast.outside_temp_c[coming].min())
    chance = out.chance_lowest_below(0.0, begin_s, begin_s + NIGHT_AHEAD_S)
    texts = []
    if abs(moved_k) >= 0.5:
        which = "warmer" if moved_k > 0 else "colder"
        texts.append(f"here expected {abs(moved_k):.1f} K {which} than the service says")
    if chance >= WORTH_SAYING:
        texts.append(f"chance of frost outside within 24 h: {chance:.0%}")
    return "; ".join(texts)
