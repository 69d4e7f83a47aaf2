"""A disk that loses power: SQLite's files through APSW, with writes that were not synced dropped or torn.

What the journal's own code executes goes to SQLite unchanged; only the opening of the connection is another
(``Journal`` takes it as a parameter).  At a chosen moment the power fails: of each file stands what was
synced last, and of the writes since then any part, in any order, the last one perhaps torn at a sector.
Everything after that moment fails.
"""

import random
import re
import sqlite3
from collections import defaultdict
from pathlib import Path

import apsw

SECTOR_BYTES = 512


class Cut(Exception):  # noqa: N818 (what happened, not an error of the program)
    """The power is off."""


class Disk:
    """What the files hold, and what of it a power cut would leave.

    Parameters
    ----------
    chance
        Decides what is lost.
    fails_at
        The number of the operation at which the power fails.
    lies
        Whether it claims to have synced what it has not, as bad memory cards do.
    once
        Whether only that one operation fails and the power stays on.
    """

    def __init__(
        self, chance: random.Random, fails_at: int, *, lies: bool = False, once: bool = False
    ) -> None:
        self.chance, self.fails_at, self.lies, self.once = chance, fails_at, lies, once
        self.synced: dict[str, bytes] = {}
        self.pending: dict[str, list[tuple[int, bytes | None]]] = defaultdict(list)
        self.operations, self.is_off = 0, False

    def operate(self):
        """Count an operation; from the chosen one on nothing works."""
        self.operations += 1
        if self.once and self.operations == self.fails_at:
            raise apsw.IOError("one operation failed")
        if not self.once and self.operations >= self.fails_at:
            self.is_off = True
        if self.is_off:
            raise apsw.IOError("the power is off")

    def opened(self, name):
        self.synced.setdefault(name, Path(name).read_bytes() if Path(name).exists() else b"")

    def wrote(self, name, data, offset):
        self.pending[name].append((offset, bytes(data)))

    def truncated(self, name, size):
        self.pending[name].append((size, None))

    def sync(self, name):
        if not self.lies:
            self.synced[name] = _applied(self.synced.get(name, b""), self.pending.pop(name, []))

    def deleted(self, name):
        self.synced.pop(name, None)
        self.pending.pop(name, None)

    def leave_in(self, folder):
        """Write what the cut left of every file into a folder."""
        for name, whole in self.synced.items():
            left = [each for each in self.pending.get(name, []) if self.chance.random() < 0.5]
            self.chance.shuffle(left)
            if left and left[-1][1]:
                offset, data = left[-1]
                left[-1] = (offset, data[: self.chance.randrange(0, len(data) + 1, SECTOR_BYTES)])
            (folder / Path(name).name).write_bytes(_applied(whole, left))


def _applied(whole, writes):
    content = bytearray(whole)
    for offset, data in writes:
        if data is None:
            del content[offset:]
        else:
            content.extend(b"\0" * (offset - len(content)))
            content[offset : offset + len(data)] = data
    return bytes(content)


class _File(apsw.VFSFile):
    def __init__(self, disk, name, flags):
        super().__init__("", name, flags)
        self._disk, self._name = disk, name.filename() if isinstance(name, apsw.URIFilename) else name
        disk.opened(self._name)

    def xWrite(self, data, offset):  # noqa: N802
        self._disk.operate()
        super().xWrite(data, offset)
        self._disk.wrote(self._name, data, offset)

    def xTruncate(self, size):  # noqa: N802
        self._disk.operate()
        super().xTruncate(size)
        self._disk.truncated(self._name, size)

    def xSync(self, flags):  # noqa: N802
        self._disk.operate()
        super().xSync(flags)
        self._disk.sync(self._name)


class _Vfs(apsw.VFS):
    def __init__(self, disk):
        self._disk, self.name = disk, f"failing-{id(disk)}"
        super().__init__(self.name, "")

    def xOpen(self, name, flags):  # noqa: N802
        self._disk.operate()
        return _File(self._disk, name, flags)

    def xDelete(self, name, sync):  # noqa: N802
        self._disk.operate()
        super().xDelete(name, sync)
        self._disk.deleted(name)


class Connection:
    """The few things the journal asks of a connection, from APSW.

    ``committed`` holds the rows of every commit that SQLite has said is done, by table: the key, and what it
    last said of it, None where it was deleted.
    """

    def __init__(self, path, disk, committed=None):
        self.committed = {} if committed is None else committed
        self._pending = []
        self._vfs = _Vfs(disk)
        self._connection = _translated(lambda: apsw.Connection(str(path), vfs=self._vfs.name))
        # without shared memory, which such a file system does not have
        self.execute("PRAGMA locking_mode = EXCLUSIVE")

    @property
    def in_transaction(self):
        return self._connection.in_transaction

    def execute(self, sql, values=()):
        done = _translated(self._connection.execute, sql, values)
        if sql.startswith("BEGIN"):
            self._pending = []
        elif sql == "COMMIT":
            for table, key, value in self._pending:
                self.committed.setdefault(table, {})[key] = value
        elif words := re.match(r"(INSERT OR REPLACE INTO|DELETE FROM) (alarm|message)\b", sql):
            self._pending.append((words[2], values[0], values[1:] if words[1].startswith("INSERT") else None))
        return done

    def executescript(self, sql):
        return _translated(self._connection.execute, sql)

    def close(self):
        _translated(self._connection.close)


def _translated(call, *arguments):
    try:
        return call(*arguments)
    except apsw.Error as error:
        raise sqlite3.OperationalError(f"disk I/O error ({type(error).__name__}: {error})") from None
