"""Whether the daemon itself is well: its loop turns, its memory and its open files stay within bounds."""

import os
import threading
from collections.abc import Callable
from pathlib import Path

# The loop decides every 10 s; standing still for so long it is stuck, and the process ends [s].
STUCK_S = 60.0
# Memory [bytes] that is told, and at which the process ends in good order; the service manager's own limit
# (550 MB) would kill it in the midst of things.
MUCH_BYTES = 250_000_000
MOST_BYTES = 400_000_000
# Open files that are told; a plain unit may have 1024.
MANY_FILES = 512
# Ending in good order may itself hang on a dead disk or pipe: it is cut short after this [s].
LEAVE_WITHIN_S = 15.0


def resident_bytes(pid: int) -> int:
    """Return the memory a process holds, 0 where that cannot be told."""
    try:
        pages = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]
    except (OSError, IndexError):
        return 0
    return int(pages) * os.sysconf("SC_PAGESIZE")


def open_files() -> int:
    """Return how many files this process holds open, 0 where that cannot be told."""
    try:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())
    except OSError:
        return 0


class Vitals:
    """Follows the process's own health.

    Parameters
    ----------
    used_bytes, files
        Tell the memory held and the files open; a test's own are possible.
    """

    def __init__(
        self,
        used_bytes: Callable[[], int] = lambda: resident_bytes(os.getpid()),
        files: Callable[[], int] = open_files,
    ) -> None:
        self._used_bytes, self._files = used_bytes, files

    @property
    def trouble(self) -> str:
        """What grows beyond its bounds, in words."""
        used, files = self._used_bytes(), self._files()
        told = []
        if used > MUCH_BYTES:
            told.append(f"{used / 1e6:.0f} MB of memory held; at {MOST_BYTES / 1e6:.0f} MB it starts anew")
        if files > MANY_FILES:
            told.append(f"{files} files held open")
        return "; ".join(told)

    @property
    def is_bursting(self) -> bool:
        """Whether the process must end while it still can in good order."""
        return self._used_bytes() > MOST_BYTES


def leave_within(seconds: float, code: int, leave: Callable[[int], None] = os._exit) -> threading.Timer:
    """Return a started timer that ends the process at once unless it is cancelled in time."""
    timer = threading.Timer(seconds, leave, args=(code,))
    timer.daemon = True
    timer.start()
    return timer
