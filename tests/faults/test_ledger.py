"""The ledger of faults itself."""

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from simulator.faults.catalogue import catalogue
from tests.faults import ledger
from tests.faults.ledger import CANNOT_INJECT, MARKED


def test_the_catalogue_names_each_fault_once_and_pairs_only_what_it_names():
    singles = [fault for fault in catalogue().values() if not fault.of]
    pairs = [fault for fault in catalogue().values() if fault.of]
    assert (len(singles), len(pairs)) == (226, 30)
    assert all(set(pair.of) <= {fault.id for fault in singles} for pair in pairs)
    assert all(1 <= fault.severity <= 4 and fault.what for fault in catalogue().values())


def test_tests_name_faults_of_the_catalogue_only(request):
    marked = set(request.config.stash[MARKED])
    assert marked <= set(catalogue())
    assert set(CANNOT_INJECT) <= set(catalogue())
    assert not marked & set(CANNOT_INJECT)


FAULT = "S01"
ROOT = Path(__file__).parents[2]
SOME_FAULT_TESTS = "tests/test_clock.py"


def config_of(*seen, markexpr="not long", source=pytest.Config.ArgsSource.TESTPATHS, keyword=""):
    """Return what pytest knows after a run in which each of some tests of one fault said something."""
    tests = [f"test_{n}" for n in range(len(seen))]
    options = {"keyword": keyword, "markexpr": markexpr}
    return SimpleNamespace(
        stash={ledger.MARKED: {FAULT: tests}, ledger._SEEN: dict(zip(tests, seen, strict=True))},
        args_source=source,
        getoption=lambda name, default=None: options.get(name, default),
    )


@pytest.mark.parametrize(
    ("seen", "lacks"),
    [
        ([("passed", {"reaction": 10.0, "alarm": 300.0})], None),
        ([("passed", {"reaction": 10.0}), ("passed", {"alarm": "none: it mends itself"})], None),
        ([("passed", {"reaction": 10.0})], ["alarm"]),
        ([("passed", {})], ["reaction", "alarm"]),
        ([("passed", {"reaction": 10.0}), ("skipped", {})], None),
        ([], ["reaction", "alarm"]),
    ],
)
def test_a_run_of_everything_misses_what_no_test_of_a_fault_has_said(seen, lacks):
    assert ledger.unmet(config_of(*seen)).get(FAULT) == lacks
    assert not set(CANNOT_INJECT) & set(ledger.unmet(config_of()))


def test_only_a_run_of_everything_is_asked():
    assert ledger.is_whole(config_of())
    assert ledger.is_whole(config_of(markexpr=""))
    assert not ledger.is_whole(config_of(markexpr="fault"))
    assert not ledger.is_whole(config_of(keyword="keeper"))
    assert not ledger.is_whole(config_of(source=pytest.Config.ArgsSource.ARGS))


def test_the_table_is_the_same_whether_one_process_runs_the_tests_or_two(tmp_path):
    tables = []
    for workers in ("0", "2"):
        file = tmp_path / workers
        chosen = ["-n", workers, "--fault-table", file, "-p", "no:cacheprovider", SOME_FAULT_TESTS]
        subprocess.run([sys.executable, "-m", "pytest", *chosen], cwd=ROOT, check=True, capture_output=True)
        tables.append(file.read_text(encoding="utf-8"))
    assert tables[0] == tables[1]
    assert " passed" in tables[0]


def test_the_table_says_the_slowest_time_or_why_there_is_none_and_names_the_tests():
    seen = [("passed", {"reaction": 10.0, "alarm": "none: a"}), ("passed", {"reaction": 70.0})]
    row = next(line for line in ledger.table(config_of(*seen)).splitlines() if line.startswith(f"| {FAULT} "))
    assert "| 70 | none: a | `test_0` passed<br>`test_1` passed |" in row


@pytest.mark.parametrize(
    "wrong", [{"reaction": -1.0}, {"alarm": float("nan")}, {"alarm": "no"}, {"heat": 1.0}]
)
def test_a_measure_that_is_none_is_refused(met, wrong):
    with pytest.raises(ValueError, match=r"a reason begins|a fault is met"):
        met(**wrong)
