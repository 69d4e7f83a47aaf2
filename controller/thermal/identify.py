"""What a fit could not tell from its record, in plain words."""

from collections.abc import Iterator

import numpy as np

from controller.thermal.fit import Fit
from controller.thermal.record import Record

# A loss known worse than this leaves watts and losses in doubt; the heater step brings it to some 3 %.
SURE = 0.12
# A knob whose error is still this share of its prior's width was told nothing of by the record.
UNTOLD = 0.9
# Knobs that move together like this cannot be told apart.
TOGETHER = 0.9
# A string on for this long without a break is a heater step, or as good as one [s].
STEP_S = 3.0 * 3600.0
# Share of its time that a step's power must be on: a thermostat's pulses count for less.
ON_SHARE = 0.95
HEATER_STEP = (
    "run the 6 h heater step: one mild evening, fleece on and vents shut, all strings on from 18 to 24 h, "
    "then off until morning; stay within reach while it runs"
)
# Strings warm a house by little more than its weather strays by; 2 kW beside them bring the error of its loss
# from 8 to 4 % (five trees of 340 W), from 15 to 5 % (one), computed for a week.
HOUSE_HEATER = (
    "in a heater step let a heater of known watts, 2 kW or so, warm the house's air together with the "
    "strings, on a circuit of its own and watched, and give its watts in a logbook (`house_heater_w`)"
)


def identifiability(fit: Fit, record: Record) -> tuple[str, ...]:
    """Return what is not known yet, and what would tell it; empty where all that matters is known."""
    return tuple(_tree_warnings(fit, record)) + tuple(_house_warnings(fit, record)) + tuple(_untold(fit))


def heated_at_length(power_w: np.ndarray[tuple[int], np.dtype[np.float64]], step_s: float) -> bool:
    """Return whether a power (T,) was on at one stretch long enough to tell watts from losses."""
    length = max(1, round(STEP_S / step_s))
    peak = float(power_w.max(initial=0.0))
    if peak <= 0.0 or len(power_w) < length:
        return False
    total = np.r_[0.0, np.cumsum(power_w)]
    return bool((total[length:] - total[:-length] >= ON_SHARE * peak * length).any())


def _house_loss_error(fit: Fit, wind_m_s: float) -> float:
    """Return the relative standard error of a house's whole loss at a wind; known better than its parts."""
    calm, windy = _column(fit, "house_loss_w_per_k"), _column(fit, "house_wind_loss_w_s_per_k_m")
    p = fit.parameters
    parts = np.array([p.house_loss_w_per_k, wind_m_s * p.house_wind_loss_w_s_per_k_m])
    weight = parts / parts.sum()
    return float(np.sqrt(weight @ fit.covariance[np.ix_([calm, windy], [calm, windy])] @ weight))


def _column(fit: Fit, field: str, tree: int | None = None) -> int:
    return next(k for k, knob in enumerate(fit.knobs) if knob.field == field and knob.tree == tree)


def _tree_warnings(fit: Fit, record: Record) -> Iterator[str]:
    step_s = record.inputs.step_s
    for tree, name in enumerate(fit.prior.tree_names):
        error = float(fit.standard_error[_column(fit, "fleece_loss_w_per_k", tree)])
        if not np.isfinite(record.tree_temp_c[:, tree]).any():
            yield f"{name}: no reading of its air; its numbers are the handbook's"
        elif error > SURE and not heated_at_length(record.inputs.string_w[:, tree], step_s):
            yield (
                f"{name}: string watts and fleece loss cannot be told apart yet (loss known "
                f"to ±{error:.0%}): {HEATER_STEP}"
            )
        elif error > SURE:
            yield f"{name}: fleece loss is known to ±{error:.0%} only; more cold, heated nights will tell"


def _house_warnings(fit: Fit, record: Record) -> Iterator[str]:
    heat_w = record.inputs.house_heat_w + record.inputs.string_w.sum(-1)
    if not heated_at_length(heat_w, record.inputs.step_s):
        yield (
            "no heat of known watts was on for three hours: losses, capacities and gains of sunshine are "
            "known in proportion only, their scale is the handbook's; predictions without heat do not suffer"
        )
    else:
        error = _house_loss_error(fit, float(np.nanmean(record.inputs.wind_m_s)))
        if error > SURE:
            yield f"the house's loss is known to ±{error:.0%} only: {HOUSE_HEATER}"
    loss, sky = _column(fit, "house_loss_w_per_k"), _column(fit, "sky_loss_w_per_k")
    if abs(fit.correlation[loss, sky]) > TOGETHER:
        yield "loss to the air and loss to the sky cannot be told apart yet: clear nights and dull will tell"


def _untold(fit: Fit) -> Iterator[str]:
    widths = np.array([knob.sd for knob in fit.knobs])
    untold = [
        label
        for label, knob, share in zip(fit.labels, fit.knobs, fit.standard_error / widths, strict=True)
        if share > UNTOLD and not knob.of_noise
    ]
    if untold:
        yield f"the record says nothing of: {', '.join(untold)} (the handbook's numbers stand)"
