"""The coming night in numbers: how cold, when heat will be needed, and what it will cost."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeOutlook:
    """What is to be expected for one tree, without heat ("free") and with it held."""

    name: str
    free_air_min_c: float
    free_fruit_min_c: float
    held_air_min_c: float
    heat_from: datetime | None
    heat_until: datetime | None
    energy_kwh: float
    short_of_heat: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is to be expected over the coming hours."""

    made_at: datetime
    ends_at: datetime
    source: str
    attribution: str
    outside_min_c: float
    outside_min_at: datetime
    house_min_c: float
    trees: tuple[TreeOutlook, ...]
    energy_kwh: float
    cost: float
    currency: str

    @property
    def sentence(self) -> str:
        """The outlook as a grower reads it."""
        text = (
            f"down to {self.outside_min_c:.1f} °C outside at {self.outside_min_at:%H:%M} UTC and "
            f"{self.house_min_c:.1f} °C in the house ({self.source})"
        )
        heated = [tree for tree in self.trees if tree.heat_from is not None]
        if not heated:
            return f"{text}: no tree needs heat"
        begins = min(tree.heat_from for tree in heated if tree.heat_from)
        ends = max(tree.heat_until for tree in heated if tree.heat_until)
        text += (
            f": {len(heated)} of {len(self.trees)} trees need heat between {begins:%a %H:%M} and "
            f"{ends:%a %H:%M} UTC, about {self.energy_kwh:.1f} kWh ({self.cost:.2f} {self.currency})"
        )
        short = [tree.name for tree in self.trees if tree.short_of_heat]
        return f"{text}; the strings are too small for: {', '.join(short)}" if short else text
