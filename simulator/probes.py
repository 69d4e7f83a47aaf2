"""Temperature probes as they are: slow, a little off, a little noisy, in sixteenths of a degree."""

import math
from collections.abc import Callable
from zlib import crc32

import numpy as np

# DS18B20 data sheet: ±0.5 °C from -10 to +85 °C, range -55..125 °C, 12 bits are 1/16 °C.
LARGEST_OFFSET_K = 0.5
LOWEST_C, HIGHEST_C = -55.0, 125.0
STEP_C = 1.0 / 16.0
# Two of three probes of that kind lie within half of what the sheet allows (estimate); a steel sleeve in
# still air follows with some two minutes (estimate).
OFFSET_DEVIATION_K = 0.2
NOISE_K = 0.03
LAG_S = 120.0
_BLOCK = 512


def generator(seed: int, name: str) -> np.random.Generator:
    """Return a random generator of its own for each name, the same for the same seed."""
    return np.random.default_rng([seed, crc32(name.encode())])


# A bare probe of 6 mm in still air: 4.6 W/(m²·K) of long waves near 0 °C beside some 12 by convection; it
# keeps half of the sunshine that meets it, as wide as a quarter of its surface (estimates).
SURFACES_SHARE = 4.6 / (4.6 + 12.0)
SUN_K_PER_W_M2 = 0.5 * 0.25 / (4.6 + 12.0)


def felt_c(air_c: float, around_c: float, sun_w_m2: float, bare: float) -> float:
    """Return what a probe takes for the air's temperature [°C].

    Parameters
    ----------
    air_c, around_c : float
        Temperature of the air, and of the surfaces round it as they radiate [°C].
    sun_w_m2 : float
        Sunshine where it hangs [W/m²].
    bare : float
        How far it is not screened, 0..1.

    Notes
    -----
    A screen is known to leave up to 2.5 K too warm on calm sunny days and 0.5 K too cold on calm clear nights
    (WMO-No. 8, part I, chapter 2, from memory): ``bare`` of some 0.2 to 0.6.
    """
    return air_c + bare * (SURFACES_SHARE * (around_c - air_c) + SUN_K_PER_W_M2 * sun_w_m2)


class SimProbe:
    """One probe.

    Parameters
    ----------
    name : str
        Its id; decides its own randomness together with ``seed``.
    seed : int
        Decides its offset and its noise.
    lag_s : float
        Time constant with which it follows the air [s].
    offset_k : float, optional
        How far it reads too high [K]; left out, drawn at random.

    Attributes
    ----------
    spoilers : list of callable
        What a fault makes of each reading [°C], one after the other; NaN is no number.

    """

    def __init__(self, name: str, seed: int, *, lag_s: float = LAG_S, offset_k: float | None = None) -> None:
        self.name = name
        self._rng = generator(seed, name)
        drawn_k = float(
            np.clip(self._rng.normal(0.0, OFFSET_DEVIATION_K), -LARGEST_OFFSET_K, LARGEST_OFFSET_K)
        )
        self.offset_k = drawn_k if offset_k is None else offset_k
        self.lag_s = lag_s
        self._felt_c = math.nan
        self._noise: list[float] = []
        self.spoilers: list[Callable[[float], float]] = []

    def follow(self, true_c: float, dt_s: float) -> None:
        """Feel a true temperature [°C] for some seconds; the first one is felt at once."""
        if math.isnan(self._felt_c):
            self._felt_c = true_c
        else:
            self._felt_c += (true_c - self._felt_c) * -math.expm1(-dt_s / self.lag_s)

    def reading_c(self) -> float:
        """Return what it says now [°C]; NaN before it felt anything."""
        if not self._noise:
            self._noise = (NOISE_K * self._rng.standard_normal(_BLOCK)).tolist()
        said_c = self._felt_c + self.offset_k + self._noise.pop()
        if not math.isnan(said_c):
            said_c = min(max(round(said_c / STEP_C) * STEP_C, LOWEST_C), HIGHEST_C)
        for spoiler in self.spoilers:
            said_c = spoiler(said_c)
        return said_c
