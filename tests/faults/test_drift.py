"""A probe that drifts by a tenth of a kelvin a day: named within a fortnight, and doubted from then on."""

import diagnosis_nights as nights
import pytest

from controller.guard.decision import Reason
from controller.guard.events import Found
from controller.learn.findings import findings_of
from controller.thermal.house_fit import fit_house
from controller.thermal.suspicion import Fault
from tests.conftest import Drive
from tests.faults.nights import COLD_H, TREE, suffer, twin

pytestmark = pytest.mark.untraced

# Before that it is less than the model can tell from weather; each look costs seconds.
LOOKS_D = range(8, 15)
PROBE = "air-lemon"
# The third of that house's trees, whose probe drifts.
LEMON = 2


@pytest.mark.fault("S13")
def test_a_drift_is_named_within_a_fortnight_and_the_probe_doubted_from_then_on(met, curlew_yard):
    night = next(nights.well(nights.Plant, 11, 1))
    fitted = fit_house(night.record(), nights.PRIOR)
    wrong = nights.Wrong(Fault.PROBE_DRIFTED, LEMON, share=0.1)
    found, day = (), 0
    while not any(each.target == PROBE for each in found) and day < LOOKS_D[-1]:
        night.day(wrong)
        day += 1
        if day in LOOKS_D:
            found = findings_of(night.record(4 * nights.DAY_S), fitted.parameters, fitted.noise, nights.SITE)
    named = next(each for each in found if each.target == PROBE)
    assert str(named.code) == "probe-drifted"
    drive = Drive(curlew_yard)
    drive.temps_c = dict.fromkeys(drive.temps_c, 2.5)
    for _ in range(41):
        drive.step()
    assert not drive.tree(TREE).active, "by its probe it is warm enough, if not by much"
    drive.tell(Found(source="model", findings=found))
    drive.step()
    assert drive.tree(TREE).reason is Reason.PROBE_SUSPECT
    assert drive.tree(TREE).active
    met(alarm=day * nights.DAY_S, reaction=day * nights.DAY_S + 10.0)


def test_a_probe_that_has_drifted_by_a_kelvin_costs_a_kelvin_and_no_fruit():
    seen = suffer(f"S13:{PROBE}", COLD_H, 1.0)
    drifted_c, sound_c = (each.run.result().trees[TREE].air_min_c for each in (seen.hurt, twin(seen)))
    assert not any(tree.is_damaged for tree in seen.hurt.run.world.record.trees)
    assert seen.hurt.run.auditor.unjustified_off == 0
    assert drifted_c >= sound_c - 1.1
