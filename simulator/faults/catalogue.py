"""The catalogue of faults: everything thought of that can go wrong, alone and in pairs, each with an id.

The catalogue only names them.  What of it can be made to happen in a simulated world stands beside this
file; the rest is made to happen by tests with real processes, brokers, disks and clocks.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that can go wrong.

    ``of`` names the single faults of a pair.  ``severity`` runs from 1 (a nuisance) to 4 (costs crop or
    house if nothing reacts).
    """

    id: str
    of: tuple[str, ...]
    severity: int
    what: str


@cache
def catalogue() -> Mapping[str, Fault]:
    """Return every fault by its id, in the catalogue's order."""
    with (Path(__file__).parent / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        rows = tuple(csv.DictReader(file))
    return {
        row["fault"]: Fault(
            id=row["fault"], of=tuple(row["of"].split()), severity=int(row["severity"]), what=row["what"]
        )
        for row in rows
    }
