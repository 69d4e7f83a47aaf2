"""The model witness: what each tree's air should be, from everything but the tree's own probes.

A Kalman filter of the transfer model (``thermal.filter``) is carried along in whole steps of 300 s.  It is
told the outside air, the weather expected and which strings the boards say are on, and reads the house probe
alone: what it says of a tree hangs on no wire of that tree, so that a probe that is stuck, moved, swapped or
forged cannot persuade it.

What it may do is little.  It never grants OFF.  It forbids OFF where a probe reads more than two spreads
above it while it is not itself sure, by two spreads, that the tree is warm: ``contradicts``.  It is not heard

- before its spread has come down to 3 K, nor after a gap of half an hour until then;
- after three readings of the house in a row that it finds absurd;
- by day without a forecast, since nobody tells it of the sun;
- of a tree, where at least half of the other trees are as unexplained: then the model errs, not all probes.

The spread is the filter's own, widened by what the filter does not know: half a kelvin, a fifth of what the
tree is warmer than the house (one deviation, where losses are known from materials to about 30 %), one kelvin
while its string cycles, which five minutes smooth away, and two while the sun shines.  On the rehearsed
nights and sixty winter days, whose house is not the filter's, 99 of 100 sound readings lie less than half a
kelvin above it by night, 4.2 K in the sun (computed).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from controller.guard.now import Now
from controller.physics import FloatArray
from controller.site.model import Site
from controller.thermal.drive import Inputs
from controller.thermal.filter import BLIND_K, Estimate, Filter
from controller.thermal.model import (
    DEEP,
    FIRST_STRING,
    HOUSE,
    OFFSET,
    OUTSIDE,
    SKY,
    SUN,
    SUNNY_W_M2,
    input_count,
    sky_chill_k,
)
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters, parameters_of
from controller.thermal.record import MIDDLING, driven
from controller.thermal.sunlight import sun_altitude_deg

STEP_S = 300.0
# After so long without a step the house is begun anew.
LONGEST_GAP_S = 1800.0
# One begun anew does not know what warmth the strings have left in the soil: it heats for its doubts from the
# first, but for so long nobody is told of them (the time constant of the air under fleece is an hour or two).
LEARNS_S = 7200.0
# So many spreads a probe may read above the witness; were errors normal, one sound reading in 44 lay further.
SPREADS = 2.0
LARGEST_SPREAD_K = 3.0
FLOOR_K, LIFT_SHARE, CYCLE_K, SUN_K = 0.5, 0.2, 1.0, 2.0
# The innovation of a house reading, in standard deviations, that is absurd, and how many in a row.
ABSURD_SCORE = 5.0
MOST_MISSES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class WitnessRules:
    """What the witness needs to know of a site, once.

    ``strings`` holds tree number and watts, ``vents`` the air moved [m³/s], by board and channel.
    """

    tree_count: int
    strings: Mapping[str, Mapping[str, tuple[int, float]]]
    vents: Mapping[str, Mapping[str, float]]
    deep_c: float
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """What the witness says of one tree: mean [°C], spread [K], and whether it may count at all."""

    mean_c: float = math.nan
    spread_k: float = math.nan
    trusted: bool = False

    def is_exceeded_by(self, temp_c: float) -> bool:
        """Tell whether a reading is warmer than the model can explain."""
        return temp_c > self.mean_c + SPREADS * self.spread_k

    def is_sure_above(self, limit_c: float) -> bool:
        """Tell whether the tree is warmer than a limit, as far as the model may be heard."""
        return self.trusted and self.mean_c - SPREADS * self.spread_k > limit_c

    def contradicts(self, temp_c: float, limit_c: float) -> bool:
        """Tell whether a reading above a limit is in doubt: unexplained, and the tree may be cold."""
        return self.trusted and self.is_exceeded_by(temp_c) and not self.is_sure_above(limit_c)


SILENT = Word()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """The weather expected, as the state space is driven by it; rows of ``step_s`` from ``start_s`` on."""

    start_s: float
    step_s: float
    u: FloatArray  # (T, m)
    wind_m_s: FloatArray  # (T,)

    def row(self, now: Now) -> int | None:
        """Return the row that holds now; None outside them, or where nobody knows the time."""
        row = math.floor((now.utc.timestamp() - self.start_s) / self.step_s) if now.clock_trusted else -1
        return row if 0 <= row < len(self.wind_m_s) and math.isfinite(self.u[row].sum()) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Senses:
    """What the witness is told at a step.

    ``house_c`` and ``outside_c`` are NaN where their probes may not be believed; so is each of ``trees_c``,
    which only tell whether most are unexplained.  ``vent_m3_s`` is the air that vents move.
    """

    house_c: float
    outside_c: float
    trees_c: tuple[float, ...]
    vent_m3_s: float
    fleece_on: tuple[bool, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Witness:
    """The witness at one time, begun at ``begun_s``.

    ``estimate`` is on the monotonic clock, ``words`` are in the order of the trees.
    """

    filter: Filter
    joules: tuple[float, ...]
    expected: Expected | None = None
    estimate: Estimate | None = None
    misses: int = 0
    stepped_s: float = math.nan
    begun_s: float = math.inf
    words: tuple[Word, ...] = ()

    def word(self, tree: int) -> Word:
        """Return what it says of a tree, by its number."""
        return self.words[tree] if self.words else SILENT

    def has_learnt(self, now: Now) -> bool:
        """Tell whether it has watched for so long that a doubt that lasts is worth telling people."""
        return now.mono_s - self.begun_s >= LEARNS_S

    def is_due(self, now: Now) -> bool:
        """Tell whether a step is due."""
        return self.estimate is None or now.mono_s - self.estimate.at_s >= STEP_S


def witness_rules_of(site: Site) -> WitnessRules:
    """Return what the witness needs to know of a site."""
    strings: dict[str, dict[str, tuple[int, float]]] = {}
    vents: dict[str, dict[str, float]] = {}
    for number, tree in enumerate(site.trees):
        for string in tree.strings:
            board, _, channel = string.channel.partition("/")
            strings.setdefault(board, {})[channel] = (number, string.power_w)
    for vent in site.vents:
        board, _, channel = vent.channel.partition("/")
        vents.setdefault(board, {})[channel] = vent.flow_m3_s
    return WitnessRules(
        tree_count=len(site.trees),
        strings=strings,
        vents=vents,
        deep_c=site.house.deep_soil_c,
        latitude_deg=site.place.latitude_deg,
        longitude_deg=site.place.longitude_deg,
    )


def begin(site: Site) -> Witness:
    """Return a witness that has seen nothing and goes by the handbook's numbers."""
    return Witness(
        filter=Filter(parameters_of(site), Noise(), step_s=STEP_S), joules=(0.0,) * len(site.trees)
    )


