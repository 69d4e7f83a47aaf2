"""What a probe's readings in melting ice say of its error.

Notes
-----
Crushed ice that melts in water is at 0.00 °C by definition of the ice point, however warm the room; the
practice is that of ASTM E563, "Preparation and Use of an Ice-Point Bath as a Reference Temperature" (from
memory).  What spoils it: too little ice, a probe that touches bottom or wall, salt.  A gram of salt in a
kilogram of water lowers it by 0.06 K (1.86 K·kg/mol x 2 ions / 58.4 g/mol; the cryoscopic constant as
in the CRC Handbook, from memory).
"""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import ProbeError

# So long, and so many readings at least, must be steady.  A sleeve that follows with ten minutes is then
# within 0.1 K of the bath (computed).
STEADY_S = 600.0
FEWEST = 5
# Readings of sixteenths of a degree, a little noisy, spread by this in a bath that stands still.
LARGEST_SPREAD_K = 0.25
LARGEST_DRIFT_K = 0.0625
# A probe further off is broken: twice what the data sheets of common ones allow (DS18B20: 0.5 K).
LARGEST_ERROR_K = 1.0

METHOD = """\
Fill a vacuum flask or a tall mug with crushed ice and top up with cold water until it just covers the ice.
Hang the probe in the middle, as deep as it will go, touching neither wall nor bottom, and wait ten minutes.
Stir now and then; there must be ice to the bottom throughout, and no salt. Melting ice is 0.0 °C by
definition (ASTM E563). Only the probe's sealed tip belongs in water: keep mains and boards away from it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What to add to a probe's readings, and what that rests on."""

    offset_k: float
    mean_c: float
    spread_k: float
    count: int


def calibrate(readings_c: Sequence[float]) -> Calibration:
    """Return a probe's correction from its raw readings in an ice bath, in order of time.

    Raises
    ------
    ProbeError
        They are too few, not steady, not near 0 °C, or those of a dead probe; the text says what to do.
    """
    if len(readings_c) < FEWEST:
        raise ProbeError(f"{len(readings_c)} readings; at least {FEWEST} in a row are needed")
    if not any(readings_c):
        raise ProbeError(
            "every reading is exactly 0.0, which a dead probe says too: hold it in your hand and see that it "
            "rises; if it does, it needs no correction"
        )
    mean_c = statistics.fmean(readings_c)
    if not abs(mean_c) <= LARGEST_ERROR_K:
        raise ProbeError(
            f"it reads {mean_c:.2f} °C; expected within {LARGEST_ERROR_K:g} K of 0 °C. Either this is no "
            "bath with melting ice to the bottom, or the probe is broken: replace it, do not correct it"
        )
    spread_k = max(readings_c) - min(readings_c)
    half = len(readings_c) // 2
    drift_k = statistics.fmean(readings_c[-half:]) - statistics.fmean(readings_c[:half])
    # written so that not a number fails
    if not (spread_k <= LARGEST_SPREAD_K and abs(drift_k) <= LARGEST_DRIFT_K):
        raise ProbeError(
            f"it is not steady: its readings spread over {spread_k:.2f} K and moved by {drift_k:+.2f} K; "
            f"expected at most {LARGEST_SPREAD_K:g} K and {LARGEST_DRIFT_K:g} K. Stir, add ice, and wait"
        )
    return Calibration(
        offset_k=round(-mean_c, 2) + 0.0, mean_c=mean_c, spread_k=spread_k, count=len(readings_c)
    )
