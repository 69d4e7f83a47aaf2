"""The daily fit as a child process with limits of time and memory: its hang or crash costs a model only."""

import os
import subprocess
import sys
import threading
from pathlib import Path

from controller.errors import ModelError
from controller.site.model import Site
from controller.vitals import resident_bytes

# A fit of 30 days takes seconds on a desk machine and some ten times that on a small board [s].
LONGEST_S = 900.0
# Resident memory [bytes]; looked at from outside, since a service's sandbox may forbid a process to set its
# own limits.
MOST_BYTES = 300_000_000
LOOK_S = 0.25
_TOLD_BYTES = 4000


def run_fit(
    site: Site,
    folder: Path,
    stop: threading.Event,
    *,
    longest_s: float = LONGEST_S,
    most_bytes: int = MOST_BYTES,
    command: tuple[str, ...] | None = None,
) -> str:
    """Run ``rimeward fit`` on a site's journal and return what it said.

    Raises
    ------
    ModelError
        It failed, took too long or too much memory, or the daemon stops; the model in use stays.
    """
    site_file, said_file = folder / "fit-site.json", folder / "fit-said.txt"
    site_file.write_text(site.model_dump_json(by_alias=True))
    command = command or (sys.executable, "-m", "controller", "fit")
    arguments = [*command, "--site", str(site_file), "--state", str(folder)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    with said_file.open("wb") as said:
        child = subprocess.Popen(  # noqa: S603 (our own command)
            arguments, stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT, env=environment
        )
        try:
            ended = _watch(child, stop, longest_s, most_bytes)
        finally:
            child.kill()
            child.wait()
    with said_file.open("rb") as said:
        text = said.read(_TOLD_BYTES).decode(errors="replace").strip()
    if ended or child.returncode:
        raise ModelError(ended or f"the fit failed: {text[-400:]}")
    return text


def _watch(child: "subprocess.Popen[bytes]", stop: threading.Event, longest_s: float, most_bytes: int) -> str:
    """Return an empty text when the child has ended by itself, else why it must be ended."""
    looks = 0
    while child.poll() is None:
        if stop.wait(LOOK_S):
            return "the fit was ended because the daemon stops"
        looks += 1
        if looks * LOOK_S > longest_s:
            return f"the fit was ended after {longest_s:g} s; the model in use stays"
        if (used := resident_bytes(child.pid)) > most_bytes:
            return f"the fit was ended at {used / 1e6:.0f} MB of memory; the model in use stays"
    return ""
