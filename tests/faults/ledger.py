"""Which test injects which fault, and how fast it was met: a plugin for pytest.

A test that injects faults of the catalogue is marked with their ids, ``@pytest.mark.fault("S01", "S02")``; a
parametrised one marks each parameter.  What it measured it says by the fixture ``met``:

    met(reaction=12.0)                    seconds from the fault to the safe output (heat, a refusal, ...)
    met(alarm=340.0)                      seconds from the fault to the message or word that names it
    met(alarm="none: refused at start")   why there is none, once the test has seen that it is so

A run of everything fails where a fault has no reaction or no alarm by any of its tests, neither time nor
reason.  ``pytest --fault-table FILE`` writes the table of faults, times and tests; add ``-m ""`` for the long
ones.
"""

import math
from collections import defaultdict
from pathlib import Path

import pytest

from simulator.faults.catalogue import catalogue

# Faults that no test can inject, each with the reason.
CANNOT_INJECT: dict[str, str] = {
    "P06": "throttling needs the machine itself; what it does to the loop, a slower pace, is P05",
    "P17": "swapping needs a machine of its own; to the loop it is P05 and P02, and MemoryMax bounds it",
    "D15": "the race lies in SQLite and needs two writers at once; one connection of the daemon writes, "
    "and the wiring test writes while the controller is stopped",
}

MEASURES = ("reaction", "alarm")
MARKED = pytest.StashKey[dict[str, list[str]]]()
_SEEN = pytest.StashKey[dict[str, tuple[str, dict[str, float | str]]]]()


def pytest_addoption(parser):
    parser.addoption("--fault-table", type=Path, help="Write which fault is injected by which test to FILE.")


def pytest_configure(config):
    config.stash[MARKED] = defaultdict(list)
    config.stash[_SEEN] = {}
    config.pluginmanager.register(_Gathering(config.stash))


@pytest.fixture
def met(record_property):
    """Return what a test calls with how it saw its faults met; see above."""

    def note(**measured: float | str) -> None:
        for name, value in measured.items():
            if name not in MEASURES:
                raise ValueError(f"a fault is met by a reaction and an alarm, not by {name}")
            if isinstance(value, str) and not value.startswith("none: "):
                raise ValueError(f"a reason begins with 'none: ', not {value!r}")
            if not isinstance(value, str) and not 0.0 <= value < math.inf:
                raise ValueError(f"a fault is met in a time from 0 s on, not {value}")
            record_property(name, value)

    return note


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    """Note the marks of every test, also of those that this run leaves out."""
    for item in items:
        for mark in item.iter_markers("fault"):
            for fault in mark.args:
                config.stash[MARKED][fault].append(item.nodeid)


class _Gathering:
    """Gathers what the tests said, also those of the worker processes of ``pytest -n``."""

    def __init__(self, stash):
        self._marked, self._seen = stash[MARKED], stash[_SEEN]

    def pytest_runtest_logreport(self, report):
        if report.when == "call" or report.skipped:
            self._seen[report.nodeid] = (report.outcome, dict(report.user_properties))

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node, error):
        """Take a worker's marks: the process that starts the workers collects nothing itself."""
        if error is None:
            self._marked.update(node.workeroutput["marked"])


def pytest_sessionfinish(session):
    if hasattr(session.config, "workeroutput"):  # a worker: the one that gathers says the rest
        session.config.workeroutput["marked"] = dict(session.config.stash[MARKED])
        return
    file = session.config.getoption("--fault-table")
    if file is not None:
        file.write_text(table(session.config), encoding="utf-8")
    if is_whole(session.config) and session.exitstatus == pytest.ExitCode.OK and unmet(session.config):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter, config):
    if is_whole(config) and (missing := unmet(config)):
        terminalreporter.section("faults without a measured reaction or alarm", red=True)
        for fault, what in missing.items():
            terminalreporter.line(f"{fault}: no {' and no '.join(what)}, neither time nor reason")


def is_whole(config) -> bool:
    """Tell whether this run knows of every test, and leaves out none but the long ones."""
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    chosen = (
        config.getoption("keyword") or config.getoption("deselect") or config.getoption("lf", default=None)
    )
    return whole and not chosen and config.getoption("markexpr") in {"", "not long"}


def unmet(config) -> dict[str, list[str]]:
    """Return the faults of which a run did not see every measure; one whose test was skipped is let be."""
    missing = {}
    for fault in catalogue():
        seen = [config.stash[_SEEN].get(test) for test in config.stash[MARKED].get(fault, [])]
        lacks = [name for name in MEASURES if not any(name in said for _, said in filter(None, seen))]
        if lacks and fault not in CANNOT_INJECT and not any(each and each[0] == "skipped" for each in seen):
            missing[fault] = lacks
    return missing


def table(config) -> str:
    """Return the table of faults: how each was met at the slowest, or why not, and by which tests."""
    lines = [
        "| fault | severity | what | reaction [s] | alarm [s] | tests |",
        "|---|---|---|---|---|---|",
    ]
    for fault in catalogue().values():
        tests = config.stash[MARKED].get(fault.id, [])
        said = [config.stash[_SEEN].get(test, ("not run", {})) for test in tests]
        times = " | ".join(_slowest([seen[name] for _, seen in said if name in seen]) for name in MEASURES)
        named = "<br>".join(f"`{test}` {said[0]}" for test, said in zip(tests, said, strict=True))
        named = named or CANNOT_INJECT.get(fault.id, "no test")
        lines.append(f"| {fault.id} | {fault.severity} | {fault.what} | {times} | {named} |")
    return "\n".join(lines) + "\n"


def _slowest(values: list[float | str]) -> str:
    """Return the longest of some times, or the reasons where there is no time."""
    times = [value for value in values if not isinstance(value, str)]
    return f"{max(times):.3g}" if times else "; ".join(dict.fromkeys(str(value) for value in values))
