"""The journal file: opening it, its numbered migrations, and setting a damaged one aside.

SQLite in WAL mode, STRICT tables, one connection that writes.  Control never waits for any of this.
"""

import fcntl
import os
import sqlite3
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import IO

from controller.errors import JournalError

# How long a writer waits for another process's lock before it gives up [s].
BUSY_S = 5.0


def _migrations() -> list[str]:
    folder = files("controller.journal") / "migrations"
    return [entry.read_text() for entry in sorted(folder.iterdir(), key=lambda e: e.name)]


def connect(path: Path) -> sqlite3.Connection:
    """Return a new connection that leaves transactions to its user."""
    return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)


Connect = Callable[[Path], sqlite3.Connection]


def open_for_writing(path: Path, connect: Connect = connect) -> tuple[sqlite3.Connection, str]:
    """Return a connection to the journal, brought to the present form, and what had to be done about it.

    A damaged file is renamed, never deleted, and a new one begun.

    Parameters
    ----------
    path
        The file.
    connect
        Opens it; a test's own can drop what a disk would lose.

    Raises
    ------
    JournalError
        The file cannot be opened or written, or a newer Rimeward made it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    note = ""
    if path.exists() and not _is_sound(path):
        note = f"the journal was damaged; it is kept as {_set_aside(path).name} and a new one begun"
    try:
        connection = connect(path)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        connection.execute("PRAGMA journal_size_limit = 8000000")
        _migrate(connection)
    except (sqlite3.Error, OSError) as error:
        raise JournalError(
            f"{path}: the journal cannot be used ({error}); see that the folder can be written and the disk "
            "is not full. Control goes on without it"
        ) from error
    return connection, note


def _is_sound(path: Path) -> bool:
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=BUSY_S)
        try:
            return bool(connection.execute("PRAGMA integrity_check(1)").fetchone()[0] == "ok")
        finally:
            connection.close()
    except sqlite3.OperationalError:  # locked or unreadable is not damaged
        return True
    except sqlite3.DatabaseError:
        return False


def _set_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for suffix in ("-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    return aside


def _migrate(connection: sqlite3.Connection) -> None:
    migrations = _migrations()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > len(migrations):
        raise JournalError(
            f"the journal has form {version}, made by a newer Rimeward; this one knows up to "
            f"{len(migrations)}. Upgrade again, or move the file away. Control goes on without it"
        )
    for number, sql in enumerate(migrations[version:], start=version + 1):
        connection.executescript(f"BEGIN IMMEDIATE; {sql} PRAGMA user_version = {number}; COMMIT;")


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Return a read-only connection; raise ``JournalError`` if there is no journal."""
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=BUSY_S)
        connection.execute("SELECT 1 FROM decision LIMIT 1")
    except sqlite3.Error as error:
        raise JournalError(
            f"{path}: no journal can be read here ({error}); --state names another folder"
        ) from error
    return connection


def lock_folder(folder: Path) -> IO[str] | None:
    """Return a lock on a state folder, to be closed in the end; None where another process holds it."""
    lock = (folder / "lock").open("w")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        return None
    return lock


def state_folder(site_name: str, given: Path | None = None) -> Path:
    """Return where a site's state is kept: the folder given, else one for it in the place for all."""
    return state_root() / site_name if given is None else given


def state_root() -> Path:
    """Return where the state of all sites is kept: what the service manager says, else the XDG place."""
    if managed := os.environ.get("STATE_DIRECTORY"):
        return Path(managed.split(":", maxsplit=1)[0])
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "rimeward"
