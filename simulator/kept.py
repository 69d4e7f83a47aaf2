"""Results of long work, kept in a file as they come, so that what was stopped goes on where it was."""

import hashlib
import json
import multiprocessing
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import closing
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from pydantic import TypeAdapter

import controller
import simulator
from controller.errors import RehearsalError


class Keyed(Protocol):
    """A result that says which piece of the work it is of."""

    @property
    def key(self) -> str:
        """What tells it from the others."""


K = TypeVar("K", bound=Keyed)
J = TypeVar("J")
R = TypeVar("R")


def code_sha256() -> str:
    """Return a hash of the program itself, so that results of different programs are never mixed."""
    digest = hashlib.sha256()
    for package in (controller, simulator):
        folder = Path(str(package.__file__)).parent
        for file in sorted([*folder.rglob("*.py"), *folder.rglob("*.toml"), *folder.rglob("*.csv")]):
            digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


class Kept(Generic[K]):
    """Finished results in a file, one line of JSON each, after a line that says what they are of.

    Parameters
    ----------
    path
        The file; its folder is made.
    kind
        The results' class, a dataclass.
    of
        What they are of beside the program itself, such as a site and its weather.

    Attributes
    ----------
    results : dict of str to result
        What is kept, by key.

    Raises
    ------
    RehearsalError
        The file is of another program, or of other work.
    """

    def __init__(self, path: Path, kind: type[K], of: Mapping[str, str] | None = None) -> None:
        self.path = path
        self.results: dict[str, K] = {}
        self._form = TypeAdapter(kind)
        path.parent.mkdir(parents=True, exist_ok=True)
        own = json.dumps({"code": code_sha256(), **(of or {})})
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        first, *lines = text.splitlines() or [own]
        if first != own:
            raise RehearsalError(
                f"{path} holds results of another version or of other work (it begins {first[:60]!r}); "
                "name another folder, or delete it"
            )
        if not text:
            path.write_text(own + "\n", encoding="utf-8")
        elif not text.endswith("\n"):  # so that the next line is not glued to what was cut short
            with path.open("a", encoding="utf-8") as file:
                file.write("\n")
        for line in lines:
            try:
                result = self._form.validate_json(line)
            except ValueError:
                continue  # cut short when the work was stopped: that piece is done again
            self.results[result.key] = result

    def add(self, results: Iterable[K]) -> None:
        """Keep results that have come."""
        with self.path.open("a", encoding="utf-8") as file:
            for result in results:
                self.results[result.key] = result
                file.write(self._form.dump_json(result).decode() + "\n")


def local(processes: int | None) -> Executor:
    """Return processes of this machine, one for each processor where no number is given.

    They are started anew, not forked: the same on every platform, and no thread of the parent comes along.
    """
    return ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"))


def as_done(executor: Executor, play: Callable[[J], R], jobs: Sequence[J]) -> Generator[R, None, None]:
    """Yield what becomes of each job as soon as it is done; closed, or when one fails, begin no other."""
    futures = [executor.submit(play, job) for job in jobs]
    try:
        for future in as_completed(futures):
            yield future.result()
    finally:
        for future in futures:
            future.cancel()


def carried_on(
    jobs: Mapping[str, J], play: Callable[[J], K], kept: Kept[K] | None, *, processes: int | None = None
) -> Iterator[K]:
    """Yield what becomes of each job: first what is kept already, then the others as they are done.

    Parameters
    ----------
    jobs
        What is to be done, by the key of its result.
    play
        Does one.
    kept
        Where results are kept; None keeps none.
    processes
        How many at a time; left out, one for each processor.
    """
    known = kept.results if kept is not None else {}
    yield from [known[key] for key in jobs if key in known]
    left = [job for key, job in jobs.items() if key not in known]
    if not left:
        return
    with local(processes) as executor, closing(as_done(executor, play, left)) as results:
        for result in results:
            if kept is not None:
                kept.add([result])
            yield result
