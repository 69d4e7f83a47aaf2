"""What hangs on a site's channels, each load with the tag it should bear at its plug."""

from dataclasses import dataclass

from controller.site.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A heater string, or a vent (then without a circuit and a tree)."""

    tag: str
    channel: str
    tree: str = ""
    circuit: str = ""
    power_w: float = 0.0

    @property
    def board(self) -> str:
        """The board its channel is on."""
        return self.channel.partition("/")[0]

    @property
    def is_string(self) -> bool:
        """Whether it heats."""
        return bool(self.tree)


def loads_of(site: Site) -> tuple[Load, ...]:
    """Return every load of a site: strings in the order of trees, then vents."""
    strings = [
        Load(tag=f"{tree.name}-{n}", channel=s.channel, tree=tree.name, circuit=s.circuit, power_w=s.power_w)
        for tree in site.trees
        for n, s in enumerate(tree.strings, start=1)
    ]
    return (*strings, *[Load(tag=vent.name, channel=vent.channel) for vent in site.vents])


def strings_of(site: Site) -> tuple[Load, ...]:
    """Return the heater strings."""
    return tuple(load for load in loads_of(site) if load.is_string)
