"""Several services on the same nights: their disagreement as spread, and in words."""

from dataclasses import replace

import numpy as np

from controller.physics import FloatArray
from controller.weather.forecast import STEP_S, Forecast

# A difference of the coming night's lowest temperature [K] that a grower should hear of.
WORTH_SAYING_K = 2.0
_COMING_H = 24


def with_opinions(base: Forecast, others: list[Forecast]) -> Forecast:
    """Return a forecast whose spread and remark tell how far other services disagree with it.

    Of two equally good forecasts with independent errors, the mean square of their difference is twice the
    variance of either; that is added to what spread there is.  The temperatures stay those of ``base``:
    services are never mixed hour by hour.
    """
    if not others:
        return base
    differences = np.array(
        [_on_hours_of(base, o.at_s, o.outside_temp_c) - base.outside_temp_c for o in others]
    )
    spreads = [_on_hours_of(base, o.at_s, o.spread_k) for o in (base, *others) if o.spread_k is not None]
    own_k = spreads[0] if spreads else np.zeros(len(base.at_s))
    known = np.isfinite(differences)
    between = np.where(known, differences, 0.0) ** 2
    variance = between.sum(axis=0) / np.maximum(known.sum(axis=0), 1) / 2.0
    total_k = np.sqrt(np.where(np.isfinite(own_k), own_k, 0.0) ** 2 + variance)
    spread_k = np.where(known.any(axis=0) | np.isfinite(own_k), total_k, np.nan)
    return replace(base, spread_k=spread_k, remark=_remark(base, others))


def _on_hours_of(base: Forecast, at_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return another forecast's values at the hours of ``base``, NaN where it has none."""
    index = np.rint((base.at_s - at_s[0]) / STEP_S).astype(int)
    inside = (index >= 0) & (index < len(at_s))
    return np.where(inside, values[np.clip(index, 0, len(at_s) - 1)], np.nan)


def _remark(base: Forecast, others: list[Forecast]) -> str:
    """Return what to tell of the coming night's lowest temperature."""
    begin = base.fetched_at.timestamp()
    coming = (base.at_s >= begin) & (base.at_s <= begin + _COMING_H * STEP_S)
    words = []
    for other in others:
        theirs = _on_hours_of(base, other.at_s, other.outside_temp_c)
        both = coming & np.isfinite(theirs) & np.isfinite(base.outside_temp_c)
        if not both.any():
            continue
        lowest_c, base_c = float(theirs[both].min()), float(base.outside_temp_c[both].min())
        if abs(lowest_c - base_c) >= WORTH_SAYING_K:
            far = f"{abs(lowest_c - base_c):.1f} K {'colder' if lowest_c < base_c else 'warmer'}"
            words.append(
                f"{other.source} sees {lowest_c:.1f} °C at the coldest, {far} than {base.source} "
                f"({base_c:.1f} °C)"
            )
    return f"The services disagree: {'; '.join(words)}. Plan for the colder." if words else ""
