"""The world of a rehearsal: sky, house, probes and boards on one clock that the caller moves."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from controller.bus.transport import Connect
from controller.crop.dose import FRUIT_ONSET_K, lost_share
from controller.crop.limits import stage_limit_c
from controller.crop.season import Stage
from controller.errors import RehearsalError
from controller.site.model import Board, Probe, Site
from controller.site.price import is_cheap_at
from simulator.boards import SimBoard
from simulator.materials import COVERS, Variation
from simulator.meters import SimMeter
from simulator.night import Covering, Night
from simulator.plain_board import SimPlainBoard
from simulator.plant import Plant
from simulator.probes import SimProbe, felt_c
from simulator.sky import Sky, Weather
from simulator.strings import Strings, split

# The house lives through these days before a run, so that it forgets how it was set up [s].
SPIN_UP_S = 6 * 86400.0
SPIN_UP_STEP_S = 2400.0
BASELINE_STEP_S = 600.0
# A flap moves its stated air at 3 m/s of wind, and some by warmth alone (a third, estimate).
FLAP_WIND_M_S = 3.0
FLAP_LEAST = 0.33


@dataclass(slots=True)
class TreeRecord:
    """What truly happened to one tree since the start."""

    name: str
    fruit_damage_c: float
    air_min_c: float = float("inf")
    fruit_min_c: float = float("inf")
    string_on_s: float = 0.0
    kwh: float = 0.0
    cheap_kwh: float = 0.0
    fruit_damage_k_h: float = 0.0
    dose_k_h: float = 0.0
    damaged_at_s: float = float("inf")
    switchings: int = 0
    is_heated: bool = False

    @property
    def lost_share(self) -> float:
        """The share of its crop that is lost to the dose of cold."""
        return float(lost_share(self.dose_k_h))

    @property
    def is_damaged(self) -> bool:
        """Whether its fruit fell below the temperature at which it begins to freeze."""
        return self.fruit_min_c < self.fruit_damage_c


@dataclass(slots=True)
class Record:
    """What truly happened since the start."""

    trees: tuple[TreeRecord, ...]
    outside_min_c: float = float("inf")
    house_min_c: float = float("inf")
    house_max_c: float = float("-inf")

    @property
    def kwh(self) -> float:
        """Electricity of all strings [kWh]."""
        return sum(tree.kwh for tree in self.trees)

    @property
    def cheap_kwh(self) -> float:
        """What of it was used in the cheap hours of a tariff with two rates [kWh]."""
        return sum(tree.cheap_kwh for tree in self.trees)


class World:
    """A site under a sky, from a start on.

    Parameters
    ----------
    site : Site
        What stands there.
    sky : Sky
        The weather; it must reach ``SPIN_UP_S`` before the start.
    start_utc : datetime
        When the run begins, aware.
    seed : int
        Decides probes and boards.
    connect : Connect, optional
        How boards get onto a bus; without it there are no boards, and strings do what ``heat`` says.
    variation : Variation, optional
        How the house differs from the handbook.
    covering : Covering, optional
        When fleece goes on and off each day; left out, it stays on.
    fleece : bool
        False for a house whose trees are never covered.
    lamps_burnt_h : float
        For how long the lamps have burnt before the start [h].
    frost_stat_c : float, optional
        Where the frost-stats in series with the strings are set [°C]; left out, they are turned up.
    screening : float
        How far probes are kept from feeling surfaces and the sun instead of the air, 1 wholly, 0 not at all.
    blossom : bool
        True where open blossom is what can be lost, not ripe fruit; it is as cold as the leaves.
    fleece_water_kg_per_m2 : float
        Water in the fleece at the start [kg/m²].

    Attributes
    ----------
    record : Record
        What truly happened so far.
    weather : Weather
        What is outside now.
    strings : Strings
        What hangs between relays and heat; ``mains`` and ``voltage`` are its own.
    uncovered : set of int
        Trees whose fleece is gone, whatever people believe.
    draught_m3_s : float
        Air that moves through an opening nobody meant, such as a door left open [m³/s].
    misplaced : dict of str to callable
        Probes that hang where they should not, and the temperature they feel there [°C].
    """

    def __init__(
        self,
        site: Site,
        sky: Sky,
        start_utc: datetime,
        *,
        seed: int = 0,
        connect: Connect | None = None,
        variation: Variation | None = None,
        covering: Covering | None = None,
        fleece: bool = True,
        blossom: bool = False,
        fleece_water_kg_per_m2: float = 0.0,
        lamps_burnt_h: float = 0.0,
        frost_stat_c: float | None = None,
        screening: float = 1.0,
    ) -> None:
        if not sky.covers(start_utc - timedelta(seconds=SPIN_UP_S), start_utc):
            raise RehearsalError(
                f"the sky reaches from {sky.begin} to {sky.end}; a run from {start_utc} needs it "
                f"{SPIN_UP_S / 86400:g} days earlier"
            )
        self.site, self.sky, self.start_utc = site, sky, start_utc
        self.elapsed_s = 0.0
        self.plant = Plant(site, variation, air_c=sky.at(start_utc).outside_temp_c)
        self.strings = Strings(
            site,
            seed,
            is_wired=connect is not None and bool(site.boards),
            power_factor=(variation or Variation()).power,
            burnt_h=lamps_burnt_h,
            frost_stat_c=frost_stat_c,
        )
        self.mains, self.voltage = self.strings.mains, self.strings.voltage
        self.uncovered: set[int] = set()
        self.draught_m3_s = 0.0
        self.misplaced: dict[str, Callable[[], float]] = {}
        self._sky_s = sky.seconds(start_utc)
        self._fleece = fleece
        self._covering = covering if fleece else None
        self._zone = ZoneInfo(site.place.time_zone)
        self._next_look_s = float("-inf")
        self._spin_up()
        self._next_look_s = float("-inf")
        if fleece_water_kg_per_m2:
            self.plant.soak(fleece_water_kg_per_m2)
        self.weather: Weather = sky.at_s(self._sky_s)
        stage = Stage.BLOSSOM if blossom else Stage.RIPE
        self._blossom = blossom
        self.record = Record(
            tuple(TreeRecord(tree.name, stage_limit_c(tree.kind, stage)) for tree in site.trees)
        )
        probes = [(probe, SimProbe(probe.name, seed)) for probe in site.probes]
        self.probes = {probe.name: sim for probe, sim in probes}
        self._senses = [(sim, *_sensed(site, probe)) for probe, sim in probes]
        self._bare = 1.0 - screening
        self._feel(0.0, self.plant.tree_air_c)
        self.boards = self._wire(probes, seed, connect)
        self.meters = [SimMeter(c.name, site, connect) for c in site.circuits if c.meter and connect]
        self._vents = [
            (*split(vent.channel), vent.rest == "open", vent.kind == "flap", vent.flow_m3_s)
            for vent in (site.vents if self.boards else ())
        ]
        self._note(0.0, self.strings_w(), self.plant.tree_air_c)

    @classmethod
    def of_night(
        cls,
        night: Night,
        seed: int = 0,
        connect: Connect | None = None,
        *,
        site: Site | None = None,
        variation: Variation | None = None,
    ) -> "World":
        """Return the world of a night at its start, at its own site or at another."""
        site = site or night.load_site()
        return cls(
            site,
            night.sky(site, seed),
            night.start_utc(site),
            seed=seed,
            connect=connect,
            variation=variation,
            **_of_night(night),
        )

    @property
    def now_utc(self) -> datetime:
        """The world's time."""
        return self.start_utc + timedelta(seconds=self.elapsed_s)

    def step(self, dt_s: float) -> None:
        """Move everything on by ``dt_s`` seconds, at most a few minutes; boards then say what is due.

        What boards switch counts from the beginning of a step.
        """
        heat_w = self.strings_w()
        self._use_fleece()
        self.weather = self.sky.at_s(self._sky_s + self.elapsed_s + 0.5 * dt_s)
        self.plant.step(dt_s, self.weather, heat_w, self.vent_m3_s())
        self.elapsed_s += dt_s
        air_c = self.plant.tree_air_c
        self.strings.live(dt_s, heat_w, air_c)
        self._feel(dt_s, air_c)
        self._note(dt_s, heat_w, air_c)
        if self.boards:
            now = self.now_utc
            for board in self.boards.values():
                board.tick(self.elapsed_s, now)
            for meter in self.meters:
                meter.tick(self.elapsed_s, now, self.circuit_w(meter.circuit))

    def circuit_w(self, name: str) -> float:
        """Return what all strings of a circuit draw now [W]."""
        return self.strings.circuit_w(name, self._closed())

    def strings_w(self) -> list[float]:
        """Return the power of each tree's strings now [W]."""
        return self.strings.trees_w(self._closed())

    def tissue_c(self) -> list[float]:
        """Return the temperature of what is at stake on each tree: its outer fruit or its blossom [°C]."""
        return self.plant.leaf_c if self._blossom else self.plant.fruit_c

    def resting(self) -> list[bool]:
        """Return of each tree whether a board holds any of its strings off."""
        return self.strings.any_off({name: board.on for name, board in self.boards.items()})

    def vent_m3_s(self) -> float:
        """Return the air that open vents move now [m³/s]."""
        total_m3_s = self.draught_m3_s
        for board, channel, rests_open, is_flap, flow_m3_s in self._vents:
            if (channel in self.boards[board].closed) != rests_open:
                wind = max(FLAP_LEAST, self.weather.wind_m_s / FLAP_WIND_M_S) if is_flap else 1.0
                total_m3_s += flow_m3_s * wind
        return total_m3_s

    # ---- inside -------------------------------------------------------------------------------------

    def _spin_up(self) -> None:
        """Let the house live through the days before the start, unheated."""
        idle_w = [0.0] * len(self.site.trees)
        steps = int(SPIN_UP_S / SPIN_UP_STEP_S)
        for number in range(steps, 0, -1):
            self.elapsed_s = -number * SPIN_UP_STEP_S
            self._use_fleece()
            weather = self.sky.at_s(self._sky_s + self.elapsed_s + 0.5 * SPIN_UP_STEP_S)
            self.plant.step(SPIN_UP_STEP_S, weather, idle_w)
        self.elapsed_s = 0.0

    def _use_fleece(self) -> None:
        """Put fleece on and take it off as people do."""
        if self.elapsed_s < self._next_look_s:
            return
        on = self._fleece
        self._next_look_s = float("inf")
        if self._covering is not None:
            local = self.now_utc.astimezone(self._zone)
            on, ends = _covered(local, self._covering)
            self._next_look_s = self.elapsed_s + (ends - local).total_seconds()
        for tree in range(len(self.site.trees)):
            self.plant.cover(tree, on=on and tree not in self.uncovered)

    def look_at_fleece(self) -> None:
        """See at the next step what fleece is on, because somebody has touched one."""
        self._next_look_s = float("-inf")

    def _feel(self, dt_s: float, air_c: Sequence[float]) -> None:
        """Let every probe follow the air it hangs in."""
        plant, misplaced = self.plant, self.misplaced
        if self._bare > 0.0:
            self._feel_surfaces(dt_s, air_c)
            return
        for probe, kind, tree in self._senses:
            if misplaced and probe.name in misplaced:
                probe.follow(misplaced[probe.name](), dt_s)
                continue
            match kind:
                case "outside":
                    probe.follow(self.weather.outside_temp_c, dt_s)
                case "house":
                    probe.follow(plant.house_c, dt_s)
                case _:
                    probe.follow(air_c[tree], dt_s)

    def _feel_surfaces(self, dt_s: float, air_c: Sequence[float]) -> None:
        """Let probes that are not wholly screened feel, besides the air, what surrounds them and the sun."""
        plant, sky, misplaced = self.plant, self.weather, self.misplaced
        fleece_c, ground_c = plant.fleece_c, sky.outside_temp_c
        within = COVERS[self.site.house.glazing].solar_transmittance * sky.shortwave_w_m2
        for probe, kind, tree in self._senses:
            if probe.name in misplaced:
                probe.follow(misplaced[probe.name](), dt_s)
                continue
            match kind:
                case "outside":
                    around = sky.outside_temp_c, 0.5 * (sky.sky_temp_c + ground_c), sky.shortwave_w_m2
                case "house":
                    around = plant.house_c, 0.5 * (plant.cover_c + plant.floor_c[0]), within
                case _:  # in the shade of leaves
                    around = air_c[tree], fleece_c[tree], 0.1 * within
            probe.follow(felt_c(*around, self._bare), dt_s)

    def _note(self, dt_s: float, heat_w: Sequence[float], tree_air_c: Sequence[float]) -> None:
        """Add a step to the record."""
        record, house_c, outside_c = self.record, self.plant.house_c, self.weather.outside_temp_c
        tissue_c = self.tissue_c()
        is_cheap = is_cheap_at(self.site, self.start_utc.timestamp() + self.elapsed_s - 0.5 * dt_s)
        record.outside_min_c = min(record.outside_min_c, outside_c)
        record.house_min_c = min(record.house_min_c, house_c)
        record.house_max_c = max(record.house_max_c, house_c)
        for tree, air_c, fruit_c, power_w in zip(record.trees, tree_air_c, tissue_c, heat_w, strict=True):
            tree.air_min_c = min(tree.air_min_c, air_c)
            tree.fruit_min_c = min(tree.fruit_min_c, fruit_c)
            if fruit_c < tree.fruit_damage_c + FRUIT_ONSET_K:
                tree.dose_k_h += (tree.fruit_damage_c + FRUIT_ONSET_K - fruit_c) * dt_s / 3600.0
                tree.fruit_damage_k_h += max(0.0, tree.fruit_damage_c - fruit_c) * dt_s / 3600.0
                if fruit_c < tree.fruit_damage_c:
                    tree.damaged_at_s = min(tree.damaged_at_s, self.elapsed_s)
            if (power_w > 0.0) != tree.is_heated:
                tree.is_heated = not tree.is_heated
                tree.switchings += 1
            if power_w > 0.0:
                tree.string_on_s += dt_s
                tree.kwh += power_w * dt_s / 3.6e6
                tree.cheap_kwh += power_w * dt_s / 3.6e6 if is_cheap else 0.0

    def _wire(
        self, probes: Sequence[tuple[Probe, SimProbe]], seed: int, connect: Connect | None
    ) -> dict[str, SimBoard]:
        """Return the boards, each with the probes near it; the first board takes outside and house."""
        if connect is None or not self.site.boards:
            return {}
        first = self.site.boards[0].name
        board_of = {
            probe: tree.strings[0].channel.partition("/")[0] if tree.strings else first
            for tree in self.site.trees
            for probe in tree.probes
        }
        return {
            board.name: self._board(
                board,
                [pair for pair in probes if board_of.get(pair[0].name, first) == board.name],
                seed,
                connect,
            )
            for board in self.site.boards
        }

    def _board(
        self, board: Board, probes: Sequence[tuple[Probe, SimProbe]], seed: int, connect: Connect
    ) -> SimBoard:
        """Return one board with the probes wired to it."""
        kind = SimPlainBoard if board.is_plain else SimBoard
        return kind(board, self.site, probes, seed, connect)

    def _closed(self) -> dict[str, tuple[str, ...]]:
        return {name: board.closed for name, board in self.boards.items()}


