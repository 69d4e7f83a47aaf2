"""A site file that was sound once is kept, so that a slip of the editor does not end the guarding.

While no sound file can be read, boards would only heat; with the kept copy control goes on as it was, and
says on every page what is wrong with the new file.
"""

import contextlib
import hashlib
import os
from datetime import UTC, datetime
from pathlib import Path

from controller.errors import SiteFileError
from controller.site.load import load_site
from controller.site.model import Site


def load_or_last_good(path: Path, folder: Path) -> tuple[Site, str]:
    """Return a site and what is wrong with its file, in words; empty when it was read.

    Parameters
    ----------
    path
        The site file.
    folder
        Where the copy of the last sound one is kept.

    Raises
    ------
    SiteFileError
        The file is not sound, and no copy of a sound one is kept.
    """
    name = hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:12]
    copy = folder / f"site-file-{name}.json"
    try:
        site = load_site(path)
    except SiteFileError as error:
        try:
            kept = load_site(copy)
        except SiteFileError:
            raise error from None
        since = datetime.fromtimestamp(copy.stat().st_mtime, UTC)
        return kept, (
            f"the site file cannot be used, so the last sound one, of {since:%Y-%m-%d %H:%M} UTC, is; "
            f"run 'rimeward check {path}': {' '.join(str(error).split())}"
        )
    _keep(site, copy)
    return site, ""


def _keep(site: Site, copy: Path) -> None:
    """Write the copy whole or not at all; a disk that refuses costs the copy and nothing else."""
    beside = copy.with_suffix(".new")
    with contextlib.suppress(OSError):
        copy.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("w", encoding="utf-8") as file:
            file.write(site.model_dump_json(by_alias=True))
            file.flush()
            os.fsync(file.fileno())
        beside.replace(copy)
