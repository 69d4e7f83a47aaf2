"""Pictures in files: one way to begin one and to write it, for every command that draws."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controller.errors import RimewardError


@contextmanager
def picture(path: Path, size_in: tuple[float, float]) -> Iterator[Any]:
    """Yield a matplotlib figure of a size [in], and write it to a file at the end of the block.

    Raises
    ------
    RimewardError
        Matplotlib (extra ``report``) is not installed, or the file cannot be written.
    """
    try:
        from matplotlib.figure import Figure  # noqa: PLC0415 (an extra that the daemon never loads)
    except ImportError as error:
        raise RimewardError(
            "a picture needs matplotlib; install it with: pip install 'rimeward[report]'"
        ) from error
    figure = Figure(figsize=size_in, layout="constrained")
    yield figure
    try:
        figure.savefig(path)
    except (OSError, ValueError) as error:
        raise RimewardError(f"{path}: the picture cannot be written ({error})") from error
