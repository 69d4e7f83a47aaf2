"""What hangs between a relay and the heat: supply, a frost-stat in series, lamps that burn out one by one."""

import bisect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controller.site.handbook import StringKind
from controller.site.model import Site
from simulator.probes import generator

# Power of a filament lamp goes with this power of its voltage (illuminating-engineering handbooks, from
# memory: 1.5 to 1.6); of a cable, whose resistance stays, with the square (Ohm).
LAMP_POWER_EXPONENT = 1.6
CABLE_POWER_EXPONENT = 2.0
# A common outdoor lamp of the size strings are made of (common practice, no source) [W].
LAMP_W = 7.0
# Life of such a filament lamp and its deviation [h]; it shortens with this power of the voltage (IES Lighting
# Handbook, from memory: 1000 to 3000 h, deviation about a fifth, 12th to 13th power).
LIFE_H, LIFE_DEVIATION_H = 3000.0, 600.0
AGEING_EXPONENT = 13.0
# A frost-stat opens this far above the mark at which it closes [K], and its capillary follows the air with
# this time constant [s] (common practice, no source).
STAT_BAND_K, STAT_LAG_S = 3.0, 300.0


class Lamps:
    """The lamps of one string, each with a life of its own; in parallel, so that one takes no other with it.

    Parameters
    ----------
    power_w : float
        Of the string when all are whole [W].
    burnt_h : float
        For how long they have burnt [h]; whoever hung them up had replaced the dead ones.
    chance : Generator
        Decides their lives.

    Attributes
    ----------
    dead : int
        How many have burnt out.
    """

    def __init__(self, power_w: float, burnt_h: float, chance: np.random.Generator) -> None:
        count = max(1, round(power_w / LAMP_W))
        ends_h = chance.normal(LIFE_H, LIFE_DEVIATION_H, count)
        while (dead := ends_h <= burnt_h).any():  # replaced by one of a life of its own
            ends_h[dead] += np.abs(chance.normal(LIFE_H, LIFE_DEVIATION_H, int(dead.sum())))
        self._ends_h = sorted(ends_h.tolist())
        self._burnt_h = burnt_h
        self._next_h = self._ends_h[0]
        self.dead = 0

    def burn(self, span_s: float, voltage: float) -> None:
        """Let them burn for a while [s] at a share of their nominal voltage."""
        self._burnt_h += span_s / 3600.0 * (1.0 if voltage == 1.0 else voltage**AGEING_EXPONENT)
        if self._burnt_h >= self._next_h:
            self.dead = bisect.bisect_right(self._ends_h, self._burnt_h)
            self._next_h = self._ends_h[self.dead] if self.dead < len(self._ends_h) else float("inf")

    @property
    def whole_share(self) -> float:
        """What of the string still burns, 0..1."""
        return 1.0 - self.dead / len(self._ends_h)


class FrostStat:
    """A mechanical thermostat in series with a string: no heat in mild air, whatever a relay does.

    Parameters
    ----------
    mark_c : float
        Where it is set: it closes at this air temperature [°C].
    band_k : float
        So far above it opens [K].
    is_closed : bool
        How it stands, until the air has reached one of its marks.
    """

    def __init__(self, mark_c: float, band_k: float = STAT_BAND_K, *, is_closed: bool = True) -> None:
        self._mark_c, self._band_k = mark_c, band_k
        self._felt_c: float | None = None
        self.is_closed = is_closed

    def feel(self, air_c: float, span_s: float) -> None:
        """Let it follow the air for a while [s]; the first air is felt at once."""
        if self._felt_c is None:
            self._felt_c = air_c
        self._felt_c += (air_c - self._felt_c) * -float(np.expm1(-span_s / STAT_LAG_S))
        if self._felt_c <= self._mark_c:
            self.is_closed = True
        elif self._felt_c >= self._mark_c + self._band_k:
            self.is_closed = False


@dataclass(slots=True)
class _String:
    """One string: watts at full voltage of what is whole of it, and how these go with voltage."""

    board: str
    channel: str
    circuit: str
    power_w: float
    exponent: float
    full_w: float
    lamps: Lamps | None


