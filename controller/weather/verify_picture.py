"""The verification as a picture; needs matplotlib (extra ``report``)."""

from pathlib import Path

import numpy as np

from controller.picture import picture
from controller.weather.scores import normal_cdf, reliability
from controller.weather.verify import FROST_C, Replayed, pit_of, scores


def draw(played: Replayed, path: Path) -> None:
    """Write a picture of CRPS by group, of the PIT, and of the reliability of frost.

    Raises
    ------
    RimewardError
        Matplotlib is not installed, or the picture cannot be written.
    """
    with picture(path, (11, 4)) as figure:
        by_group, pit_axes, frost_axes = figure.subplots(1, 3)
        found = scores(played)
        places = np.arange(len(found))
        by_group.barh(places - 0.2, [s.crps_k[0] for s in found], 0.4, label="raw", color="0.6")
        by_group.barh(places + 0.2, [s.crps_k[1] for s in found], 0.4, label="corrected", color="tab:blue")
        by_group.set_yticks(places, [s.group for s in found])
        by_group.invert_yaxis()
        by_group.set_xlabel("CRPS [K], smaller is better")
        by_group.legend()
        pit_axes.hist(pit_of(played), bins=10, range=(0, 1), density=True, color="tab:blue")
        pit_axes.axhline(1.0, color="black", linewidth=1)
        pit_axes.set_xlabel("PIT: flat when calibrated")
        usable = np.isfinite(played.mean_c) & np.isfinite(played.pairs.observed_c)
        chance = normal_cdf((FROST_C - played.mean_c[usable]) / played.spread_k[usable])
        mean, often, _ = reliability(chance, (played.pairs.observed_c[usable] < FROST_C).astype(np.float64))
        frost_axes.plot([0, 1], [0, 1], color="black", linewidth=1)
        frost_axes.plot(mean, often, "o-", color="tab:blue")
        frost_axes.set_xlabel("chance of frost forecast")
        frost_axes.set_ylabel("how often there was frost")
