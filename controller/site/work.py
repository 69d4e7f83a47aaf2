"""What hands do about a cold night and no probe can see, so that people say it: the words for it."""

from collections.abc import Set as AbstractSet
from enum import StrEnum


class Work(StrEnum):
    """What somebody says was done; ``TAKEN_BACK`` withdraws an earlier word."""

    COVERED = "covered"
    UNCOVERED = "uncovered"
    VENTS_SHUT = "vents-shut"
    HARVESTED = "harvested"
    TAKEN_BACK = "taken-back"


EVERYWHERE = "all"
# What is known to be done now: the work and where, a tree's or vent's name, or ``EVERYWHERE`` for a whole
# house's doors and vents.
Done = AbstractSet[tuple[Work, str]]
NOTHING_DONE: Done = frozenset()
