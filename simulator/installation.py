"""A site with its wires as they truly are, and hands that can do what an installer's hands do."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from controller.bus.messages import PowerPayload
from controller.bus.plain import plain_boards
from controller.bus.topics import Topics
from controller.bus.transport import Connect, Message
from controller.site.model import Board, Probe, Site
from simulator.boards import SimBoard
from simulator.plain_board import SimPlainBoard
from simulator.probes import SimProbe
from simulator.sky import Sky
from simulator.wired_board import WiredBoard, WiredPlainBoard
from simulator.wires import ProbeWire, StringWire, Wiring
from simulator.world import World

# A closed hand, and melting ice [°C].
HAND_C, ICE_C = 32.0, 0.0
# A breaker trips, sooner or later, at 1.45 times its rating (IEC 60898-1, conventional tripping current).
TRIPS_AT = 1.45
METER_EVERY_S = 5.0
# So often an old program speaks that somebody has forgotten [s].
STRANGER_EVERY_S = 40.0


class _Spoken(SimProbe):
    """A probe as its board reads it, with what is wrong with it."""

    def __init__(self, sim: SimProbe, wire: ProbeWire, is_unplugged: Callable[[], bool]) -> None:
        super().__init__(sim.name, 0)
        self._sim, self._wire, self._is_unplugged = sim, wire, is_unplugged

    def reading_c(self) -> float:
        """Return what it says now [°C]."""
        if self._wire.garbled or self._is_unplugged():
            return math.nan
        return self._sim.reading_c() + self._wire.offset_k if self._wire.says_c is None else self._wire.says_c


class Installation(World):
    """A world whose strings, relays, vents, probes and boards are wired as given.

    Attributes
    ----------
    wiring : Wiring
        How things truly are; it may be changed while the world runs, as when a mistake is mended.
    turned_up, warmed : set of str
        Strings whose frost-stat is turned up; whose cut-out is warm.
    breakers_off : set of str
        Circuits switched off or tripped.
    held : str
        The place whose probe is in somebody's hand.
    in_ice, unplugged : bool
        Whether all probes are in melting ice; whether those under the fleeces are unplugged.
    """

    def __init__(
        self, site: Site, sky: Sky, start_utc: datetime, connect: Connect, wiring: Wiring, *, seed: int = 0
    ) -> None:
        self.wiring = wiring
        self.turned_up: set[str] = set()
        self.warmed: set[str] = set()
        self.breakers_off: set[str] = set()
        self.held = ""
        self.in_ice = False
        self.unplugged = False
        self._twins: list[SimBoard] = []
        self._metered_s = -math.inf
        self._order = {tree.name: number for number, tree in enumerate(site.trees)}
        self._heaters = {s.channel for tree in site.trees for s in tree.strings}
        self._rests_open = {vent.name: vent.rest == "open" for vent in site.vents}
        self._topics = Topics(site.name)
        super().__init__(site, sky, start_utc, seed=seed, connect=connect)
        self.meters = []  # they speak as they are wired
        self._meter = connect("meter", (), lambda _message: None, None, on_up=lambda: None)
        self._stranger = connect("an old program", (), lambda _message: None, None, on_up=lambda: None)
        self._strange_s = 0.0

    def step(self, dt_s: float) -> None:
        """Move everything on; breakers trip, meters speak."""
        self._trip()
        super().step(dt_s)
        for board in self._twins:
            board.tick(self.elapsed_s, self.now_utc)
        self._let_strangers_speak()
        self._let_meters_speak()

    def passes_on(self, will: Message) -> bool:
        """Tell whether the broker says a will on its topic: its access list may refuse it there."""
        return not any(
            channel.plain is not None
            and channel.plain.topic == will.topic
            and channel.id in self.wiring.boards[board.name].wills_lost
            for board in self.site.boards
            for channel in board.channels
        )

    def _let_meters_speak(self) -> None:
        """Let each circuit's meter say what it draws, by the name it has."""
        if self.elapsed_s - self._metered_s < METER_EVERY_S:
            return
        self._metered_s = self.elapsed_s
        for name, circuit in self.wiring.circuits.items():
            if circuit.metered_as:
                payload = PowerPayload(power_w=round(self.circuit_w(name), 1))
                self._meter.publish(self._topics.power(circuit.metered_as), payload.to_json())

    def _let_strangers_speak(self) -> None:
        """Let an old program switch the first string of a plain board off, ever again."""
        if self.elapsed_s - self._strange_s < STRANGER_EVERY_S:
            return
        self._strange_s = self.elapsed_s
        for board in plain_boards(self.site):
            texts = board.channels[0].plain
            if texts is not None and self.wiring.boards[board.name].stranger:
                self._stranger.publish(texts.topic, texts.energise.encode())

    # ---- electricity --------------------------------------------------------------------------------

    def is_closed(self, channel: str) -> bool:
        """Tell whether a channel's contact is closed."""
        relay = self.wiring.relays[channel]
        if relay.welded or relay.burnt:
            return relay.welded
        energised = self.is_energised(channel)
        return energised == (relay.contact == "working")

    def is_energised(self, channel: str) -> bool:
        """Tell whether a channel's coil is energised."""
        name, _, number = channel.partition("/")
        board, relay = self.boards[name], self.wiring.relays[channel]
        if not board.powered or relay.coil_dead or self.wiring.boards[name].coils_unfed:
            return False
        if isinstance(board, SimPlainBoard):
            return (number in board.energised) != relay.inverted
        wanted = (number not in board.on) if channel in self._heaters else number in board.on
        return wanted != relay.inverted

    def has_mains(self, circuit: str) -> bool:
        """Tell whether a circuit is live at the supply side of its relays."""
        return self.wiring.circuits[circuit].live and circuit not in self.breakers_off

    def feeds(self, tag: str) -> tuple[bool, bool, bool, bool]:
        """Tell where along its feed a string is live: at its relay, behind it, behind frost-stat, cut-out."""
        wire = self.wiring.strings[tag]
        mains = self.has_mains(wire.circuit)
        relay = mains and (wire.channel is None or self.is_closed(wire.channel))
        stat = relay and self._stat_closed(tag, wire)
        return (
            mains,
            relay,
            stat,
            stat and not wire.cut_out_open and (tag not in self.warmed or wire.cut_out_bridged),
        )

    def _stat_closed(self, tag: str, wire: StringWire) -> bool:
        if wire.stat_open:
            return False
        if wire.stat_bridged or tag in self.turned_up:
            return True
        tree = wire.lies_on or self.site.trees[0].name
        return self.plant.tree_air_c[self._order[tree]] < wire.mark_c

    def string_w(self, tag: str) -> float:
        """Return what a string draws [W]."""
        wire = self.wiring.strings[tag]
        return wire.power_w * wire.lit_frac if self.feeds(tag)[-1] else 0.0

    def circuit_w(self, circuit: str) -> float:
        """Return what a circuit's strings draw [W]."""
        return sum(self.string_w(tag) for tag, wire in self.wiring.strings.items() if wire.circuit == circuit)

    def strings_w(self) -> list[float]:
        """Return what heats each tree now [W]."""
        heat_w = [0.0] * len(self.site.trees)
        for tag, wire in self.wiring.strings.items():
            if wire.lies_on:
                heat_w[self._order[wire.lies_on]] += self.string_w(tag)
        return heat_w

    def runs(self, vent: str) -> bool:
        """Tell whether a vent runs or stands open."""
        wire = self.wiring.vents[vent]
        if wire.stuck or wire.dead:
            return wire.stuck
        return self.is_closed(wire.channel) != self._rests_open[vent]

    def vent_m3_s(self) -> float:
        """Return the air that vents move now [m³/s]."""
        return sum(vent.flow_m3_s for vent in self.site.vents if self.runs(vent.name))

    def _trip(self) -> None:
        for circuit in self.site.circuits:
            if (
                self.circuit_w(circuit.name) / circuit.voltage_v
                > TRIPS_AT * self.wiring.circuits[circuit.name].breaker_a
            ):
                self.breakers_off.add(circuit.name)

    def network(self, board: str, on: bool) -> None:  # noqa: FBT001 (as one says it)
        """Give or take the network of a board that knows only texts."""
        at = self.boards[board]
        if isinstance(at, WiredPlainBoard):
            at.network(on)

    # ---- probes and boards --------------------------------------------------------------------------

    def _feel(self, dt_s: float, air_c: Sequence[float]) -> None:
        heat_w = self.strings_w() if hasattr(self, "boards") else [0.0] * len(self.site.trees)
        lamp_k = {wire.place: wire.lamp_k for wire in self.wiring.probes.values() if wire.lamp_k}
        for sim, kind, tree in self._senses:
            if self.held == sim.name or self.in_ice:
                sim.follow(ICE_C if self.in_ice else HAND_C, dt_s)
            elif kind == "outside":
                sim.follow(self.weather.outside_temp_c, dt_s)
            elif kind == "house":
                sim.follow(self.plant.house_c, dt_s)
            else:
                lamp = lamp_k.get(sim.name, 0.0) if heat_w[tree] > 0.0 else 0.0
                sim.follow(air_c[tree] + lamp, dt_s)

    def _spoken(self, probes: Sequence[Probe]) -> list[tuple[Probe, SimProbe]]:
        """Return what truly answers by the probes' names, where anything does."""
        at = {sim.name: sim for sim, _, _ in self._senses}
        wires = self.wiring.probes
        return [
            (probe, _Spoken(at[wires[probe.name].place], wires[probe.name], self._plug_of(probe)))
            for probe in probes
            if not wires[probe.name].silent
        ]

    def _plug_of(self, probe: Probe) -> Callable[[], bool]:
        """Return what tells whether a probe is unplugged now."""
        return lambda: self.unplugged and probe.measures == "tree"

    def _board(
        self, board: Board, probes: Sequence[tuple[Probe, SimProbe]], seed: int, connect: Connect
    ) -> SimBoard:
        """Return a board that reads what truly hangs on its probes' wires, and has its own manner."""
        spoken = self._spoken([probe for probe, _ in probes])
        manner = self.wiring.boards[board.name]
        if board.is_plain:
            return WiredPlainBoard(board, self.site, spoken, seed, connect, manner)
        if manner.doubled:
            twin = replace(manner, doubled=False, client=f"{board.name}-twin")
            self._twins.append(WiredBoard(board, self.site, (), seed + 1, connect, twin))
        return WiredBoard(board, self.site, spoken, seed, connect, manner)
