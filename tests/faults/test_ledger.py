"""The ledger of faults itself."""

import pytest

from simulator.faults.catalogue import catalogue
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


def test_every_fault_is_injected_in_some_test_or_it_is_said_why_none_can(request):
    if request.config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        pytest.skip("only a run of everything knows of every test")
    uncovered = set(catalogue()) - set(request.config.stash[MARKED]) - set(CANNOT_INJECT)
    assert not uncovered
