"""What was learnt and foretold, in words for people and as JSON for programs."""

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from controller.learn.ahead import Z_90, Foretold, Learnt
from controller.physics import FloatArray
from controller.site.model import Site
from controller.thermal.fit import Fit
from controller.thermal.hindcast import Hindcast
from controller.thermal.knobs import Knob

# A number further from the handbook than this many widths of its prior is pointed out.
FAR_WIDTHS = 3.0
_UNITS = {
    "_w_s_per_k_m": "W/K per m/s",
    "_w_per_k": "W/K",
    "_j_per_k": "kJ/K",
    "_solar_m2": "m²",
}
_TABLE_EVERY_S = 3600.0


def learnt_text(learnt: Learnt, site: Site, name: str) -> str:
    """Return a fit for people."""
    return "\n".join(_learnt_lines(learnt, site, name))


def _learnt_lines(learnt: Learnt, site: Site, name: str) -> Iterator[str]:
    yield f"{site.title}, as {name} shows it"
    yield from (f"  - {remark}" for remark in learnt.logbook.remarks)
    yield ""
    yield f"{'':<38}{'handbook':>10}{'learnt':>10}  {'unit':<12}{'error':>7}{'widths':>8}"
    for row in parameter_rows(learnt.fit):
        far = " !" if abs(row["prior_widths"]) > FAR_WIDTHS else ""
        error, widths = f"±{row['relative_error']:.0%}", f"{row['prior_widths']:+.1f}"
        yield (
            f"{row['name']:<38}{row['handbook']:>10.4g}{row['learnt']:>10.4g}  {row['unit']:<12}{error:>7}"
            f"{widths:>8}{far}"
        )
    yield "error: standard error, as far as the house is as simple as the model; widths: how many widths of"
    yield "its prior a number lies from the handbook's, ! beyond three."
    if not learnt.fit.converged:
        yield "The search did not settle: do not trust these numbers; look for spoiled readings."
    yield ""
    yield from _trial_lines(learnt)
    if learnt.warnings:
        yield ""
        yield "Not known yet:"
        yield from (f"  - {warning}" for warning in learnt.warnings)


def _trial_lines(learnt: Learnt) -> Iterator[str]:
    if learnt.trial is None or learnt.handbook_trial is None:
        yield "Too short a record, or too few readings at its end, to keep nights back and judge by them."
        return
    names = ("house", *learnt.fit.prior.tree_names)
    judged, handbook = learnt.trial, learnt.handbook_trial
    yield (
        f"Twelve hours ahead into nights it had not seen ({len(judged.start)} predictions, the weather that "
        "came taken as known):"
    )
    yield f"{'':<24}{'RMSE learnt':>13}{'RMSE handbook':>15}{'in 90 % band':>14}"
    for name, ours, theirs, share in zip(
        names, _rmse(judged), _rmse(handbook), judged.covered(), strict=True
    ):
        if math.isfinite(ours):
            yield f"{name:<24}{ours:>11.2f} K{theirs:>13.2f} K{share:>14.0%}"


def learnt_json(learnt: Learnt, site: Site) -> dict[str, Any]:
    """Return a fit as plain data."""
    trial = None
    if learnt.trial is not None and learnt.handbook_trial is not None:
        trial = {
            "lead_h": learnt.trial.lead_s / 3600.0,
            "predictions": len(learnt.trial.start),
            "names": ["house", *learnt.fit.prior.tree_names],
            "rmse_k": _plain(_rmse(learnt.trial)),
            "handbook_rmse_k": _plain(_rmse(learnt.handbook_trial)),
            "share_in_90_pct_band": _plain(learnt.trial.covered()),
        }
    return {
        "site": site.name,
        "converged": learnt.fit.converged,
        "rounds": learnt.fit.rounds,
        "parameters": parameter_rows(learnt.fit),
        "trial": trial,
        "not_known_yet": list(learnt.warnings),
        "remarks": list(learnt.logbook.remarks),
    }


def parameter_rows(fit: Fit) -> list[dict[str, Any]]:
    """Return each number that was turned: handbook's and learnt value, unit, relative error, widths."""
    rows = []
    for k, knob in enumerate(fit.knobs):
        if knob.of_noise:
            continue
        unit, scale = _unit(knob)
        before, after = (_value(numbers, knob) * scale for numbers in (fit.prior, fit.parameters))
        rows.append(
            {
                "name": fit.labels[k],
                "field": knob.field,
                "tree": None if knob.tree is None else fit.prior.tree_names[knob.tree],
                "unit": unit,
                "handbook": before,
                "learnt": after,
                "relative_error": float(fit.standard_error[k]),
                "prior_widths": float(fit.prior_widths[k]),
            }
        )
    return rows


