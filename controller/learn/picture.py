"""What was learnt and foretold as a picture; needs matplotlib (extra ``report``)."""

from pathlib import Path
from typing import Any

import numpy as np

from controller.learn.ahead import Z_90, Foretold, Learnt
from controller.physics import FloatArray
from controller.picture import picture
from controller.thermal.doubt import doubt_of_fit
from controller.thermal.fit import Fit
from controller.thermal.trial import night_hindcast

_COLOURS = ("tab:blue", "tab:orange", "tab:green", "tab:red", "tab:purple", "tab:brown", "tab:olive")


def draw_learnt(learnt: Learnt, path: Path) -> None:
    """Write a picture of a fit: nights twelve hours ahead against readings, residuals, parameters.

    Raises
    ------
    RimewardError
        Matplotlib is not installed, or the picture cannot be written.
    """
    record = learnt.logbook.record
    shown = learnt.trial
    title = "twelve hours ahead, nights not seen before"
    if shown is None:
        shown = night_hindcast(
            learnt.fit.parameters, learnt.fit.noise, record, 0, doubt=doubt_of_fit(learnt.fit)
        )
        title = "twelve hours ahead, the nights learnt from"
    at_s = np.asarray(
        record.inputs.start_s + record.inputs.step_s * shown.start + shown.lead_s, dtype=np.float64
    )
    names = ("house", *learnt.fit.prior.tree_names)
    _draw(path, title, names, at_s, shown.predicted_c, shown.sd_k, shown.measured_c, learnt.fit, "o")


def draw_foretold(foretold: Foretold, path: Path) -> None:
    """Write a picture of a prediction with its band, what was measured, residuals, parameters.

    Raises
    ------
    RimewardError
        Matplotlib is not installed, or the picture cannot be written.
    """
    _draw(
        path,
        "predicted from the first time shown",
        foretold.names,
        foretold.spread.at_s,
        foretold.mean_c,
        foretold.sd_k,
        foretold.measured_c,
        foretold.fit,
        "",
    )


def _draw(
    path: Path,
    title: str,
    names: tuple[str, ...],
    at_s: FloatArray,
    mean_c: FloatArray,
    sd_k: FloatArray,
    measured_c: FloatArray,
    fit: Fit | None,
    marker: str,
) -> None:
    with picture(path, (14, 8)) as figure:
        grid = figure.add_gridspec(2, 2, width_ratios=(2, 1), height_ratios=(2, 1))
        above = figure.add_subplot(grid[0, 0])
        below = figure.add_subplot(grid[1, 0], sharex=above)
        turned = figure.add_subplot(grid[:, 1])
        at = at_s / 86400.0  # days since 1970 are what the library counts dates in
        line = "none" if marker else "-"
        for o, name in enumerate(names):
            colour = _COLOURS[o % len(_COLOURS)]
            above.plot(at, measured_c[:, o], ".", markersize=3, color=colour, label=f"{name} measured")
            if marker:
                above.errorbar(
                    at,
                    mean_c[:, o],
                    yerr=Z_90 * sd_k[:, o],
                    fmt=marker,
                    markersize=3,
                    alpha=0.35,
                    color=colour,
                )
            else:
                above.plot(at, mean_c[:, o], color=colour)
                low, high = mean_c[:, o] - Z_90 * sd_k[:, o], mean_c[:, o] + Z_90 * sd_k[:, o]
                above.fill_between(at, low, high, alpha=0.15, color=colour)
            below.plot(at, (mean_c - measured_c)[:, o], ".", markersize=3, linestyle=line, color=colour)
        above.xaxis_date()
        above.set_title(title)
        above.set_ylabel("°C, bands hold 90 %")
        above.legend(fontsize="small")
        below.axhline(0.0, color="black", linewidth=1)
        below.set_ylabel("predicted - measured [K]")
        below.set_xlabel("UTC")
        below.tick_params(axis="x", rotation=30)
        _draw_parameters(turned, fit)


def _draw_parameters(axes: Any, fit: Fit | None) -> None:
    """Draw each number as its ratio to the handbook's, with the prior's width behind its error bar."""
    axes.set_xlabel("ratio to the handbook's number\nbars: one standard error; grey: the prior's width")
    axes.axvline(1.0, color="black", linewidth=1)
    if fit is None:
        axes.set_title("nothing learnt: the handbook's numbers")
        return
    shown = [k for k, knob in enumerate(fit.knobs) if not knob.of_noise]
    places = np.arange(len(shown))
    widths = np.array([fit.knobs[k].sd for k in shown])
    axes.barh(places, np.exp(widths) - np.exp(-widths), left=np.exp(-widths), color="0.85")
    middle, error = np.exp(fit.theta[shown]), np.exp(fit.standard_error[shown])
    low, high = middle / error, middle * error
    axes.errorbar(middle, places, xerr=np.array([middle - low, high - middle]), fmt="o", color="tab:blue")
    axes.set_xscale("log")
    ticks = [0.25, 0.5, 1.0, 2.0, 4.0]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_yticks(places, [fit.labels[k] for k in shown], fontsize="small")
    axes.invert_yaxis()
