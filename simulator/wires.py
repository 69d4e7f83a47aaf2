"""How a site is truly wired, as data: as its site file says, or with mistakes in it."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from controller.site.model import Site
from controller.wiring.loads import loads_of

# Where growers commonly set frost-stats for citrus under fleece (common practice, no source) [°C].
USUAL_MARK_C = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StringWire:
    """One string as it truly is.

    ``channel`` is the relay in its feed, None if it is wired past all of them; ``lies_on`` the tree under
    whose fleece it lies, empty if under none; ``lit_frac`` how much of it still works.
    """

    channel: str | None
    circuit: str
    power_w: float
    lies_on: str
    lit_frac: float = 1.0
    label_w: float = 0.0
    mark_c: float = USUAL_MARK_C
    stat_bridged: bool = False
    stat_open: bool = False
    cut_out_bridged: bool = False
    cut_out_open: bool = False
    near_fabric: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayWire:
    """One relay as it truly is."""

    contact: str
    inverted: bool = False
    coil_dead: bool = False
    welded: bool = False
    burnt: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class VentWire:
    """One vent as it truly is."""

    channel: str
    dead: bool = False
    stuck: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeWire:
    """The sensor that answers by a probe's name: at whose place it hangs, and what is wrong with it."""

    place: str
    offset_k: float = 0.0
    silent: bool = False
    says_c: float | None = None
    garbled: bool = False
    lamp_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitWire:
    """One circuit as it truly is.

    ``returns_by`` names another circuit's neutral if it borrows that; ``metered_as`` is the circuit that its
    meter speaks for, empty if it has none.
    """

    breaker_a: float
    live: bool = True
    returns_by: str = ""
    metered_as: str = ""
    rcd_dead: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardManner:
    """What a board does otherwise than the contract says; of one that knows only texts, than it should.

    ``wills_lost`` are the channels of a plain board whose wills the broker does not pass on to their topics;
    ``keeps_last``, that it keeps its last text although it is declared to rest when cut off.
    """

    unheard: bool = False
    deaf: bool = False
    coils_unfed: bool = False
    echo_frozen: bool = False
    echo_every_s: float = 0.0
    clock_s: float = 0.0
    restarts_every_s: float = 0.0
    doubled: bool = False
    ttl_factor: float = 1.0
    will_lost: bool = False
    starts_off: bool = False
    boot_kept: bool = False
    any_boot: bool = False
    any_sequence: bool = False
    minimum_on_s: float = 120.0
    on_delay_s: float = 0.0
    client: str = ""
    wills_lost: tuple[str, ...] = ()
    echo_lost: bool = False
    stranger: bool = False
    keeps_last: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """All of a site's wires, each by the name it should have."""

    strings: Mapping[str, StringWire]
    relays: Mapping[str, RelayWire]
    vents: Mapping[str, VentWire]
    probes: Mapping[str, ProbeWire]
    circuits: Mapping[str, CircuitWire]
    boards: Mapping[str, BoardManner] = field(default_factory=dict)

    def but(self, part: str, name: str, **changes: Any) -> "Wiring":
        """Return this wiring with one part changed."""
        parts = getattr(self, part)
        changed: dict[str, Any] = {part: {**parts, name: replace(parts[name], **changes)}}
        return replace(self, **changed)


def as_declared(site: Site, *, meters: bool = False) -> Wiring:
    """Return the wiring that a site file declares, if wished with a meter on every circuit."""
    loads = loads_of(site)
    return Wiring(
        strings={
            load.tag: StringWire(
                channel=load.channel,
                circuit=load.circuit,
                power_w=load.power_w,
                lies_on=load.tree,
                label_w=load.power_w,
            )
            for load in loads
            if load.is_string
        },
        relays={f"{b.name}/{c.id}": RelayWire(contact=c.contact) for b in site.boards for c in b.channels},
        vents={load.tag: VentWire(channel=load.channel) for load in loads if not load.is_string},
        probes={probe.name: ProbeWire(place=probe.name) for probe in site.probes},
        circuits={
            c.name: CircuitWire(breaker_a=c.breaker_a, metered_as=c.name if meters or c.meter else "")
            for c in site.circuits
        },
        boards={board.name: BoardManner() for board in site.boards},
    )
