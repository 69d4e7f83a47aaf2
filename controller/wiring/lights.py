"""Which channel lights which string, by what was seen in the channels' checks."""

from dataclasses import dataclass

from controller.wiring.check import Record, Scope
from controller.wiring.stages.channels import DARK_ID, lit
from controller.wiring.step import Notes


@dataclass(frozen=True, slots=True, kw_only=True)
class Follows:
    """How a load follows the channels: ``channels`` are those that change it, from ``still`` (on at rest)."""

    channels: frozenset[str]
    still: bool
    looked: bool

    @property
    def always(self) -> bool:
        """Whether it was on whatever was switched."""
        return self.looked and self.still and not self.channels

    @property
    def never(self) -> bool:
        """Whether it was never on."""
        return self.looked and not self.still and not self.channels


def follows(tag: str, record: Record, scope: Scope) -> Follows:
    """Return how a load followed the channels, as far as a person looked."""
    dark = lit(record.get(DARK_ID, Notes()), "lit", ())
    if dark is None:
        return Follows(channels=frozenset(), still=False, looked=False)
    still = tag in dark
    seen = {
        load.channel: on
        for load in scope.loads
        if (on := lit(record.get(f"channels/{load.channel}", Notes()), "lit", sorted({load.tag, *dark})))
        is not None
    }
    return Follows(
        channels=frozenset(c for c, on in seen.items() if (tag in on) != still),
        still=still,
        looked=bool(seen),
    )


def on_for(tag: str, record: Record, scope: Scope) -> frozenset[str] | None:
    """Return which heaters to let on, the others off, for a string to be lit; None if nothing lights it."""
    found = follows(tag, record, scope)
    if found.still:
        return frozenset()
    own = next(load.channel for load in scope.loads if load.tag == tag)
    if own in found.channels or not found.looked:
        return frozenset({own})
    heaters = {load.channel for load in scope.strings}
    return frozenset({min(found.channels & heaters)}) if found.channels & heaters else None
