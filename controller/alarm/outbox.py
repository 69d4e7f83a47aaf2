"""What is still to be sent, and when to try again.  Pure; the courier sends, the journal keeps it."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from controller.journal.parcel import Parcel

# A way that does not take a message is tried again after this long, then twice as long, at most so long [s].
FIRST_RETRY_S = 30.0
LONGEST_RETRY_S = 1800.0
# Sites that lost the same server must not come back to it at the same second: this share either way.
JITTER = 0.2
# A message older than this is told by a newer one, or by the page.
KEEP = timedelta(hours=24)
MOST_WAITING = 200


@dataclass(frozen=True, slots=True)
class Outbox:
    """Parcels by their id; never changed in place."""

    parcels: Mapping[str, Parcel] = field(default_factory=dict)

    def with_parcel(self, parcel: Parcel) -> "tuple[Outbox, tuple[Parcel, ...]]":
        """Return the outbox with one more parcel, and those given up to make room: the least and oldest."""
        parcels = {**self.parcels, parcel.id: parcel}
        spare = len(parcels) - MOST_WAITING
        least = sorted(parcels.values(), key=lambda each: (each.severity, each.made_at))[: max(0, spare)]
        return self.without(*least, parcels=parcels), tuple(least)

    def without(self, *gone: Parcel, parcels: Mapping[str, Parcel] | None = None) -> "Outbox":
        """Return the outbox without some parcels."""
        ids = {parcel.id for parcel in gone}
        held = self.parcels if parcels is None else parcels
        return Outbox({key: parcel for key, parcel in held.items() if key not in ids})

    def due(self, now_s: float) -> tuple[Parcel, ...]:
        """Return what to try now, the worst and then the oldest first."""
        due = (parcel for parcel in self.parcels.values() if parcel.next_s <= now_s)
        return tuple(sorted(due, key=lambda each: (-each.severity, each.made_at)))

    def too_old(self, now: datetime) -> tuple[Parcel, ...]:
        """Return what is too old to be worth sending."""
        return tuple(parcel for parcel in self.parcels.values() if now - parcel.made_at > KEEP)

    def failed(self, parcel: Parcel, now_s: float, chance: float) -> "Outbox":
        """Return the outbox after a failure; ``chance`` from 0 to 1 spreads the next attempt."""
        wait_s = min(FIRST_RETRY_S * 2.0**parcel.attempts, LONGEST_RETRY_S)
        wait_s *= 1.0 + JITTER * (2.0 * chance - 1.0)
        later = replace(parcel, attempts=parcel.attempts + 1, next_s=now_s + wait_s)
        return Outbox({**self.parcels, parcel.id: later})
