"""Which test injects which fault, and how fast it was met: a plugin for pytest.

A test that injects faults of the catalogue is marked with their ids, ``@pytest.mark.fault("S01", "S02")``; a
parametrised one marks each parameter.  What it measured it says by pytest's own ``record_property``:

    reaction_s    from the fault to the safe output (heat on, order refused, ...)
    alarm_s       from the fault to the finding or alarm that names it

``pytest --fault-table FILE`` writes the table of faults, tests and times; add ``-m ""`` for the long ones.
"""

from collections import defaultdict
from pathlib import Path

import pytest

from simulator.faults.catalogue import catalogue

# Faults that no test can inject, each with the reason.
CANNOT_INJECT: dict[str, str] = {
    "P06": "a processor throttled by heat or low voltage needs the machine itself",
    "P17": "swapping needs a machine of its own; MemoryMax and `vitals` bound what the daemon takes",
    "D15": "the race lies in SQLite and needs two writers; by construction one connection does all writes",
}

MARKED = pytest.StashKey[dict[str, list[str]]]()
_TIMES = pytest.StashKey[dict[str, dict[str, object]]]()


def pytest_addoption(parser):
    parser.addoption("--fault-table", type=Path, help="Write which fault is injected by which test to FILE.")


def pytest_configure(config):
    config.stash[MARKED] = defaultdict(list)
    config.stash[_TIMES] = {}


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    """Note the marks of every test, also of those that this run leaves out."""
    for item in items:
        for mark in item.iter_markers("fault"):
            for fault in mark.args:
                config.stash[MARKED][fault].append(item.nodeid)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.when == "call":
        item.config.stash[_TIMES][item.nodeid] = {"outcome": report.outcome, **dict(report.user_properties)}
    return report


def pytest_sessionfinish(session):
    file = session.config.getoption("--fault-table")
    if file is not None:
        file.write_text(_table(session.config), encoding="utf-8")


def _table(config) -> str:
    lines = [
        "| fault | severity | what | test | outcome | reaction [s] | alarm [s] |",
        "|---|---|---|---|---|---|---|",
    ]
    for fault in catalogue().values():
        tests = config.stash[MARKED].get(fault.id, [])
        head = f"| {fault.id} | {fault.severity} | {fault.what} |"
        if not tests:
            lines.append(f"{head} {CANNOT_INJECT.get(fault.id, 'no test')} | | | |")
        for test in tests:
            seen = config.stash[_TIMES].get(test, {"outcome": "not run"})
            times = " | ".join(f"{seen[key]:g}" if key in seen else "" for key in ("reaction_s", "alarm_s"))
            lines.append(f"{head} `{test}` | {seen['outcome']} | {times} |")
    return "\n".join(lines) + "\n"
