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
from controller.site.model import Site
from controller.wiring.check import Record
from controller.wiring.step import Notes, Seen

FORM = 1
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
    """The wiring tests of one site, in the ``wiring`` folder beside its journal."""

    def __init__(self, folder: Path, site: Site) -> None:
        self.folder = folder / "wiring"
        self._site = site
        self._under_way = self.folder / "under-way.json"

    def under_way(self) -> tuple[Record, str] | None:
        """Return the record of a test that was broken off and who made it, if it still fits the site file."""
        try:
            plain = json.loads(self._under_way.read_text())
            if plain["form"] != FORM or plain["print"] != print_of(self._site):
                return None
            return record_from_plain(plain["record"]), str(plain["by"])
        except (OSError, ValueError, KeyError, TypeError, ValidationError):
            return None

    def keep(self, record: Record, by: str) -> None:
        """Keep the record of a test under way, whole or not at all."""
        plain = {"form": FORM, "print": print_of(self._site), "by": by, "record": record_to_plain(record)}
        self._write(self._under_way, json.dumps(plain))

    def finish(self, name: str, bodies: Mapping[str, bytes]) -> list[Path]:
        """Keep a finished test's sheet in several forms by their suffixes; nothing is under way any more."""
        paths = []
        for suffix, body in bodies.items():
            path = self.folder / f"{name}{suffix}"
            self._write(path, body)
            paths.append(path)
        self._under_way.unlink(missing_ok=True)
        return paths

    def sheets(self) -> list[dict[str, Any]]:
        """Return every finished test's sheet, oldest first; what cannot be read is passed over."""
        found = []
        for path in sorted(self.folder.glob("sheet-*.json")):
            try:
                found.append(json.loads(path.read_text()))
            except (OSError, ValueError):
                continue
        return found

    def name_for(self, at: datetime) -> str:
        """Return the name of a sheet made at a time."""
        return f"sheet-{at:%Y-%m-%dT%H%M}"

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