class Strings:
    """All strings of a site.

    Parameters
    ----------
    site, seed
        What hangs where; the seed decides how long lamps live.
    is_wired : bool
        False where there are no boards: then nothing ever heats.
    power_factor : float
        By which their watts differ from the site file's.
    burnt_h : float
        For how long lamps have burnt [h].
    frost_stat_c : float, optional
        Where frost-stats are set [°C]; left out, they are turned up.

    Attributes
    ----------
    mains : dict of str to bool
        Which circuits have power.
    voltage : dict of str to float
        Of each circuit, as a share of its nominal voltage.
    conducts : list of list of float
        For each tree and string, the share of it that can heat, whatever its lamps and frost-stat do.
    stats : list of FrostStat or None
        The frost-stat of each tree's strings; None is one that is turned up.
    """

    def __init__(
        self,
        site: Site,
        seed: int,
        *,
        is_wired: bool = True,
        power_factor: float = 1.0,
        burnt_h: float = 0.0,
        frost_stat_c: float | None = None,
    ) -> None:
        self.mains = {circuit.name: True for circuit in site.circuits}
        self.voltage = {circuit.name: 1.0 for circuit in site.circuits}
        self.stats = [None if frost_stat_c is None else FrostStat(frost_stat_c) for _ in site.trees]
        self._trees: list[list[_String]] = []
        for tree in site.trees:
            self._trees.append([])
            for string in tree.strings if is_wired else ():
                full_w, is_cable = string.power_w * power_factor, string.kind is StringKind.CABLE
                chance = generator(seed, f"lamps {string.channel}")
                self._trees[-1].append(
                    _String(
                        *split(string.channel),
                        circuit=string.circuit,
                        power_w=full_w,
                        exponent=CABLE_POWER_EXPONENT if is_cable else LAMP_POWER_EXPONENT,
                        full_w=full_w,
                        lamps=None if is_cable else Lamps(string.power_w, burnt_h, chance),
                    )
                )
        self.conducts = [[1.0] * len(strings) for strings in self._trees]

    def trees_w(self, closed: Mapping[str, tuple[str, ...]]) -> list[float]:
        """Return the power of each tree's strings [W], given the contacts that are closed, by board."""
        mains, voltage = self.mains, self.voltage
        return [
            0.0
            if stat is not None and not stat.is_closed
            else sum(
                string.power_w * share
                if voltage[string.circuit] == 1.0
                else string.power_w * share * voltage[string.circuit] ** string.exponent
                for string, share in zip(strings, shares, strict=True)
                if string.channel in closed[string.board] and mains[string.circuit]
            )
            for strings, shares, stat in zip(self._trees, self.conducts, self.stats, strict=True)
        ]

    def circuit_w(self, name: str, closed: Mapping[str, tuple[str, ...]]) -> float:
        """Return what all strings of a circuit draw [W]."""
        if not self.mains[name]:
            return 0.0
        return sum(
            float(string.power_w * share * self.voltage[name] ** string.exponent)
            for strings, shares, stat in zip(self._trees, self.conducts, self.stats, strict=True)
            if stat is None or stat.is_closed
            for string, share in zip(strings, shares, strict=True)
            if string.circuit == name and string.channel in closed[string.board]
        )

    def any_off(self, on: Mapping[str, tuple[str, ...]]) -> list[bool]:
        """Return of each tree whether any of its strings is not on, by what boards believe."""
        return [any(string.channel not in on[string.board] for string in strings) for strings in self._trees]

    def live(self, span_s: float, trees_w: Sequence[float], air_c: Sequence[float]) -> None:
        """Let lamps of lit trees burn for a while [s], and frost-stats feel the air [°C]."""
        for strings, power_w, stat, tree_c in zip(self._trees, trees_w, self.stats, air_c, strict=True):
            if stat is not None:
                stat.feel(tree_c, span_s)
            if power_w > 0.0:
                for string in strings:
                    if string.lamps is not None and self.mains[string.circuit]:
                        string.lamps.burn(span_s, self.voltage[string.circuit])
                        string.power_w = string.full_w * string.lamps.whole_share


def split(channel: str) -> tuple[str, str]:
    """Return the board and the channel that a site file's "board/channel" names."""
    board, _, name = channel.partition("/")
    return board, name
