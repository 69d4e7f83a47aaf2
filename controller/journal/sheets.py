"""Sheets of wiring tests in the journal, as the command ``wire`` puts them there and reads them again."""

import json
import sqlite3
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.errors import JournalError
from controller.journal.store import open_for_reading, open_for_writing


def put_sheet(path: Path, sheet: Mapping[str, Any]) -> None:
    """Keep a sheet so that it survives a power cut; one of the same moment is replaced.

    Raises
    ------
    JournalError
        The journal cannot be opened or written.
    """
    connection, _ = open_for_writing(path)
    try:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(
            "INSERT OR REPLACE INTO wiring_sheet (at_s, kind, verdict, made_by, body) VALUES (?, ?, ?, ?, ?)",
            (
                datetime.fromisoformat(sheet["at"]).timestamp(),
                sheet["kind"],
                sheet["verdict"],
                sheet["by"],
                json.dumps(sheet, ensure_ascii=False),
            ),
        )
    except sqlite3.Error as error:
        raise JournalError(f"{path}: the sheet cannot be kept in the journal ({error})") from error
    finally:
        connection.close()


def sheets_in(path: Path) -> list[dict[str, Any]]:
    """Return every sheet of a journal, oldest first; none where there is no journal that knows of any."""
    try:
        connection = open_for_reading(path)
    except JournalError:
        return []
    try:
        return [
            json.loads(body) for (body,) in connection.execute("SELECT body FROM wiring_sheet ORDER BY at_s")
        ]
    except sqlite3.Error:
        return []
    finally:
        connection.close()
