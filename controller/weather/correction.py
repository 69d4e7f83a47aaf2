"""What this site makes of a forecast: bias and spread by kind of hour and lead, learned from its own probe.

For each class of lead, the error (observed less forecast) is a sum over features of the regime with
coefficients that a Kalman filter follows; its variance is an exponentially weighted mean of squared
residuals by kind of hour.  Both start from a prior that says "no bias, honest width", so that the first week
helps and no week runs away: a coefficient is pulled back to zero as it ages, one hour counts at most
``MOST_Z`` spreads, and no correction exceeds ``MOST_BIAS_K``.

The errors of neighbouring hours are alike.  How alike is learned too, and used three times: an hour brings
only a share of a fresh observation to the filter; the probe's present departure fades into the coming hours
(the nowcast); and whole nights are drawn as paths, for the chance that a night's lowest is below a limit.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from controller.physics import FloatArray
from controller.weather.regime import Regime
from controller.weather.scores import normal_cdf

# Middles of the classes of lead [h]; between them everything is interpolated.
LEADS_H = np.array([1.5, 6.0, 12.0, 24.0, 42.0])
# Features: always, night, night and radiating, night and still, some and much of an inversion, radiating by
# day, and how far the forecast is from what the probe has read lately at that time of day (in tens of K).
FEATURES = 8
# Widths of the prior of each coefficient [K]: a model's plain bias is below 0.5 K (ECMWF Forecast User Guide
# 9.2), a hollow's on clear still nights 2 to 5 K (growers' reports).
PRIOR_K = np.array([0.5, 0.5, 0.5, 0.5, 1.5, 2.5, 0.5, 0.9])
# A coefficient forgets this fast [h]: a season changes a site, a week does not.
MEMORY_H = 24.0 * 60.0
# Kinds of hour for the spread: day, and night with a share of inversion round each of these.
INVERSION = np.array([0.0, 0.15, 0.35, 0.6])
# Prior error spread of each kind at each lead [K]; ECMWF Tech. Memo 880 has 2-2.5 K for Europe at one to
# three days (from memory), less at once.
PRIOR_SPREAD_K = np.array([1.4, 1.6, 1.7, 1.9, 2.2])[:, None] * np.array([1.0, 0.9, 1.1, 1.2, 1.2])
KINDS = 1 + INVERSION.size
# How long the running mean of readings remembers [h].
LATELY_H = 24.0 * 10.0
# How many hours of a kind the prior spread is worth, and how many a spread remembers.
PRIOR_HOURS, SPREAD_HOURS = 72.0, 24.0 * 45.0
LEAST_SPREAD_K, MOST_SPREAD_K = 0.4, 6.0
MOST_BIAS_K = 6.0
MOST_Z = 3.5
# How sure the spread is: about as if it came from this many independent nights of its kind.
TAIL_DEGREES = 8.0
# An hour this much before the last one learned means that the clock had run ahead [s].
CLOCK_SET_BACK_S = 2.0 * 86400.0
# The reading leaves at least this share of an hour's variance: probe and house are not one point.
LEAST_REMAINING = 0.02
# Lags [h] at which the likeness of errors is measured, the prior likeness at each, and its weight [h].
LAGS_H = (1, 3, 6, 12)
PRIOR_DECAY, PRIOR_LEVEL, PRIOR_LAG_HOURS = 0.90, 0.95, 200.0
LAG_HOURS = 24.0 * 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Corrected:
    """A corrected forecast: a Gaussian for each hour, and how alike the hours' errors are.

    ``mean_c`` [°C] and ``spread_k`` [K] have one value per hour.  Errors h hours apart are correlated by
    ``level`` x ``decay``^h, less what the probe's present reading has already told of them: ``fade`` is each
    hour's correlation with that reading, zero without one.
    """

    at_s: FloatArray
    mean_c: FloatArray
    spread_k: FloatArray
    level: float
    decay: float
    fade: FloatArray

    @property
    def likeness(self) -> FloatArray:
        """Correlation of the hours' errors, shape (hours, hours)."""
        alike = self.level * self.decay ** np.abs((self.at_s[:, None] - self.at_s[None, :]) / 3600.0)
        np.fill_diagonal(alike, 1.0)
        alike -= np.outer(self.fade, self.fade)
        remaining = np.sqrt(np.maximum(np.diag(alike), LEAST_REMAINING))
        alike /= np.outer(remaining, remaining)
        np.fill_diagonal(alike, 1.0)
        return alike

    def quantile_c(self, probability: float) -> FloatArray:
        """Return the temperature [°C] of each hour that is undercut with a probability, 0..1 exclusive."""
        return np.asarray(self.mean_c + self.spread_k * _normal_quantile(probability))

    def chance_below(self, limit_c: float) -> FloatArray:
        """Return for each hour the probability that it is colder than a limit [°C]."""
        return normal_cdf((limit_c - self.mean_c) / self.spread_k)

    def paths_c(self, count: int = 1000) -> FloatArray:
        """Return equally likely courses of temperature [°C], shape (count, hours), the same each time.

        Since the spread is itself an estimate, whole courses are widened or narrowed by what makes each hour
        Student's t with ``TAIL_DEGREES`` degrees of freedom and the stated spread.
        """
        root = np.linalg.cholesky(self.likeness + 1e-6 * np.eye(self.at_s.size))
        random = np.random.default_rng(20_260)
        half = random.standard_normal((count // 2, self.at_s.size)) @ root.T
        half *= np.sqrt((TAIL_DEGREES - 2.0) / random.chisquare(TAIL_DEGREES, (count // 2, 1)))
        # each course with its mirror image, so that the mean over courses is the mean
        return np.asarray(self.mean_c + self.spread_k * np.concatenate([half, -half]))

    def chance_lowest_below(self, limit_c: float, begin_s: float, end_s: float) -> float:
        """Return the chance that the lowest between two times is below a limit [°C]; NaN if outside."""
        inside = (self.at_s >= begin_s) & (self.at_s <= end_s)
        if not inside.any():
            return math.nan
        return float((self.paths_c()[:, inside].min(axis=1) < limit_c).mean())


class SiteCorrection:
    """What has been learned at one site.

    Feed it each hour's observation with the forecasts that were made for that hour (``learn``), and ask it
    about a forecast (``correct``).  Nothing here depends on when it is called.
    """

    def __init__(self) -> None:
        leads = LEADS_H.size
        self.coefficient_k = np.zeros((leads, FEATURES))
        self.covariance_k2 = np.tile(np.diag(PRIOR_K**2), (leads, 1, 1))
        self.variance_k2 = PRIOR_SPREAD_K**2
        self.hours = np.full((leads, KINDS), PRIOR_HOURS)
        prior = PRIOR_LEVEL * PRIOR_DECAY ** np.array(LAGS_H, dtype=np.float64)
        self.lag_product = PRIOR_LAG_HOURS * prior
        self.lag_weight = np.full(len(LAGS_H), PRIOR_LAG_HOURS)
        # the coefficients of one to two days ago: a run is judged by what was known when it was issued
        self.settled_k = self.coefficient_k.copy()
        self.settling_k = self.coefficient_k.copy()
        self.settled_day = -math.inf
        self._likeness: tuple[float, float] | None = None
        self.recent_z: dict[float, float] = {}
        self.mean_spread2 = math.nan
        self.lately_c = np.full(2, np.nan)
        self.learned_at_s = -math.inf

    # ---- learning --------------------------------------------------------------------------------------

    def learn(
        self,
        at_s: float,
        lead_h: FloatArray,
        forecast_c: FloatArray,
        regime: Regime,
        observed_c: float,
        stated_spread_k: ArrayLike = np.nan,
    ) -> None:
        """Take in one hour.

        Parameters
        ----------
        at_s
            The hour, seconds since 1970; one not later than the last learned is passed over, unless it is
            so much earlier that the clock must have been set back.
        lead_h, forecast_c, regime, stated_spread_k
            The forecasts made for it, shape (n,): how long before [h], temperature [°C], the kind of hour as
            forecast, and the service's own spread [K] if it has one.
        observed_c
            What the outside probe read [°C].
        """
        if not math.isfinite(observed_c) or 0.0 <= self.learned_at_s - at_s < CLOCK_SET_BACK_S:
            return
        # each class of lead takes the forecast nearest to its middle
        distance = np.where(
            np.isfinite(forecast_c), np.abs(np.log((lead_h + 1.0) / (LEADS_H[:, None] + 1.0))), np.inf
        )
        nearest = distance.argmin(axis=1)
        usable = distance[np.arange(LEADS_H.size), nearest] < math.log(2.6)
        if not usable.any():
            return
        self._age(max(0.0, min(MEMORY_H, (at_s - self.learned_at_s) / 3600.0)))
        self._settle(at_s)
        near = Regime(regime.night[nearest], regime.radiating[nearest], regime.still[nearest])
        stated = np.broadcast_to(np.asarray(stated_spread_k, dtype=np.float64), forecast_c.shape)
        features, kinds = self._described(near, forecast_c[nearest])
        width, error_k = self._width(stated[nearest], learn=True), observed_c - forecast_c[nearest]
        self._update(features, kinds, width, error_k, usable)
        self._remember_likeness(at_s, features, kinds, width, error_k, usable)
        self._follow(near, observed_c)
        self.learned_at_s = at_s

    def _follow(self, regime: Regime, observed_c: float) -> None:
        """Follow what the probe reads by day and by night."""
        night = float(regime.night[0])
        for index, share in enumerate((1.0 - night, night)):
            if not math.isfinite(self.lately_c[index]):
                self.lately_c[index] = observed_c
            self.lately_c[index] += share / (0.5 * LATELY_H) * (observed_c - self.lately_c[index])

    def _settle(self, at_s: float) -> None:
        """Once a day, move the coefficients on that spreads are judged by, and measure likeness anew."""
        day = at_s // 86400.0
        if day != self.settled_day:
            self.settled_k, self.settling_k = self.settling_k, self.coefficient_k.copy()
            self.settled_day, self._likeness = day, None

    def _age(self, elapsed_h: float) -> None:
        """Let coefficients return to, and their covariance widen towards, the prior."""
        keep = math.exp(-elapsed_h / MEMORY_H)
        self.coefficient_k *= keep
        self.covariance_k2 = keep**2 * self.covariance_k2 + (1.0 - keep**2) * np.diag(PRIOR_K**2)

    def _update(
        self, features: FloatArray, kinds: FloatArray, width: FloatArray, error_k: FloatArray, usable: Any
    ) -> None:
        variance = np.einsum("lk,lk->l", kinds, self.variance_k2) * width
        innovation = error_k - np.einsum("lf,lf->l", features, self.coefficient_k)
        spread = np.sqrt(variance)
        innovation = np.where(usable, np.clip(innovation, -MOST_Z * spread, MOST_Z * spread), 0.0)
        level, decay = self.likeness
        # an hour of correlated errors is worth this share of an independent one: (1 - r) / (1 + r)
        share = np.where(usable, max(0.02, (1.0 - level * decay) / (1.0 + level * decay)), 0.0)
        carried = np.einsum("lfg,lg->lf", self.covariance_k2, features)
        spread_of_sum = np.einsum("lf,lf->l", features, carried)
        gain = carried * (share / (variance + share * spread_of_sum))[:, None]
        self.coefficient_k += gain * innovation[:, None]
        self.covariance_k2 -= gain[:, :, None] * carried[:, None, :]
        residual = error_k - np.einsum("lf,lf->l", features, self.settled_k)
        residual = np.where(usable, np.clip(residual, -MOST_Z * spread, MOST_Z * spread), 0.0)
        weight = kinds * usable[:, None]
        self.hours = np.minimum(self.hours + weight, SPREAD_HOURS)
        self.variance_k2 += weight / self.hours * ((residual**2 / width)[:, None] - self.variance_k2)
        np.clip(self.variance_k2, LEAST_SPREAD_K**2, MOST_SPREAD_K**2, out=self.variance_k2)

    def _remember_likeness(
        self,
        at_s: float,
        features: FloatArray,
        kinds: FloatArray,
        width: FloatArray,
        error_k: FloatArray,
        usable: Any,
    ) -> None:
        shortest = int(np.flatnonzero(usable)[0])
        spread = math.sqrt(float(kinds[shortest] @ self.variance_k2[shortest]) * float(width[shortest]))
        z = float(error_k[shortest] - features[shortest] @ self.coefficient_k[shortest]) / spread
        z = max(-MOST_Z, min(MOST_Z, z))
        for index, lag_h in enumerate(LAGS_H):
            before = self.recent_z.get(at_s - 3600.0 * lag_h)
            if before is not None:
                keep = 1.0 - 1.0 / LAG_HOURS
                self.lag_product[index] = keep * self.lag_product[index] + z * before
                self.lag_weight[index] = keep * self.lag_weight[index] + 0.5 * (z * z + before * before)
        self.recent_z[at_s] = z
        oldest_s = at_s - 3600.0 * LAGS_H[-1]
        self.recent_z = {t: v for t, v in self.recent_z.items() if oldest_s <= t <= at_s}

    def _described(self, regime: Regime, forecast_c: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return each hour's features, shape (n, FEATURES), and its shares of kinds, shape (n, KINDS)."""
        night, radiating, still = regime.night, regime.radiating, regime.still
        hats = _hats(regime.inversion)
        lately_c = (1.0 - night) * self.lately_c[0] + night * self.lately_c[1]
        away = np.minimum(np.maximum((forecast_c - lately_c) / 10.0, -2.0), 2.0)
        features = np.empty((night.size, FEATURES))
        features[:, 0], features[:, 1] = 1.0, night
        features[:, 2], features[:, 3] = night * radiating, night * still
        features[:, 4] = hats[:, 1] + 0.5 * hats[:, 2]
        features[:, 5] = 0.5 * hats[:, 2] + hats[:, 3]
        features[:, 6] = (1.0 - night) * radiating
        features[:, 7] = np.where(np.isfinite(away), away, 0.0)
        kinds = np.empty((night.size, KINDS))
        kinds[:, 0], kinds[:, 1:] = 1.0 - night, night[:, None] * hats
        return features, kinds

    def _width(self, stated_spread_k: FloatArray, *, learn: bool = False) -> FloatArray:
        """Return by how much a service's own spread widens or narrows ours: half of what it says."""
        known = np.isfinite(stated_spread_k)
        if not known.any():
            return np.ones(stated_spread_k.shape)
        squared = float(np.mean(stated_spread_k[known] ** 2))
        usual = self.mean_spread2 if math.isfinite(self.mean_spread2) else max(squared, 1e-3)
        if learn:
            self.mean_spread2 = usual + (squared - usual) / SPREAD_HOURS
        ratio = np.where(known, stated_spread_k, 0.0) ** 2 / max(usual, 1e-3)
        return np.where(known, 0.5 + 0.5 * np.clip(ratio, 0.0, 5.0), 1.0)

    # ---- what it says ----------------------------------------------------------------------------------

    @property
    def likeness(self) -> tuple[float, float]:
        """How alike errors are: a level and a decay; h hours apart it is level x decay^h."""
        if self._likeness is not None:
            return self._likeness
        measured = np.clip(self.lag_product / self.lag_weight, 0.02, 0.995)
        lags = np.array(LAGS_H, dtype=np.float64)
        weights = measured**2
        slope, intercept = np.polyfit(lags, np.log(measured), 1, w=weights)
        level, decay = math.exp(float(intercept)), math.exp(float(slope))
        self._likeness = (max(0.3, min(1.0, level)), max(0.5, min(0.995, decay)))
        return self._likeness

    def bias_k(self, lead_h: FloatArray, regime: Regime, forecast_c: FloatArray) -> FloatArray:
        """Return what to add to each hour of a forecast [K]."""
        return self._bias_k(self._described(regime, forecast_c)[0], _lead_shares(lead_h))

    def _bias_k(self, features: FloatArray, shares: FloatArray) -> FloatArray:
        bias_k = (features @ self.coefficient_k.T * shares).sum(axis=1)
        return np.asarray(np.minimum(np.maximum(bias_k, -MOST_BIAS_K), MOST_BIAS_K))

    def correct(
        self,
        at_s: FloatArray,
        lead_h: FloatArray,
        forecast_c: FloatArray,
        regime: Regime,
        stated_spread_k: ArrayLike = np.nan,
        *,
        observed_c: float = math.nan,
        observed_at_s: float = math.nan,
    ) -> Corrected:
        """Return the corrected forecast.

        Parameters
        ----------
        at_s, lead_h, forecast_c, regime, stated_spread_k
            One value per hour, in order of time, as in ``learn``.
        observed_c, observed_at_s
            What the outside probe reads [°C] and when; its departure from this forecast fades into the
            coming hours.
        """
        features, kinds = self._described(regime, forecast_c)
        shares = _lead_shares(lead_h)
        mean_c = forecast_c + self._bias_k(features, shares)
        width = self._width(np.broadcast_to(np.asarray(stated_spread_k, dtype=np.float64), forecast_c.shape))
        variance = (kinds @ self.variance_k2.T * shares).sum(axis=1) * width
        spread_k = np.sqrt(variance)
        level, decay = self.likeness
        fade = np.zeros(at_s.size)
        if math.isfinite(observed_c) and at_s[0] <= observed_at_s <= at_s[-1]:
            here = float(np.interp(observed_at_s, at_s, spread_k))
            z = (observed_c - float(np.interp(observed_at_s, at_s, mean_c))) / here
            fade = level * decay ** (np.abs(at_s - observed_at_s) / 3600.0)
            mean_c = mean_c + fade * spread_k * max(-MOST_Z, min(MOST_Z, z))
            spread_k = spread_k * np.sqrt(np.maximum(1.0 - fade**2, LEAST_REMAINING))
        return Corrected(at_s, mean_c, np.maximum(spread_k, 0.5 * LEAST_SPREAD_K), level, decay, fade)

    # ---- keeping ---------------------------------------------------------------------------------------

    def to_plain(self) -> dict[str, Any]:
        """Return everything learned as a JSON object."""
        plain: dict[str, Any] = {name: getattr(self, name).tolist() for name in _ARRAYS}
        plain |= {name: _or_none(getattr(self, name)) for name in _NUMBERS}
        plain["lately_c"] = [_or_none(value) for value in self.lately_c.tolist()]
        plain["recent_z"] = [[at_s, z] for at_s, z in self.recent_z.items()]
        return plain

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> "SiteCorrection":
        """Return what ``to_plain`` kept; raise ``ValueError`` if it is not that."""
        learned = cls()
        try:
            for name in _ARRAYS:
                value = np.array(plain[name], dtype=np.float64)
                if value.shape != getattr(learned, name).shape or not np.isfinite(value).all():
                    raise ValueError(f"{name} is not whole")
                setattr(learned, name, value)
            for name in _NUMBERS:
                value = plain[name]
                setattr(learned, name, getattr(learned, name) if value is None else float(value))
            learned.lately_c = np.array([math.nan if v is None else float(v) for v in plain["lately_c"]])
            learned.recent_z = {float(at_s): float(z) for at_s, z in plain["recent_z"]}
        except (KeyError, TypeError) as error:
            raise ValueError(f"this is not a kept site correction: {error}") from error
        return learned


_ARRAYS = (
    "coefficient_k",
    "settled_k",
    "settling_k",
    "covariance_k2",
    "variance_k2",
    "hours",
    "lag_product",
    "lag_weight",
)
_NUMBERS = ("mean_spread2", "learned_at_s", "settled_day")


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _hats(inversion: FloatArray) -> FloatArray:
    """Return how near each hour's inversion is to each of ``INVERSION``; the shares sum to one."""
    place = np.interp(inversion, INVERSION, np.arange(INVERSION.size, dtype=np.float64))
    return np.maximum(1.0 - np.abs(place[:, None] - np.arange(INVERSION.size)), 0.0)


def _lead_shares(lead_h: FloatArray) -> FloatArray:
    """Return how near each hour's lead is to each class of lead, shape (n, leads); the shares sum to one."""
    place = np.interp(lead_h, LEADS_H, np.arange(LEADS_H.size, dtype=np.float64))
    return np.maximum(1.0 - np.abs(place[:, None] - np.arange(LEADS_H.size)), 0.0)


def _normal_quantile(probability: float) -> float:
    """Return the standard normal quantile; ``statistics`` has Wichura's algorithm AS 241."""
    from statistics import NormalDist  # noqa: PLC0415 (loads fractions and decimal, which the daemon seldom needs)

    return NormalDist().inv_cdf(probability)
