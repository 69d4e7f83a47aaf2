"""Meters on a sound night: every string is measured, and nothing is found."""

import pytest

from tests.faults.nights import REST_H, evening

pytestmark = pytest.mark.untraced


def test_a_sound_night_finds_nothing_and_measures_every_string():
    rehearsal = evening(REST_H, metered=True).fork().run()
    assert rehearsal.found_s == {}
    for circuit in rehearsal.controller.state.rules.circuits:
        measured_w = rehearsal.controller.state.circuits[circuit.name].measured_w
        assert measured_w.keys() == circuit.declared_w.keys()
        assert all(abs(measured_w[c] - w) < 1.0 for c, w in circuit.declared_w.items())
