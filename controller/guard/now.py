"""The present, as handed to the core by whoever owns a clock."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """An instant on two clocks.

    ``mono_s`` never jumps and decides; ``utc`` is for people, and is compared with senders' stamps only
    while ``clock_trusted``.
    """

    mono_s: float
    utc: datetime
    clock_trusted: bool = True
