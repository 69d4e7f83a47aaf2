"""A message to people, in words, on its one way: what the outbox holds and the journal keeps."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """A message; ``next_s`` is when to try (again) to send it, monotonic."""

    id: str
    way: str
    kind: str
    severity: int
    subject: str
    text: str
    made_at: datetime
    attempts: int = 0
    next_s: float = 0.0
