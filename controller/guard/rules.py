"""A site as the keeper's loop needs it: computed once, when it begins."""

from collections.abc import Mapping
from dataclasses import dataclass

from controller.crop.limits import limits_of
from controller.guard import circuits as cir
from controller.guard import witness as wit
from controller.guard.lease import BoardRules
from controller.guard.survey import Measured
from controller.guard.tree import TreeRules
from controller.guard.vent import VentRules, staged_k
from controller.site.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """A site, as the loop needs it: computed once."""

    trees: tuple[TreeRules, ...]
    tree_probes: Mapping[str, tuple[str, ...]]
    tree_boards: Mapping[str, tuple[str, ...]]
    board_probes: Mapping[str, frozenset[str]]
    vents: tuple[VentRules, ...]
    boards: tuple[BoardRules, ...]
    circuits: tuple[cir.CircuitRules, ...]
    house_probes: tuple[str, ...]
    outside_probes: tuple[str, ...]
    periods_s: Mapping[str, float]
    offsets_k: Mapping[str, float]
    measured: Measured
    longitude_deg: float
    witness: wit.WitnessRules


def rules_of(site: Site) -> Rules:
    """Return what the loop needs of a site."""
    boards = []
    for board in site.boards:
        names = {f"{board.name}/{channel.id}": channel.id for channel in board.channels}
        vents = {names[v.channel]: v for v in site.vents if v.channel in names}
        boards.append(
            BoardRules(
                name=board.name,
                trees={names[s.channel]: t.name for t in site.trees for s in t.strings if s.channel in names},
                vents={channel: vent.name for channel, vent in vents.items()},
                rests_open={channel: vent.rest == "open" for channel, vent in vents.items()},
                period_s=board.reports_at_least_every_s,
            )
        )
    trees = []
    for tree in site.trees:
        limits = limits_of(tree)
        trees.append(
            TreeRules(
                name=tree.name,
                hold_c=limits.hold_c,
                hand_off_floor_c=limits.hand_off_floor_c,
                has_strings=bool(tree.strings),
                hold_range_c=tree.hold_range_c if tree.hold == "risk" else None,
            )
        )
    tree_boards = {
        tree.name: tuple(dict.fromkeys(s.channel.partition("/")[0] for s in tree.strings))
        for tree in site.trees
    }
    return Rules(
        trees=tuple(trees),
        tree_probes={tree.name: tree.probes for tree in site.trees},
        tree_boards=tree_boards,
        # nobody says which board a probe hangs on; most likely on one that heats its tree
        board_probes={
            board.name: frozenset(
                probe for tree in site.trees if board.name in tree_boards[tree.name] for probe in tree.probes
            )
            for board in site.boards
        },
        vents=tuple(
            VentRules(
                name=vent.name,
                rests_open=vent.rest == "open",
                open_above_c=vent.open_above_c + later_k,
                lock_below_c=vent.lock_below_c,
            )
            for vent, later_k in zip(site.vents, staged_k([v.open_above_c for v in site.vents]), strict=True)
        ),
        boards=tuple(boards),
        circuits=_circuits_of(site),
        house_probes=tuple(probe.name for probe in site.probes_of("house")),
        outside_probes=tuple(probe.name for probe in site.probes_of("outside")),
        periods_s={probe.name: probe.reports_at_least_every_s for probe in site.probes},
        offsets_k={probe.name: probe.offset_k for probe in site.probes},
        measured=Measured(
            tree=frozenset(probe for tree in site.trees for probe in tree.probes),
            house=tuple(probe.name for probe in site.probes_of("house")),
            outside=tuple(probe.name for probe in site.probes_of("outside")),
            periods_s={probe.name: probe.reports_at_least_every_s for probe in site.probes},
        ),
        longitude_deg=site.place.longitude_deg,
        witness=wit.witness_rules_of(site),
    )


def _circuits_of(site: Site) -> tuple[cir.CircuitRules, ...]:
    """Return what the ledger of watts needs of each circuit that has a meter."""
    fed = [(string, tree.name) for tree in site.trees for string in tree.strings]
    return tuple(
        cir.CircuitRules(
            name=circuit.name,
            declared_w={s.channel: s.power_w for s, _ in fed if s.circuit == circuit.name},
            trees={s.channel: tree for s, tree in fed if s.circuit == circuit.name},
        )
        for circuit in site.circuits
        if circuit.meter
    )