def foretold_text(foretold: Foretold, site: Site) -> str:
    """Return a prediction for people, in the site's own time."""
    return "\n".join(_foretold_lines(foretold, site))


def _foretold_lines(foretold: Foretold, site: Site) -> Iterator[str]:
    spread, names = foretold.spread, foretold.names
    zone = ZoneInfo(site.place.time_zone)
    yield f"{site.title}: predicted and [measured] °C, ± half the 90 % band, {site.place.time_zone} time"
    yield from (f"  - {remark}" for remark in (*foretold.logbook.remarks, *foretold.remarks))
    wide = [max(24, len(name) + 2) for name in names]
    yield ""
    yield f"{'':<13}{'outside':>8}" + "".join(f"{name:>{w}}" for name, w in zip(names, wide, strict=True))
    every = max(1, round(_TABLE_EVERY_S / (spread.at_s[1] - spread.at_s[0])))
    for k in range(0, len(spread.at_s), every):
        at = datetime.fromtimestamp(float(spread.at_s[k]), zone)
        cells = "".join(f"{_cell(foretold, k, o):>{w}}" for o, w in enumerate(wide))
        yield f"{at:%a %d %H:%M} {foretold.outside_c[k]:>8.1f}{cells}"
    yield ""
    limits_c = np.r_[0.0, foretold.hold_c]
    for o, (name, chance) in enumerate(zip(names, foretold.chance_below(limits_c), strict=True)):
        line = (
            f"{name}: at coldest {foretold.mean_c[:, o].min():.1f} °C; chance of going below "
            f"{limits_c[o]:g} °C under the powers written: {chance:.0%}"
        )
        if math.isfinite(foretold.rmse_k[o]):
            line += (
                f"; RMSE {foretold.rmse_k[o]:.2f} K, {foretold.covered[o]:.0%} of readings in the 90 % band"
            )
        yield line
    yield "The weather written in the logbook is taken as known: a forecast would add its own error."


def _cell(foretold: Foretold, k: int, output: int) -> str:
    half = Z_90 * foretold.sd_k[k, output]
    measured = foretold.measured_c[k, output]
    seen = f"[{measured:.1f}]" if math.isfinite(measured) else "[ - ]"
    return f"{foretold.mean_c[k, output]:.1f} ± {half:.1f} {seen:>7}"


def foretold_json(foretold: Foretold, site: Site) -> dict[str, Any]:
    """Return a prediction as plain data, each column one value for each time."""
    columns = {
        name: {
            "predicted_c": _plain(foretold.mean_c[:, o]),
            "sd_k": _plain(foretold.sd_k[:, o]),
            "measured_c": _plain(foretold.measured_c[:, o]),
            "rmse_k": _plain(foretold.rmse_k[o : o + 1])[0],
            "share_in_90_pct_band": _plain(foretold.covered[o : o + 1])[0],
        }
        for o, name in enumerate(foretold.names)
    }
    return {
        "site": site.name,
        "learnt": foretold.fit is not None,
        "at": [f"{datetime.fromtimestamp(float(s), UTC):%Y-%m-%dT%H:%M:%SZ}" for s in foretold.spread.at_s],
        "outside_c": _plain(foretold.outside_c),
        "columns": columns,
        "remarks": [*foretold.logbook.remarks, *foretold.remarks],
    }


def _rmse(trial: Hindcast) -> FloatArray:
    known = np.isfinite(trial.error_k)
    squares = np.where(known, trial.error_k**2, 0.0).sum(0)
    return np.where(known.any(0), np.sqrt(squares / np.maximum(known.sum(0), 1)), np.nan)


def _plain(values: FloatArray) -> list[float | None]:
    return [round(float(value), 4) if math.isfinite(value) else None for value in values]


def _unit(knob: Knob) -> tuple[str, float]:
    for ending, unit in _UNITS.items():
        if knob.field.endswith(ending):
            return unit, 1e-3 if ending == "_j_per_k" else 1.0
    return "", 1.0


def _value(numbers: Any, knob: Knob) -> float:
    value = getattr(numbers, knob.field)
    return float(value if knob.tree is None else value[knob.tree])
