"""The ledger of faults itself."""

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
