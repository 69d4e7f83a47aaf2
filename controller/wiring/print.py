"""A sheet printed to PDF by Chromium, where there is one."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

PRINTS_WITHIN_S = 60.0
NAMES = ("chromium", "chromium-browser", "google-chrome")


def browser() -> str | None:
    """Return the browser that can print, by its path; None where there is none."""
    wanted = os.environ.get("RIMEWARD_CHROMIUM")
    found = [wanted] if wanted else [shutil.which(name) for name in NAMES]
    return next((path for path in found if path and Path(path).exists()), None)


def pdf_of(html: str) -> bytes | None:
    """Return a page as PDF; None where no browser is there or it fails: the page itself prints as well."""
    path = browser()
    if path is None:
        return None
    with tempfile.TemporaryDirectory(prefix="rimeward-sheet-") as folder:
        page, printed = Path(folder) / "sheet.html", Path(folder) / "sheet.pdf"
        page.write_text(html, encoding="utf-8")
        command = [
            path,
            "--headless",
            "--disable-gpu",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            f"--print-to-pdf={printed}",
            page.as_uri(),
        ]
        if os.geteuid() == 0:  # Chromium refuses its sandbox to root; the page is our own
            command.insert(1, "--no-sandbox")
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=PRINTS_WITHIN_S)  # noqa: S603 (our own page)
            return printed.read_bytes()
        except (OSError, subprocess.SubprocessError):
            return None
