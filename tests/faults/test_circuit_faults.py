"""Electrical faults on a metered site, on the clear, calm night: found in minutes, by name, none invented."""

import pytest

from simulator.faults.setting import FaultSetting
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

ONSET_S = 6 * 3600.0


@pytest.fixture(scope="module")
def metered():
    """Return the clear, calm night six hours in, with a meter on each circuit."""
    night = load_night("clear-calm")
    site = night.load_site()
    circuits = tuple(circuit.model_copy(update={"meter": True}) for circuit in site.circuits)
    return Rehearsal("clear-calm", night, 1, site=site.model_copy(update={"circuits": circuits})).run(ONSET_S)


def test_a_sound_night_finds_nothing_and_measures_every_string(metered):
    rehearsal = metered.fork().run()
    assert rehearsal.found_s == {}
    for circuit in rehearsal.controller.state.rules.circuits:
        measured_w = rehearsal.controller.state.circuits[circuit.name].measured_w
        assert measured_w.keys() == circuit.declared_w.keys()
        assert all(abs(measured_w[c] - w) < 1.0 for c, w in circuit.declared_w.items())


@pytest.mark.parametrize(
    ("word", "finding", "within_min"),
    [
        pytest.param("H01:lemon", "watts-missing.a", 15.0, marks=pytest.mark.fault("H01")),
        pytest.param("H01:lemon", "string-dead.east.4", 30.0, marks=pytest.mark.fault("H01")),
        pytest.param("H02:lemon", "string-half-dead.east.4", 60.0, marks=pytest.mark.fault("H02", "H12")),
        pytest.param("H03", "circuit-dead.b", 15.0, marks=pytest.mark.fault("H03")),
        pytest.param("H04:a", "circuit-dead.a", 15.0, marks=pytest.mark.fault("H04")),
        pytest.param("H07", "watts-missing.a", 15.0, marks=pytest.mark.fault("H07")),
        pytest.param("B07:east/3", "heater-stuck-on.a", 60.0, marks=pytest.mark.fault("B07", "P-09")),
        pytest.param("B08:east/3", "watts-missing.a", 60.0, marks=pytest.mark.fault("B08", "B16")),
        pytest.param("B09:east/3", "heater-stuck-on.a", 60.0, marks=pytest.mark.fault("B09")),
    ],
)
def test_a_fault_of_a_circuit_is_named_in_time(metered, record_property, word, finding, within_min):
    rehearsal = metered.fork()
    rehearsal.suffer([FaultSetting.read(f"{word}@6h")])
    end_s = ONSET_S + within_min * 60.0
    while finding not in rehearsal.found_s and rehearsal.world.elapsed_s < end_s:
        rehearsal.step()
    assert finding in rehearsal.found_s, rehearsal.found_s
    record_property("alarm_s", rehearsal.found_s[finding] - ONSET_S)
    assert rehearsal.auditor.unjustified_off == 0
