"""Why the board started, and the hardware watchdog that starts it again when even the kernel hangs.

The watchdog is the kernel's (Linux, Documentation/watchdog/watchdog-api.rst): once opened, it resets the
machine unless something is written to it every few seconds; a ``V`` before it is closed calls it off.  With
the machine reset, every coil is dead and every heater on.
"""

import os
from pathlib import Path
from types import TracebackType
from typing import Self

from controller.errors import BoardError

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
BOOT_STATUS = Path("/sys/class/watchdog/watchdog0/bootstatus")
# WDIOF_CARDRESET of the kernel's interface: the card had reset the machine.
_CARD_RESET = 0x20


class Watchdog:
    """The hardware watchdog, open for as long as the context lasts; without a path it is nothing."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._file = -1

    def __enter__(self) -> Self:
        if self._path:
            try:
                self._file = os.open(self._path, os.O_WRONLY | os.O_CLOEXEC)
            except OSError as error:
                raise BoardError(
                    f"the watchdog {self._path} cannot be opened ({error.strerror}); may this user write it, "
                    "and does nothing else hold it?"
                ) from error
        return self

    def pet(self) -> None:
        """Say that a whole cycle was completed."""
        if self._file >= 0:
            os.write(self._file, b"\0")

    def __exit__(
        self, kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        if self._file >= 0:
            if kind is None:  # ended in good order: the machine need not be reset
                os.write(self._file, b"V")
            os.close(self._file)
            self._file = -1


class Life:
    """A file in a folder that the machine forgets when it restarts; tells why this program begins."""

    def __init__(self, folder: Path, boot_id: Path = BOOT_ID, boot_status: Path = BOOT_STATUS) -> None:
        self._file, self._boot_id, self._boot_status = folder / "life", boot_id, boot_status

    def begin(self) -> str:
        """Return why it begins: power-on, watchdog, ended or killed; from now on 'killed' until ``end``."""
        boot = _text(self._boot_id)
        last, _, how = _text(self._file).partition(" ")
        self._note(f"{boot} running")
        if boot and last == boot:
            return "ended" if how == "ended" else "killed"
        status = _text(self._boot_status)
        return "watchdog" if status.isdecimal() and int(status) & _CARD_RESET else "power-on"

    def end(self) -> None:
        """Note that it ends in good order."""
        self._note(f"{_text(self._boot_id)} ended")

    def _note(self, text: str) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            self._file.write_text(text, encoding="ascii")
        except OSError:
            return  # a full or read-only folder costs a reason, nothing else


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""
