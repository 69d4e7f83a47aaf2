"""Wiring mistakes to plant: each a few changed fields of the true wiring, and the name the test must give it.

Several mistakes may share one name where no look at hand tells them apart; the name's remedy then says which
look does.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from controller.bus.plain import plain_boards
from controller.errors import RehearsalError
from controller.site.model import Board, Site
from controller.wiring.cause import Cause
from controller.wiring.loads import Load, loads_of
from simulator.wires import Wiring

Change = tuple[str, str, dict[str, Any]]
Expected = tuple[Cause, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Target:
    """What a mistake is made at: one thing of each kind, and a second for what is exchanged."""

    site: Site
    pick: int

    @property
    def _strings(self) -> tuple[Load, ...]:
        return tuple(load for load in loads_of(self.site) if load.is_string)

    @property
    def string(self) -> Load:
        """A string."""
        return self._strings[(3 * self.pick + 1) % len(self._strings)]

    @property
    def other(self) -> Load:
        """A string of another tree, on the same board if one board has several."""
        others = [s for s in self._strings if s.tree != self.string.tree and s.board == self.string.board]
        return others[self.pick % len(others)]

    @property
    def twin(self) -> Load:
        """Another string of the same tree, or of another tree."""
        return next((s for s in self._strings if s.tree == self.string.tree and s != self.string), self.other)

    @property
    def vent(self) -> Load:
        """A vent."""
        return next(load for load in loads_of(self.site) if not load.is_string)

    @property
    def board(self) -> str:
        """A board that speaks the contract."""
        boards = [board.name for board in self.site.boards if not board.is_plain]
        if not boards:
            raise RehearsalError("this site has no board that obeys leases; choose a mistake of plain boards")
        return boards[self.pick % len(boards)]

    @property
    def plain(self) -> Board:
        """A board that knows only texts."""
        boards = plain_boards(self.site)
        if not boards:
            raise RehearsalError("this site has no board that knows only texts; choose another mistake")
        return boards[self.pick % len(boards)]

    @property
    def circuit(self) -> str:
        """A circuit."""
        return self.site.circuits[self.pick % len(self.site.circuits)].name

    @property
    def other_circuit(self) -> str:
        """A circuit that does not feed the string."""
        return next(c.name for c in self.site.circuits if c.name != self.string.circuit)

    @property
    def probe(self) -> str:
        """A tree's probe."""
        names = [name for tree in self.site.trees for name in tree.probes]
        return names[self.pick % len(names)]

    @property
    def other_probe(self) -> str:
        """Another tree's probe."""
        names = [name for tree in self.site.trees for name in tree.probes]
        return names[(self.pick + 1) % len(names)]


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: what it is, what it changes, and what the test must call it."""

    name: str
    says: str
    cause: Cause
    made: Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]
    needs_meters: bool = False
    needs_plain: bool = False

    def plant(self, site: Site, wiring: Wiring, pick: int = 0) -> tuple[Wiring, Expected]:
        """Return the wiring with this mistake in it, and what should be found.

        Raises
        ------
        RehearsalError
            The site has not what it is made at, as a second circuit or a meter.
        """
        if self.needs_meters and not all(circuit.metered_as for circuit in wiring.circuits.values()):
            raise RehearsalError(
                f"'{self.name}' cannot be planted at {site.title}: not every circuit has a power meter; "
                "give --meters, or choose another mistake"
            )
        try:
            changes, targets = self.made(Target(site, pick))
        except (StopIteration, IndexError, ZeroDivisionError) as error:
            raise RehearsalError(
                f"'{self.name}' cannot be planted at {site.title}: {self.says}, and the site file describes "
                "too few such things; choose another mistake"
            ) from error
        for part, name, fields in changes:
            wiring = wiring.but(part, name, **fields)
        return wiring, (self.cause, tuple(sorted(targets)))


def _board(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("boards", at.board, fields)], (at.board,))


def _plain(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("boards", at.plain.name, fields)], (at.plain.name,))


def _plain_wills(*, every: bool) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    def made(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
        ids = tuple(channel.id for channel in at.plain.channels)
        one = ids[at.pick % len(ids)]
        return [("boards", at.plain.name, {"wills_lost": ids if every else (one,)})], (at.plain.name,)

    return made


def _keeps_last(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    if at.plain.cut_off != "rests":
        raise RehearsalError(f"board {at.plain.name} is not declared to rest when it is cut off")
    return [("boards", at.plain.name, {"keeps_last": True})], (at.plain.name,)


def _string(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("strings", at.string.tag, fields)], (at.string.tag,))


def _relay(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("relays", at.string.channel, fields)], (at.string.tag,))


def _probe(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("probes", at.probe, fields)], (at.probe,))


def _vent(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("vents", at.vent.tag, fields)], (at.vent.tag,))


def _circuit(**fields: Any) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: ([("circuits", at.circuit, fields)], (at.circuit,))


def _scaled(
    factor: float, *, label: bool = True
) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    def made(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
        power_w = at.string.power_w * factor
        return [
            (
                "strings",
                at.string.tag,
                {"power_w": power_w, "label_w": power_w if label else at.string.power_w},
            )
        ], (at.string.tag,)

    return made


def _exchanged_channels(
    other: Callable[[Target], Load],
) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    def made(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
        one, two = at.string, other(at)
        return [
            ("strings", one.tag, {"channel": two.channel}),
            ("strings", two.tag, {"channel": one.channel}),
        ], (one.channel, two.channel)

    return made


def _three_channels(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    others = [load for load in loads_of(at.site) if load.is_string and load.board == at.string.board]
    ring = others[:3]
    changes = [
        ("strings", load.tag, {"channel": after.channel})
        for load, after in zip(ring, (*ring[1:], ring[0]), strict=True)
    ]
    return changes, tuple(load.channel for load in ring)


def _string_and_vent(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    string = next(load for load in loads_of(at.site) if load.is_string and load.board == at.vent.board)
    return [
        ("strings", string.tag, {"channel": at.vent.channel}),
        ("vents", at.vent.tag, {"channel": string.channel}),
    ], (string.channel, at.vent.channel)


def _boards(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    boards = [board.name for board in at.site.boards if not board.is_plain]
    if len(boards) < 2:
        raise RehearsalError("two boards that obey leases are needed to exchange their names")
    one, two = boards[:2]
    changes: list[Change] = []
    for load in loads_of(at.site):
        number = load.channel.partition("/")[2]
        other = f"{two if load.board == one else one}/{number}"
        if load.is_string:
            changes.append(("strings", load.tag, {"channel": other}))
    return changes, (one, two)


def _two_on_one(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    return [("strings", at.other.tag, {"channel": at.string.channel})], (at.string.tag, at.other.tag)


def _each_others_trees(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    one, two = at.string, at.other
    return [("strings", one.tag, {"lies_on": two.tree}), ("strings", two.tag, {"lies_on": one.tree})], (
        one.tag,
        two.tag,
    )


def _exchanged_probes(
    one: Callable[[Target], str], two: Callable[[Target], str]
) -> Callable[[Target], tuple[Sequence[Change], tuple[str, ...]]]:
    return lambda at: (
        [("probes", one(at), {"place": two(at)}), ("probes", two(at), {"place": one(at)})],
        (one(at), two(at)),
    )


def _measuring(kind: str) -> Callable[[Target], str]:
    return lambda at: next(probe.name for probe in at.site.probes if probe.measures == kind)


def _doubled_probe(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    return [("probes", at.other_probe, {"place": at.probe})], (at.probe, at.other_probe)


def _meters(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    one, two = at.site.circuits[0].name, at.site.circuits[1].name
    return [("circuits", one, {"metered_as": two}), ("circuits", two, {"metered_as": one})], (one, two)


def _shared_neutral(at: Target) -> tuple[Sequence[Change], tuple[str, ...]]:
    other = next((c.name for c in at.site.circuits if c.name != at.circuit), "sockets")
    return [("circuits", at.circuit, {"returns_by": other})], (at.circuit,)


MISTAKES: tuple[Mistake, ...] = (
    # boards
    Mistake(
        "board-without-network", "a board never reaches the broker", Cause.BOARD_UNHEARD, _board(unheard=True)
    ),
    Mistake(
        "board-browns-out",
        "a board's supply sags and it starts anew every 40 s",
        Cause.BOARD_RESTARTS,
        _board(restarts_every_s=40.0),
    ),
    Mistake(
        "two-boards-one-name",
        "a spare board still bears the name of another",
        Cause.BOARD_DOUBLED,
        _board(doubled=True),
    ),
    Mistake(
        "board-seldom-echoes",
        "a board echoes every four minutes",
        Cause.BOARD_SELDOM_HEARD,
        _board(echo_every_s=240.0),
    ),
    Mistake(
        "board-clock-an-hour-off",
        "a board keeps summer time as if it were UTC",
        Cause.BOARD_CLOCK_WRONG,
        _board(clock_s=3600.0),
    ),
    Mistake(
        "board-clock-never-set",
        "a board stamps with 1970",
        Cause.BOARD_CLOCK_WRONG,
        _board(clock_s=-56 * 365.25 * 86400.0),
    ),
    Mistake("board-names-exchanged", "two boards bear each other's names", Cause.BOARDS_SWAPPED, _boards),
    Mistake(
        "board-deaf", "a board listens to a wrong topic for leases", Cause.LEASE_UNHEARD, _board(deaf=True)
    ),
    Mistake(
        "echo-frozen",
        "a board obeys and always echoes heat on",
        Cause.ECHO_STANDS_STILL,
        _board(echo_frozen=True),
    ),
    Mistake(
        "echo-lying",
        "a board echoes what it is told and moves nothing",
        Cause.ECHO_WITHOUT_EFFECT,
        _board(coils_unfed=True),
    ),
    Mistake(
        "board-holds-last",
        "a board holds the last lease for ever",
        Cause.LEASE_NEVER_ENDS,
        _board(ttl_factor=math.inf),
    ),
    Mistake(
        "board-counts-slowly",
        "a board's timer runs at a third",
        Cause.LEASE_ENDS_LATE,
        _board(ttl_factor=3.0),
    ),
    Mistake(
        "board-obeys-any-boot",
        "a board does not compare boot names",
        Cause.OBEYS_OTHER_BOOT,
        _board(any_boot=True),
    ),
    Mistake(
        "board-obeys-repeats",
        "a board does not compare numbers of leases",
        Cause.OBEYS_OLD_SEQUENCE,
        _board(any_sequence=True),
    ),
    Mistake(
        "will-on-wrong-topic",
        "a board's will goes to a topic nobody hears",
        Cause.WILL_MISSING,
        _board(will_lost=True),
    ),
    Mistake(
        "board-restores-off", "a board starts with the heaters off", Cause.STARTS_OFF, _board(starts_off=True)
    ),
    Mistake(
        "boot-name-fixed", "a board bears one boot name for ever", Cause.BOOT_KEPT, _board(boot_kept=True)
    ),
    Mistake(
        "board-without-minimum",
        "a board lets heaters go off at once",
        Cause.MINIMUM_ON_MISSING,
        _board(minimum_on_s=0.0),
    ),
    Mistake(
        "board-delays-heat",
        "a board waits half a minute before heat",
        Cause.HEAT_DELAYED,
        _board(on_delay_s=30.0),
    ),
    # boards that know only texts
    Mistake(
        "plain-will-on-wrong-topic",
        "the broker does not say one channel's will on its topic",
        Cause.TEXT_WILL_UNSAID,
        _plain_wills(every=False),
        needs_plain=True,
    ),
    Mistake(
        "plain-wills-refused",
        "the broker says no will of ours to a board that knows only texts",
        Cause.TEXT_WILL_UNSAID,
        _plain_wills(every=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-topics-wrong",
        "a board that knows only texts listens to other topics",
        Cause.TEXTS_UNHEARD,
        _plain(deaf=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-board-off-network",
        "a board that knows only texts, and echoes, is not in the network",
        Cause.TEXT_ECHO_UNHEARD,
        _plain(unheard=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-echo-on-wrong-topic",
        "a board that knows only texts echoes on other topics",
        Cause.TEXT_ECHO_UNHEARD,
        _plain(echo_lost=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-echo-frozen",
        "a board that knows only texts obeys and always echoes dead coils",
        Cause.ECHO_STANDS_STILL,
        _plain(echo_frozen=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-coils-unfed",
        "a board that knows only texts echoes and its coils have no supply",
        Cause.ECHO_WITHOUT_EFFECT,
        _plain(coils_unfed=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-board-restores-last",
        "a board that knows only texts starts with its last state",
        Cause.STARTS_OFF,
        _plain(starts_off=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-stranger",
        "a forgotten program switches a string off by the same topic",
        Cause.TEXT_STRANGER,
        _plain(stranger=True),
        needs_plain=True,
    ),
    Mistake(
        "plain-board-keeps-last",
        "a board declared to rest when cut off keeps its last text",
        Cause.LAST_TEXT_KEPT,
        _keeps_last,
        needs_plain=True,
    ),
    # channels and relays
    Mistake(
        "channels-exchanged",
        "two trees' channels are exchanged at the relays",
        Cause.CHANNELS_SWAPPED,
        _exchanged_channels(lambda at: at.other),
    ),
    Mistake(
        "channels-of-a-tree-exchanged",
        "the two channels of one tree are exchanged",
        Cause.CHANNELS_SWAPPED,
        _exchanged_channels(lambda at: at.twin),
    ),
    Mistake(
        "three-channels-turned",
        "three channels are turned round in a ring",
        Cause.CHANNELS_SWAPPED,
        _three_channels,
    ),
    Mistake(
        "string-and-fan-exchanged",
        "a string hangs on the fan's channel and the fan on its",
        Cause.CHANNELS_SWAPPED,
        _string_and_vent,
    ),
    Mistake(
        "channel-active-low",
        "a relay is driven the wrong way round",
        Cause.CHANNEL_INVERTED,
        _relay(inverted=True),
    ),
    Mistake(
        "string-on-working-contact",
        "a string hangs on the working contact",
        Cause.WORKING_CONTACT,
        _relay(contact="working"),
    ),
    Mistake("contact-welded", "a contact is welded", Cause.CONTACT_STAYS_CLOSED, _relay(welded=True)),
    Mistake(
        "string-past-relay",
        "a string is wired past its relay",
        Cause.CONTACT_STAYS_CLOSED,
        _string(channel=None),
    ),
    Mistake("coil-dead", "a relay's coil is broken", Cause.COIL_DEAD, _relay(coil_dead=True)),
    Mistake("contact-burnt", "a contact is burnt open", Cause.CONTACT_STAYS_OPEN, _relay(burnt=True)),
    Mistake(
        "two-strings-one-channel", "two strings hang on one channel", Cause.TWO_ON_ONE_CHANNEL, _two_on_one
    ),
    # vents
    Mistake(
        "fan-on-resting-contact",
        "the fan runs at rest",
        Cause.VENT_RESTS_WRONG,
        lambda at: ([("relays", at.vent.channel, {"contact": "resting"})], (at.vent.tag,)),
    ),
    Mistake("fan-dead", "the fan's motor is dead", Cause.VENT_DEAD, _vent(dead=True)),
    Mistake("fan-always-runs", "the fan is wired past its relay", Cause.VENT_STAYS_ON, _vent(stuck=True)),
    # circuits
    Mistake(
        "circuit-without-mains", "a circuit's feed is not connected", Cause.CIRCUIT_DEAD, _circuit(live=False)
    ),
    Mistake(
        "string-on-other-circuit",
        "a string is fed by another circuit",
        Cause.STRING_ON_OTHER_CIRCUIT,
        lambda at: ([("strings", at.string.tag, {"circuit": at.other_circuit})], (at.string.tag,)),
    ),
    Mistake(
        "breaker-too-small",
        "a breaker of 2 A stands where 10 A is declared",
        Cause.BREAKER_TRIPS,
        _circuit(breaker_a=2.0),
    ),
    Mistake(
        "neutral-shared", "a circuit comes back by another's neutral", Cause.NEUTRAL_SHARED, _shared_neutral
    ),
    Mistake(
        "rcd-dead",
        "a residual-current device does not trip",
        Cause.RCD_DEAD,
        lambda at: ([("circuits", at.circuit, {"rcd_dead": True})], ("site",)),
    ),
    Mistake(
        "meters-exchanged",
        "two power meters bear each other's names",
        Cause.METERS_SWAPPED,
        _meters,
        needs_meters=True,
    ),
    # strings
    Mistake("string-dead", "a string is dead", Cause.STRING_DEAD, _string(lit_frac=0.0)),
    Mistake("string-half-dead", "half a string is dead", Cause.STRING_PARTLY_DEAD, _string(lit_frac=0.5)),
    Mistake(
        "string-too-small",
        "a string of a third of the power is fitted",
        Cause.STRING_OF_OTHER_POWER,
        _scaled(0.33),
    ),
    Mistake(
        "string-too-large",
        "a string of nearly twice the power is fitted",
        Cause.STRING_OF_OTHER_POWER,
        _scaled(1.8),
    ),
    Mistake(
        "string-on-other-tree",
        "a string lies under another tree's fleece",
        Cause.STRING_ON_OTHER_TREE,
        lambda at: ([("strings", at.string.tag, {"lies_on": at.other.tree})], (at.string.tag,)),
    ),
    Mistake(
        "strings-exchanged-at-trees",
        "two strings lie under each other's trees",
        Cause.STRINGS_ON_EACH_OTHERS_TREES,
        _each_others_trees,
    ),
    Mistake(
        "string-outside-fleece",
        "a string lies beside its tree's fleece",
        Cause.STRING_WARMS_NOTHING,
        _string(lies_on=""),
    ),
    Mistake(
        "lamp-at-fleece",
        "a lamp touches the fleece",
        Cause.LAMP_NEAR_FABRIC,
        lambda at: ([("strings", at.string.tag, {"near_fabric": True})], ("site",)),
    ),
    # guards in series
    Mistake(
        "frost-stat-bridged",
        "a frost-stat is bridged",
        Cause.FROST_STAT_STAYS_CLOSED,
        _string(stat_bridged=True),
    ),
    Mistake(
        "frost-stat-broken", "a frost-stat never closes", Cause.FROST_STAT_STAYS_OPEN, _string(stat_open=True)
    ),
    Mistake(
        "frost-stat-at-minus-one",
        "a frost-stat is set to -1 °C",
        Cause.FROST_STAT_SET_LOW,
        _string(mark_c=-1.0),
    ),
    Mistake(
        "frost-stat-at-fifteen",
        "a frost-stat is set to 15 °C",
        Cause.FROST_STAT_SET_HIGH,
        _string(mark_c=15.0),
    ),
    Mistake(
        "cut-out-bridged", "a cut-out is bridged", Cause.CUT_OUT_DOES_NOT_OPEN, _string(cut_out_bridged=True)
    ),
    Mistake(
        "cut-out-open",
        "a cut-out has opened and not been reset",
        Cause.CUT_OUT_STAYS_OPEN,
        _string(cut_out_open=True),
    ),
    # probes
    Mistake("probe-unplugged", "a probe is not plugged in", Cause.PROBE_UNHEARD, _probe(silent=True)),
    Mistake("probe-wire-broken", "a probe's data wire is broken", Cause.PROBE_GARBLED, _probe(garbled=True)),
    Mistake(
        "probe-stuck-warm", "a probe says 11.5 °C for ever", Cause.PROBE_STANDS_STILL, _probe(says_c=11.5)
    ),
    Mistake(
        "probe-at-power-on-value",
        "a probe says 85 °C, as after its supply came",
        Cause.PROBE_STANDS_STILL,
        _probe(says_c=85.0),
    ),
    Mistake(
        "probes-exchanged",
        "two trees' probes are exchanged",
        Cause.PROBES_SWAPPED,
        _exchanged_probes(lambda at: at.probe, lambda at: at.other_probe),
    ),
    Mistake(
        "outside-and-house-exchanged",
        "the outside and the house probe are exchanged",
        Cause.PROBES_SWAPPED,
        _exchanged_probes(_measuring("outside"), _measuring("house")),
    ),
    Mistake(
        "outside-under-fleece",
        "the outside probe and a tree's are exchanged",
        Cause.PROBES_SWAPPED,
        _exchanged_probes(_measuring("outside"), lambda at: at.probe),
    ),
    Mistake(
        "one-sensor-two-names", "one sensor is read under two names", Cause.PROBE_DOUBLED, _doubled_probe
    ),
    Mistake("probe-two-kelvin-off", "a probe is 2 K too warm", Cause.PROBE_FAR_OFF, _probe(offset_k=2.0)),
    Mistake("probe-beside-lamp", "a probe hangs at a lamp", Cause.PROBE_AT_LAMP, _probe(lamp_k=15.0)),
)


def mistake(name: str) -> Mistake:
    """Return a mistake by its name."""
    found = next((each for each in MISTAKES if each.name == name), None)
    if found is None:
        raise RehearsalError(
            f"there is no mistake '{name}'; there are: {', '.join(each.name for each in MISTAKES)}"
        )
    return found
