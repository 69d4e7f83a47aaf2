"""A campaign: its runs in parallel processes, kept as they finish, taken up where it stopped."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import RehearsalError
from simulator.campaign.outcome import Outcome, Task
from simulator.campaign.play import play_task
from simulator.faults.stage import happening
from simulator.kept import Kept, as_done, local

if TYPE_CHECKING:
    from concurrent.futures import Executor

RESULTS = "runs.jsonl"
# Runs that a process takes at a time: they share a night and an onset, and results come back often enough.
CHUNK = 6


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
    kept = Kept(folder / RESULTS, Outcome)
    left = [task for task in tasks if task.key not in kept.results]
    done = len(tasks) - len(left)
    if on_progress is not None:
        on_progress(done, len(tasks))
    chunks = list(_chunks(left))
    with _executor(processes, scheduler) as executor, closing(as_done(executor, _play_chunk, chunks)) as ends:
        for outcomes in ends:
            kept.add(outcomes)
            done += len(outcomes)
            if on_progress is not None:
                on_progress(done, len(tasks))
    return [kept.results[task.key] for task in tasks]


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


def _executor(processes: int | None, scheduler: str) -> "Executor":
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
    return local(processes)
