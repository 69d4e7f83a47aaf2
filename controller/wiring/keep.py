"""What is kept of a wiring test: the record under way, so that it can go on, and each finished one."""

import dataclasses
import hashlib
import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from controller.errors import WiringError
from controller.journal.sheets import put_sheet, sheets_in
from controller.site.model import Site
from controller.wiring.check import Record
from controller.wiring.step import Notes, Seen

FORM = 2
# A test may go on for so long after its last step [s]: then wires, probes and weather have moved on.
GOES_ON_DAYS = 14
GOES_ON_S = GOES_ON_DAYS * 86400.0
_SEEN = TypeAdapter(dict[str, dict[str, Seen]])


def record_to_plain(record: Record) -> dict[str, Any]:
    """Return a record as JSON can hold it."""
    return {
        check: {key: dataclasses.asdict(seen) for key, seen in notes.items()}
        for check, notes in record.items()
    }


def record_from_plain(plain: Mapping[str, Any]) -> Record:
    """Return a record from what JSON held; raise ``ValidationError`` if it is none."""
    return {check: Notes(notes) for check, notes in _SEEN.validate_python(plain).items()}


def print_of(site: Site) -> str:
    """Return a short print of what a test depends on: another one means that wires were declared anew."""
    wires = site.model_dump_json(include={"name", "trees", "probes", "circuits", "boards", "vents"})
    return hashlib.sha256(wires.encode()).hexdigest()[:16]


class Kept:
    """The wiring tests of one site: finished ones in its journal, and as files in ``wiring`` beside it."""

    def __init__(self, folder: Path, site: Site, kind: str = "full") -> None:
        self.folder = folder / "wiring"
        self._journal = folder / "journal.db"
        self._site, self._kind = site, kind
        self._under_way = self.folder / "under-way.json"

    def under_way(self, now: datetime) -> tuple[Record, str] | None:
        """Return the record of a test that is not whole yet, and who made it.

        Only one of the same kind counts, that still fits the site file and is not older than ``GOES_ON_S``.
        """
        try:
            plain = json.loads(self._under_way.read_text())
            if self._head(str(plain["by"])) != {
                name: plain[name] for name in ("form", "print", "kind", "by")
            }:
                return None
            record = record_from_plain(plain["record"])
            ended_s = max(
                (s.utc_s + s.lasted_s for notes in record.values() for s in notes.values()), default=0.0
            )
            # written so that a clock set back does not call up an old test
            return (record, plain["by"]) if 0.0 <= now.timestamp() - ended_s <= GOES_ON_S else None
        except (OSError, ValueError, KeyError, TypeError, ValidationError):
            return None

    def keep(self, record: Record, by: str) -> None:
        """Keep the record of a test under way, whole or not at all."""
        self._write(self._under_way, json.dumps({**self._head(by), "record": record_to_plain(record)}))

    def _head(self, by: str) -> dict[str, Any]:
        return {"form": FORM, "print": print_of(self._site), "kind": self._kind, "by": by}

    def finish(self, name: str, bodies: Mapping[str, bytes], *, is_whole: bool = True) -> list[Path]:
        """Keep a test's sheet in several forms by their suffixes; one that is whole is under way no more."""
        paths = []
        for suffix, body in bodies.items():
            path = self.folder / f"{name}{suffix}"
            self._write(path, body)
            paths.append(path)
        if is_whole:
            self._under_way.unlink(missing_ok=True)
        return paths

    def enter(self, sheet: Mapping[str, Any]) -> None:
        """Enter a sheet in the journal; raise ``JournalError`` where it cannot be."""
        put_sheet(self._journal, sheet)

    def sheets(self) -> list[dict[str, Any]]:
        """Return every finished test's sheet, oldest first.

        They are the journal's, and those files beside it that no journal holds, as when it had to be set
        aside; what cannot be read is passed over.
        """
        found = {}
        for path in self.folder.glob("sheet-*.json"):
            try:
                sheet = json.loads(path.read_text())
                found[sheet["at"]] = sheet
            except (OSError, ValueError, KeyError, TypeError):
                continue
        found |= {sheet["at"]: sheet for sheet in sheets_in(self._journal)}
        return sorted(found.values(), key=lambda sheet: datetime.fromisoformat(sheet["at"]))

    def _write(self, path: Path, body: str | bytes) -> None:
        data = body.encode() if isinstance(body, str) else body
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            partial = path.with_suffix(f"{path.suffix}.part")
            with partial.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            partial.replace(path)
        except OSError as error:
            raise WiringError(
                f"{path}: cannot be written ({error}); see that the folder exists and the disk is not full"
            ) from error
