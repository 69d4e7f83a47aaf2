"""What age does to a forecast: its spread grows.  A service that says the same for half a day has stalled."""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from controller.weather.forecast import STEP_S, Forecast

# Global models are run every 6 or 12 hours; the same numbers for longer [s] mean that none came through.
STALLED_S = 13 * 3600.0
# An old forecast's spread grows by this much an hour [K/h]: half a kelvin every six hours.
GROWTH_K_PER_H = 0.5 / 6.0
# This age [h] is that of every forecast and widens nothing.
YOUNG_H = 6.0


def widened(forecast: Forecast, age_h: float) -> Forecast:
    """Return a forecast whose spread has grown with its age."""
    more_k = GROWTH_K_PER_H * (age_h - YOUNG_H)
    if not more_k > 0.0:
        return forecast
    known = np.zeros(len(forecast.at_s)) if forecast.spread_k is None else forecast.spread_k
    return replace(forecast, spread_k=np.hypot(np.where(np.isfinite(known), known, 0.0), more_k))


@dataclass(slots=True)
class Pulse:
    """Whether a service's numbers still change from one answer to the next."""

    last: Forecast | None = None
    changed_at: datetime | None = None

    def unchanged_s(self, forecast: Forecast) -> float:
        """Take in an answer; return for how long [s] the hours it shares with the last ones stood still."""
        if self.last is None or self.changed_at is None or not _same_where_both(self.last, forecast):
            self.changed_at = forecast.fetched_at
        self.last = forecast
        return (forecast.fetched_at - self.changed_at).total_seconds()


def _same_where_both(before: Forecast, now: Forecast) -> bool:
    """Tell whether two forecasts have the same temperatures in the coming hours that both cover."""
    begin_s = max(float(before.at_s[0]), float(now.at_s[0]), now.fetched_at.timestamp())
    end_s = min(float(before.at_s[-1]), float(now.at_s[-1]))
    if end_s - begin_s < 6 * STEP_S:
        return False
    ours, theirs = (f.outside_temp_c[(f.at_s >= begin_s) & (f.at_s <= end_s)] for f in (before, now))
    return bool(np.array_equal(ours, theirs, equal_nan=True))
