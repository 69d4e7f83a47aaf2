"""Champion and challenger: whether a newly learnt model may replace the one in use, and on what evidence."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray
from controller.thermal.doubt import doubt_of_fit
from controller.thermal.fit import Fit
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters
from controller.thermal.record import Record
from controller.thermal.trial import night_hindcast, scores

# A challenger needs this many judged readings, about two nights of hourly predictions.
LEAST_READINGS = 24
# No one place may be foretold worse than before by more than this [K], however good the others.
WORSE_AT_MOST_K = 0.1
# Innovations of hourly readings may hang together no more than those of the model in use, and this is always
# white enough.  A real house is never quite white: fits to nine simulated records gave 0.44 to 0.86, the
# handbook 0.89 to 0.93 on the same.
WHITE_ENOUGH = 0.6
# A number further from the handbook than this many widths of its prior says that the model bends to explain
# something else: a fleece off, a door open, a probe in the sun.
FAR_WIDTHS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether a challenger is accepted, why, and the figures that decided."""

    accepted: bool
    because: str
    predictions: int
    rmse_k: float
    champion_rmse_k: float
    share_in_90_pct_band: float
    largest_autocorrelation: float
    champion_autocorrelation: float
    largest_prior_widths: float
    furthest: str


def judge(
    challenger: Fit, champion: Parameters, champion_noise: Noise, record: Record, split: int
) -> Verdict:
    """Return whether a challenger learnt from the steps before ``split`` may replace the champion.

    Both foretell, twelve hours ahead, the nights from ``split`` on.  The champion may have learnt from some
    of them; that leans towards keeping it.
    """
    ours = night_hindcast(
        challenger.parameters, challenger.noise, record, split, doubt=doubt_of_fit(challenger)
    )
    theirs = night_hindcast(champion, champion_noise, record, split)
    inner = [k for k, knob in enumerate(challenger.knobs) if not knob.of_noise]
    furthest = max(inner, key=lambda k: abs(challenger.prior_widths[k]))
    hanging = scores(challenger.parameters, challenger.noise, record, begin=split).largest_autocorrelation()
    before = scores(champion, champion_noise, record, begin=split).largest_autocorrelation()
    known = np.isfinite(ours.error_k)
    verdict = Verdict(
        accepted=False,
        because="",
        predictions=int(known.sum()),
        rmse_k=_rms(ours.error_k[known]),
        champion_rmse_k=_rms(theirs.error_k[known]),
        share_in_90_pct_band=_share(np.abs(ours.error_k[known]) <= 1.6449 * ours.sd_k[known]),
        largest_autocorrelation=float(hanging.max()),
        champion_autocorrelation=float(before.max()),
        largest_prior_widths=float(challenger.prior_widths[furthest]),
        furthest=challenger.labels[furthest],
    )
    worse_k = {
        name: _rms(ours.error_k[there, column]) - _rms(theirs.error_k[there, column])
        for column, (name, there) in enumerate(
            zip(("house", *challenger.prior.tree_names), known.T, strict=True)
        )
    }
    faults = list(_faults(verdict, worse_k, settled=challenger.converged))
    because = "; ".join(faults) or (
        f"nights not seen are foretold to {verdict.rmse_k:.2f} K where it was "
        f"{verdict.champion_rmse_k:.2f} K, twelve hours ahead"
    )
    return replace(verdict, accepted=not faults, because=because)


def _faults(verdict: Verdict, worse_k: dict[str, float], *, settled: bool) -> Iterator[str]:
    """Yield what speaks against a challenger; comparisons are written so that NaN speaks against it."""
    if not settled:
        yield "the search did not settle"
    if verdict.predictions < LEAST_READINGS:
        yield f"only {verdict.predictions} readings to judge by, {LEAST_READINGS} are needed"
        return
    if not verdict.rmse_k <= verdict.champion_rmse_k:
        yield (
            f"it foretells nights worse than the model in use: {verdict.rmse_k:.2f} K against "
            f"{verdict.champion_rmse_k:.2f} K"
        )
    for name, more_k in worse_k.items():
        if more_k > WORSE_AT_MOST_K:
            yield f"it foretells {name} worse by {more_k:.2f} K"
    if not verdict.largest_autocorrelation <= max(WHITE_ENOUGH, verdict.champion_autocorrelation):
        yield (
            f"what it does not foretell hangs together from hour to hour more than before "
            f"({verdict.largest_autocorrelation:.2f} against {verdict.champion_autocorrelation:.2f}): "
            "something lasting is left out"
        )
    if not abs(verdict.largest_prior_widths) <= FAR_WIDTHS:
        yield (
            f"{verdict.furthest} lies {abs(verdict.largest_prior_widths):.1f} prior widths from the "
            f"handbook, at most {FAR_WIDTHS:g}: see that fleece, vents, strings and probes are "
            "as the site file says"
        )


def _rms(error_k: FloatArray) -> float:
    return float(np.sqrt(np.mean(error_k**2))) if error_k.size else math.nan


def _share(inside: NDArray[np.bool_]) -> float:
    return float(inside.mean()) if inside.size else math.nan