def told(witness: Witness, parameters: Parameters, noise: Noise, weather: Inputs | None) -> Witness:
    """Return the witness told of the model in use and the weather expected."""
    expected = None
    if weather is not None:
        expected = Expected(
            start_s=weather.start_s, step_s=weather.step_s, u=driven(weather), wind_m_s=weather.wind_m_s
        )
    if witness.filter.parameters is parameters and witness.filter.noise == noise:
        return replace(witness, expected=expected)
    return replace(witness, filter=Filter(parameters, noise, step_s=STEP_S), expected=expected)


def heated(witness: Witness, rules: WitnessRules, board: str, on: tuple[str, ...], span_s: float) -> Witness:
    """Return the witness after a board has had some outputs on for a while [s]."""
    strings = rules.strings.get(board, {})
    if strings.keys().isdisjoint(on):
        return witness
    joules = list(witness.joules)
    for channel in on:
        if channel in strings:
            tree, power_w = strings[channel]
            joules[tree] += power_w * span_s
    return replace(witness, joules=tuple(joules))


def step(witness: Witness, rules: WitnessRules, senses: Senses, now: Now) -> Witness:
    """Return the witness carried to the present, in whole steps."""
    before, count = witness.estimate, rules.tree_count
    idle = Witness(
        filter=witness.filter, joules=(0.0,) * count, expected=witness.expected, stepped_s=now.mono_s
    )
    u, wind_m_s, sun_w_m2 = _driven(witness, rules, senses, now)
    readings_c = np.full(1 + count, np.nan)
    readings_c[0] = senses.house_c
    misses, begun_s = 0, witness.begun_s
    if before is None or not now.mono_s - before.at_s <= LONGEST_GAP_S:
        if not math.isfinite(senses.house_c):  # nothing to begin from
            return idle
        begun_s = now.mono_s
        estimate = witness.filter.start(begun_s, readings_c, float(u[OUTSIDE]), float(u[DEEP]))
    else:
        ahead = witness.filter.carry(
            _blind(before) if math.isnan(u[OUTSIDE]) else before,
            np.where(np.isnan(u), before.mean[HOUSE], u),
            int((now.mono_s - before.at_s) // STEP_S),
            wind_m_s=wind_m_s,
            vent_m3_s=senses.vent_m3_s,
            fleece_on=senses.fleece_on,
            sunny=sun_w_m2 > SUNNY_W_M2,
        )
        estimate, surprise = witness.filter.read(ahead, readings_c)
        misses = witness.misses + 1 if abs(surprise.score[0]) > ABSURD_SCORE else 0
    words = _words(
        witness.filter,
        estimate,
        senses.trees_c,
        np.array(witness.joules) > 0.0,
        sunny=not sun_w_m2 <= SUNNY_W_M2,
        heard=misses < MOST_MISSES and not math.isnan(sun_w_m2),
    )
    if words is None:  # a model that no longer gives numbers is begun anew
        return idle
    return replace(idle, estimate=estimate, misses=misses, begun_s=begun_s, words=words)


def weather_now(witness: Witness, rules: WitnessRules, now: Now) -> tuple[float, float]:
    """Return the outside temperature expected now [°C] and the sunshine [W/m²]; NaN where nobody knows."""
    row = witness.expected.row(now) if witness.expected is not None else None
    if witness.expected is None or row is None:
        return math.nan, math.nan if _may_shine(rules, now) else 0.0
    u = witness.expected.u[row]
    return float(u[OUTSIDE]), float(u[SUN])


def _driven(
    witness: Witness, rules: WitnessRules, senses: Senses, now: Now
) -> tuple[FloatArray, float, float]:
    """Return what drives the house now, the wind [m/s], and the sun [W/m²], NaN where nobody knows it."""
    expected = witness.expected
    row = expected.row(now) if expected is not None else None
    if expected is not None and row is not None:
        u, wind_m_s = expected.u[row].copy(), float(expected.wind_m_s[row])
        sun_w_m2 = float(u[SUN])
    else:
        u, wind_m_s = np.zeros(input_count(rules.tree_count)), MIDDLING["wind_m_s"]
        u[OUTSIDE], u[DEEP] = math.nan, rules.deep_c
        u[SKY] = sky_chill_k(MIDDLING["sky_depression_k"], wind_m_s)
        sun_w_m2 = math.nan if _may_shine(rules, now) else 0.0
    if math.isfinite(senses.outside_c):
        u[OUTSIDE] = senses.outside_c
    span_s = now.mono_s - witness.stepped_s
    if span_s > 0.0:
        u[FIRST_STRING:] = np.array(witness.joules) / span_s
    return u, wind_m_s, sun_w_m2


def _may_shine(rules: WitnessRules, now: Now) -> bool:
    """Tell whether the sun may shine now: it is up, or nobody knows the time."""
    altitude_deg = sun_altitude_deg(now.utc.timestamp(), rules.latitude_deg, rules.longitude_deg)
    return not (now.clock_trusted and altitude_deg <= 0.0)


def _blind(estimate: Estimate) -> Estimate:
    """Return the estimate as unsure of the outside as one is that does not know it."""
    covariance = estimate.covariance.copy()
    covariance[OFFSET, OFFSET] = max(covariance[OFFSET, OFFSET], BLIND_K**2)
    return replace(estimate, covariance=covariance)


def _words(
    filter_: Filter,
    estimate: Estimate,
    trees_c: tuple[float, ...],
    cycling: NDArray[np.bool_],
    *,
    sunny: bool,
    heard: bool,
) -> tuple[Word, ...] | None:
    """Return what is said of each tree; None where it is no number."""
    all_c, sd_k = filter_.witness(estimate)
    lift_k = LIFT_SHARE * (all_c[1:] - all_c[0])
    wider_k2 = FLOOR_K**2 + lift_k**2 + CYCLE_K**2 * cycling + (SUN_K**2 if sunny else 0.0)
    spreads_k = np.sqrt(sd_k[1:] ** 2 + wider_k2).tolist()
    means_c = all_c[1:].tolist()
    if not math.isfinite(sum(means_c) + sum(spreads_k)):
        return None
    exceeded = [
        temp_c > mean_c + SPREADS * spread_k
        for temp_c, mean_c, spread_k in zip(trees_c, means_c, spreads_k, strict=True)
    ]
    others, total = sum(map(math.isfinite, trees_c)) - 1, sum(exceeded)
    return tuple(
        Word(
            mean_c=mean_c,
            spread_k=spread_k,
            trusted=heard
            and spread_k <= LARGEST_SPREAD_K
            # at least half of the other trees are unexplained too
            and not (others > 0 and 2 * (total - is_exceeded) >= others),
        )
        for mean_c, spread_k, is_exceeded in zip(means_c, spreads_k, exceeded, strict=True)
    )
