"""What hangs on a tree at a time of the year: blossom, fruitlets, green, colouring or ripe fruit."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from controller.site.handbook import CropKind


class Stage(StrEnum):
    """Stages of blossom and fruit; several can be on one tree at once."""

    BLOSSOM = "blossom"
    FRUITLET = "fruitlet"
    GREEN = "green"
    HALF_RIPE = "half-ripe"
    RIPE = "ripe"


FRUIT_STAGES = (Stage.GREEN, Stage.HALF_RIPE, Stage.RIPE)
HALF_YEAR_DAYS = 182.5


@dataclass(frozen=True, slots=True)
class Months:
    """A span of months of the northern hemisphere, both ends included, that may run over new year."""

    first: int
    last: int

    def hold(self, month: int) -> bool:
        """Tell whether a month lies in the span."""
        return (month - self.first) % 12 <= (self.last - self.first) % 12


# Months of each stage in the north; from memory of growers' calendars for cool places, spans overlapping so
# that the tenderer stage counts while both may hang.  Ripe fruit counts until March: a grower who has picked
# sets fruit_count = 0.  Lemons and limes flower and fruit the year round.
_MANDARIN = {
    Stage.BLOSSOM: Months(4, 5),
    Stage.FRUITLET: Months(6, 7),
    Stage.GREEN: Months(8, 10),
    Stage.HALF_RIPE: Months(10, 11),
    Stage.RIPE: Months(11, 3),
}
_ORANGE = _MANDARIN | {
    Stage.GREEN: Months(8, 11),
    Stage.HALF_RIPE: Months(11, 1),
    Stage.RIPE: Months(12, 5),
}
_LEMON = {
    Stage.BLOSSOM: Months(4, 10),
    Stage.FRUITLET: Months(5, 11),
    Stage.GREEN: Months(1, 12),
    Stage.RIPE: Months(1, 12),
}
SEASONS: dict[CropKind, dict[Stage, Months]] = {
    CropKind.SATSUMA: _MANDARIN,
    CropKind.MANDARIN: _MANDARIN,
    CropKind.SWEET_ORANGE: _ORANGE,
    CropKind.GRAPEFRUIT: _ORANGE,
    CropKind.LEMON: _LEMON,
    CropKind.LIME: _LEMON,
    CropKind.YUZU: _MANDARIN | {Stage.BLOSSOM: Months(5, 6), Stage.FRUITLET: Months(6, 7)},
    CropKind.KUMQUAT: _ORANGE | {Stage.BLOSSOM: Months(6, 8), Stage.FRUITLET: Months(7, 9)},
}


def stages_at(
    kind: CropKind, at: datetime, *, latitude_deg: float, later_days: float = 0.0
) -> tuple[Stage, ...]:
    """Return the stages that may hang on a tree at a time.

    Parameters
    ----------
    kind
        The citrus.
    at
        Aware time.
    latitude_deg
        Latitude [°]; south of the equator the year is turned by half.
    later_days
        How many days later than the table this tree's season runs [d]; negative for earlier.
    """
    turned_days = 0.0 if latitude_deg >= 0.0 else HALF_YEAR_DAYS
    month = (at - timedelta(days=later_days + turned_days)).month
    return tuple(stage for stage, months in SEASONS[kind].items() if months.hold(month))