def baseline(night: Night, seed: int = 0, *, fleece: bool = True, site: Site | None = None) -> Record:
    """Return what an unheated house would have gone through in a night, with or without fleece."""
    site = site or night.load_site()
    own = _of_night(night)
    own["fleece"] = fleece and own["fleece"]
    world = World(site, night.sky(site, seed), night.start_utc(site), seed=seed, **own)
    for _ in range(round(night.hours * 3600.0 / BASELINE_STEP_S)):
        world.step(BASELINE_STEP_S)
    return world.record


def _of_night(night: Night) -> dict[str, Any]:
    """Return what a night says of fleece and of what is at stake."""
    return {
        "covering": night.covering,
        "fleece": not night.bare,
        "blossom": night.at_stake == "blossom",
        "fleece_water_kg_per_m2": night.fleece_water_kg_per_m2,
        "lamps_burnt_h": night.lamps_burnt_h,
        "frost_stat_c": night.frost_stat_c,
        "screening": night.screening,
    }


def _sensed(site: Site, probe: Probe) -> tuple[str, int]:
    """Return what a probe measures, and of which tree."""
    owner = [i for i, tree in enumerate(site.trees) if probe.name in tree.probes]
    return probe.measures, owner[0] if owner else -1


def _covered(local: datetime, covering: Covering) -> tuple[bool, datetime]:
    """Return whether fleece is on at a local time, and when that changes."""
    on, off = (datetime.combine(local.date(), when, local.tzinfo) for when in (covering.on, covering.off))
    day = timedelta(days=1)
    is_on = (on <= local < off) if on < off else not off <= local < on
    turns = [time + k * day for time in (on, off) for k in (0, 1) if time + k * day > local]
    return is_on, min(turns)
