"""How good the forecasts were at this site, raw and corrected, by lead and by kind of hour.

The pairs are played in the order in which they happened: every forecast is corrected with what had been
learned when it was issued, and only then compared with what the probe saw.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray
from controller.site.model import Place
from controller.weather.correction import SiteCorrection
from controller.weather.pairs import Pairs
from controller.weather.regime import Regime, regime_of
from controller.weather.scores import brier, crps_ensemble, crps_gaussian, normal_cdf, pit_gaussian

FROST_C = 0.0
# A night, by the sun's time: from 17 to 8 o'clock (meteorologists' convention for night minima varies).
NIGHT_FROM_H, NIGHT_TO_H = 17.0, 32.0
# A run speaks of a night if it was made in the 12 h before it and says this many of its hours.
LEAST_NIGHT_HOURS = 10
WARN_AT = 0.01
LEAD_CLASSES_H = ((0.0, 6.0), (6.0, 12.0), (12.0, 24.0), (24.0, 48.0), (48.0, math.inf))
# From this share of inversion on, an hour counts as a clear still night.
INVERSION_FROM = 0.3

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Replayed:
    """Pairs with what the correction made of each when it was issued."""

    pairs: Pairs
    regime: Regime
    mean_c: FloatArray
    spread_k: FloatArray
    learned: SiteCorrection
    nights: "tuple[Night, ...]"


@dataclass(frozen=True, slots=True)
class Night:
    """One night as the last run before it saw it, and as it was."""

    begin_s: float
    raw_min_c: float
    frost_chance: float
    observed_min_c: float

    @property
    def raw_warned(self) -> bool:
        """Whether the forecast as issued said frost."""
        return self.raw_min_c < FROST_C

    @property
    def warned(self) -> bool:
        """Whether the corrected forecast made a warning worth while."""
        return self.frost_chance >= WARN_AT


@dataclass(frozen=True, slots=True)
class Score:
    """Scores of one group of pairs; the raw CRPS of a single value is its absolute error."""

    group: str
    count: int
    bias_k: tuple[float, float]
    rmse_k: tuple[float, float]
    crps_k: tuple[float, float]
    frost_brier: tuple[float, float]
    inside_90: float


def replay(pairs: Pairs, place: Place) -> Replayed:
    """Return the pairs corrected as they would have been, in order of time."""
    regime = regime_of(
        pairs.at_s,
        place,
        temp_c=pairs.forecast_c,
        dew_point_c=pairs.dew_point_c,
        wind_m_s=pairs.wind_m_s,
        cloud_frac=pairs.cloud_frac,
    )
    learned = SiteCorrection()
    mean_c, spread_k = np.full(pairs.at_s.size, np.nan), np.full(pairs.at_s.size, np.nan)
    nights: dict[float, Night] = {}
    by_time, by_issue = _groups(pairs.at_s), _groups(pairs.issued_s)
    for now_s in sorted({*by_time, *by_issue}):
        seen = by_time.get(now_s)
        observed_c = math.nan
        if seen is not None:
            known = pairs.observed_c[seen][np.isfinite(pairs.observed_c[seen])]
            observed_c = float(known[0]) if known.size else math.nan
            learned.learn(
                now_s,
                pairs.lead_h[seen],
                pairs.forecast_c[seen],
                _at(regime, seen),
                observed_c,
                pairs.spread_k[seen],
            )
        run = by_issue.get(now_s)
        if run is None or not (run := run[np.isfinite(pairs.forecast_c[run])]).size:
            continue
        out = learned.correct(
            pairs.at_s[run],
            pairs.lead_h[run],
            pairs.forecast_c[run],
            _at(regime, run),
            pairs.spread_k[run],
            observed_c=observed_c,
            observed_at_s=now_s,
        )
        mean_c[run], spread_k[run] = out.mean_c, out.spread_k
        night = next_night(now_s, place)
        inside = (pairs.at_s[run] >= night[0]) & (pairs.at_s[run] <= night[1])
        told = pairs.observed_c[run][inside]
        if inside.sum() >= LEAST_NIGHT_HOURS and np.isfinite(told).all():
            nights[night[0]] = Night(
                begin_s=night[0],
                raw_min_c=float(pairs.forecast_c[run][inside].min()),
                frost_chance=out.chance_lowest_below(FROST_C, *night),
                observed_min_c=float(told.min()),
            )
    return Replayed(pairs, regime, mean_c, spread_k, learned, tuple(nights.values()))


def next_night(now_s: float, place: Place) -> tuple[float, float]:
    """Return when the night begins and ends that a run made now is the last to see coming [s]."""
    sun_s = now_s + 240.0 * place.longitude_deg  # 240 s of the sun's time for each degree
    day_s = sun_s // 86_400.0 * 86_400.0
    days = 0.0 if sun_s - day_s < NIGHT_FROM_H * 3600.0 else 86_400.0
    begin_s = now_s - (sun_s - day_s) + days + NIGHT_FROM_H * 3600.0
    return begin_s, begin_s + (NIGHT_TO_H - NIGHT_FROM_H) * 3600.0


def scores(played: Replayed) -> list[Score]:
    """Return the scores of all pairs, by lead, and by kind of hour."""
    pairs, regime = played.pairs, played.regime
    usable = np.isfinite(played.mean_c) & np.isfinite(pairs.observed_c)
    inversion = regime.inversion >= INVERSION_FROM
    groups: list[tuple[str, Mask]] = [("all", usable)]
    groups += [(_lead_name(low, high), usable & _between(pairs, low, high)) for low, high in LEAD_CLASSES_H]
    groups += [
        ("clear still night", usable & inversion),
        ("other night", usable & ~inversion & (regime.night >= 0.5)),
        ("day", usable & ~inversion & (regime.night < 0.5)),
    ]
    return [_score(name, played, mask) for name, mask in groups if mask.any()]


def _lead_name(low_h: float, high_h: float) -> str:
    return f"{low_h:g}-{high_h:g} h ahead" if math.isfinite(high_h) else f"from {low_h:g} h ahead"


def _between(pairs: Pairs, low_h: float, high_h: float) -> Mask:
    return np.asarray((pairs.lead_h >= low_h) & (pairs.lead_h < high_h))


def _score(group: str, played: Replayed, mask: Mask) -> Score:
    pairs = played.pairs
    observed, raw, mean, spread = (
        values[mask] for values in (pairs.observed_c, pairs.forecast_c, played.mean_c, played.spread_k)
    )
    frost = (observed < FROST_C).astype(np.float64)
    raw_crps, raw_chance = np.abs(raw - observed), (raw < FROST_C).astype(np.float64)
    if pairs.members_c is not None:
        members = pairs.members_c[mask]
        whole = np.isfinite(members).all(axis=1)
        raw_crps[whole] = crps_ensemble(members[whole], observed[whole])
        raw_chance[whole] = (members[whole] < FROST_C).mean(axis=1)
    return Score(
        group=group,
        count=int(mask.sum()),
        bias_k=(_mean(raw - observed), _mean(mean - observed)),
        rmse_k=(math.sqrt(_mean((raw - observed) ** 2)), math.sqrt(_mean((mean - observed) ** 2))),
        crps_k=(_mean(raw_crps), _mean(crps_gaussian(mean, spread, observed))),
        frost_brier=(
            _mean(brier(raw_chance, frost)),
            _mean(brier(normal_cdf((FROST_C - mean) / spread), frost)),
        ),
        inside_90=_mean((np.abs(observed - mean) < 1.6449 * spread).astype(np.float64)),
    )


def text_of(played: Replayed) -> str:
    """Return the scores as a table for people."""
    return "\n".join(_lines(played, scores(played)))


def _lines(played: Replayed, found: Sequence[Score]) -> Iterator[str]:
    if not found:
        yield "No forecast has met a reading yet: nothing can be said."
        return
    yield "Forecast against the outside probe; in each column raw -> corrected for this site."
    yield (f"{'':<20}{'pairs':>8}{'bias K':>16}{'RMSE K':>16}{'CRPS K':>16}{'frost Brier':>18}{'in 90 %':>9}")
    for s in found:
        numbers = "".join(f"{f'{a:.2f} -> {b:.2f}':>16}" for a, b in (s.bias_k, s.rmse_k, s.crps_k))
        before, after = s.frost_brier
        yield f"{s.group:<20}{s.count:>8}{numbers}{f'{before:.3f} -> {after:.3f}':>18}{s.inside_90:>9.0%}"
    yield from _night_lines(played.nights)
    yield "CRPS of a single raw value is its absolute error. In 90 %: how often the corrected 90 % range"
    yield "held; well below 90 % means that the forecast was surer than it had reason to be."


def _night_lines(nights: Sequence[Night]) -> Iterator[str]:
    frosts = [night for night in nights if night.observed_min_c < FROST_C]
    milds = [night for night in nights if night.observed_min_c >= FROST_C]
    yield (
        f"Nights judged by the last run before 17 o'clock (sun time): {len(nights)}, "
        f"of them {len(frosts)} with frost outside."
    )
    yield (
        f"  Missed frosts: {sum(not night.raw_warned for night in frosts)} raw, "
        f"{sum(not night.warned for night in frosts)} corrected (warned from {WARN_AT:.0%} on)."
    )
    yield (
        f"  Warned in vain, of {len(milds)} nights without: {sum(night.raw_warned for night in milds)} raw, "
        f"{sum(night.warned for night in milds)} corrected."
    )


def pit_of(played: Replayed) -> FloatArray:
    """Return where each observation fell in its corrected distribution, 0..1, unknown ones left out."""
    usable = np.isfinite(played.mean_c) & np.isfinite(played.pairs.observed_c)
    return pit_gaussian(played.mean_c[usable], played.spread_k[usable], played.pairs.observed_c[usable])


def _groups(values: FloatArray) -> dict[float, NDArray[np.intp]]:
    order = np.argsort(values, kind="stable")
    unique, first = np.unique(values[order], return_index=True)
    return dict(zip(unique.tolist(), np.split(order, first[1:]), strict=True))


def _at(regime: Regime, index: NDArray[np.intp]) -> Regime:
    return Regime(regime.night[index], regime.radiating[index], regime.still[index])


def _mean(values: FloatArray) -> float:
    return float(np.mean(values))
