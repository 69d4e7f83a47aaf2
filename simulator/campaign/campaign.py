"""A campaign: its runs in parallel processes, kept as they finish, taken up where it stopped."""

import hashlib
import json
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import controller
import simulator
from controller.errors import RehearsalError
from simulator.campaign.outcome import Outcome, Task
from simulator.campaign.play import play_task
from simulator.faults.stage import happening

if TYPE_CHECKING:
    from concurrent.futures import Executor

RESULTS = "runs.jsonl"
# Runs that a process takes at a time: they share a night and an onset, and results come back often enough.
CHUNK = 6


def code_sha256() -> str:
    """Return a hash of the program itself, so that results of different programs are never mixed."""
    digest = hashlib.sha256()
    for package in (controller, simulator):
        folder = Path(str(package.__file__)).parent
        for file in sorted([*folder.rglob("*.py"), *folder.rglob("*.toml"), *folder.rglob("*.csv")]):
            digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


class Results:
    """The finished runs of a campaign in a file, one line each, after a line that names the program.

    Raises
    ------
    RehearsalError
        The file is of another program.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / RESULTS
        folder.mkdir(parents=True, exist_ok=True)
        self.outcomes: dict[str, Outcome] = {}
        own = json.dumps({"code": code_sha256()})
        lines = self.path.read_text(encoding="utf-8").splitlines() if self.path.exists() else []
        if lines and lines[0] != own:
            raise RehearsalError(
                f"{self.path} holds results of another version; name another folder, or delete it"
            )
        if not lines:
            self.path.write_text(own + "\n", encoding="utf-8")
        for line in lines[1:]:
            try:
                outcome = Outcome.from_json(line)
            except (ValueError, KeyError, TypeError):
                continue  # cut short when the campaign was stopped: that run is played again
            self.outcomes[outcome.key] = outcome

    def add(self, outcomes: Sequence[Outcome]) -> None:
        """Keep runs that have finished."""
        with self.path.open("a", encoding="utf-8") as file:
            for outcome in outcomes:
                self.outcomes[outcome.key] = outcome
                file.write(outcome.to_json() + "\n")


def run_campaign(
    tasks: Sequence[Task],
    folder: Path,
    *,
    processes: int | None = None,
    scheduler: str = "",
    on_progress: Callable[[int, int], None] | None = None,
) -> list[Outcome]:
    """Play the runs that are not yet in the folder and return all, in the order of the tasks.

    Parameters
    ----------
    tasks, folder
        What is to be played, and where results are kept.
    processes : int, optional
        How many runs at a time; left out, one for each processor.
    scheduler : str
        Address of a Dask scheduler whose workers play instead, such as ``tcp://host:8786``.
    on_progress : callable, optional
        Called with how many runs are done, and of how many.
    """
    results = Results(folder)
    left = [task for task in tasks if task.key not in results.outcomes]
    chunks = list(_chunks(left))
    done = len(tasks) - len(left)
    if on_progress is not None:
        on_progress(done, len(tasks))
    with _executor(processes or os.cpu_count() or 1, scheduler) as executor:
        futures = [executor.submit(_play_chunk, chunk) for chunk in chunks]
        try:
            for future in as_completed(futures):
                outcomes = future.result()
                results.add(outcomes)
                done += len(outcomes)
                if on_progress is not None:
                    on_progress(done, len(tasks))
        except BaseException:  # one that failed, or a person who stops it: play nothing more in vain
            for future in futures:
                future.cancel()
            raise
    return [results.outcomes[task.key] for task in tasks]


def _play_chunk(chunk: Sequence[Task]) -> list[Outcome]:
    """Play some runs; faults that are one and the same to a simulated night are played once."""
    played: dict[object, Outcome] = {}
    outcomes = []
    for task in chunk:
        same = happening(task.fault)
        if same not in played:
            played[same] = play_task(task)
        outcomes.append(replace(played[same], fault=task.fault))
    return outcomes


def _chunks(tasks: Sequence[Task]) -> Iterator[list[Task]]:
    """Yield a few runs at a time, never of different nights, seeds or onsets."""
    chunk: list[Task] = []
    for task in sorted(tasks, key=lambda each: (each.night, each.seed, each.onset, happening(each.fault))):
        if chunk and (
            (len(chunk) >= CHUNK and happening(task.fault) != happening(chunk[-1].fault))
            or (chunk[0].night, chunk[0].seed, chunk[0].onset) != (task.night, task.seed, task.onset)
        ):
            yield chunk
            chunk = []
        chunk.append(task)
    if chunk:
        yield chunk


def _executor(processes: int, scheduler: str) -> "Executor":
    if scheduler:
        try:
            from distributed import Client  # noqa: PLC0415 (only who has a cluster needs it)
        except ImportError as error:
            raise RehearsalError(
                "a Dask scheduler needs the package distributed: pip install distributed"
            ) from error
        client: Any = Client(scheduler)
        executor: Executor = client.get_executor()
        return executor
    # started anew, not forked: the same on every platform, and no thread of the parent comes along
    return ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"))
