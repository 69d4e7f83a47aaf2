import math

import numpy as np
import pytest

from simulator.probes import LARGEST_OFFSET_K, NOISE_K, SimProbe, generator


def settled(probe, temp_c, readings=2000):
    probe.follow(temp_c, 60.0)
    return np.array([probe.reading_c() for _ in range(readings)])


def test_readings_are_sixteenths_of_a_degree():
    # DS18B20 data sheet: 12 bits are 1/16 °C
    readings = settled(SimProbe("a", 1), 1.234)
    assert np.all(readings * 16 == np.rint(readings * 16))


def test_readings_scatter_about_truth_and_offset():
    readings = settled(SimProbe("a", 1, offset_k=0.3), 1.234)
    assert readings.mean() == pytest.approx(1.534, abs=0.01)
    # noise and rounding to a sixteenth together
    assert readings.std() == pytest.approx(math.hypot(NOISE_K, 1 / 16 / 12**0.5), rel=0.15)


def test_offsets_stay_within_the_data_sheet_and_differ():
    # DS18B20 data sheet: ±0.5 °C from -10 to +85 °C
    offsets = np.array([SimProbe(f"p{k}", 1).offset_k for k in range(400)])
    assert np.abs(offsets).max() <= LARGEST_OFFSET_K
    assert offsets.std() == pytest.approx(0.2, rel=0.15)
    assert abs(offsets.mean()) < 0.04


def test_it_lags_by_its_time_constant():
    probe = SimProbe("a", 1, lag_s=120.0, offset_k=0.0)
    probe.follow(10.0, 60.0)
    for _ in range(12):
        probe.follow(0.0, 10.0)
    readings = [probe.reading_c() for _ in range(500)]
    assert np.mean(readings) == pytest.approx(10.0 / math.e, abs=0.02)


def test_its_lag_does_not_depend_on_the_step():
    coarse, fine = SimProbe("a", 1, offset_k=0.0), SimProbe("a", 1, offset_k=0.0)
    for probe, steps, dt_s in ((coarse, 2, 60.0), (fine, 24, 5.0)):
        probe.follow(10.0, 1.0)
        for _ in range(steps):
            probe.follow(0.0, dt_s)
    assert coarse._felt_c == pytest.approx(fine._felt_c)


def test_before_it_felt_anything_it_says_no_number():
    assert math.isnan(SimProbe("a", 1).reading_c())


def test_it_says_nothing_beyond_its_range():
    # DS18B20 data sheet: -55 to +125 °C
    assert settled(SimProbe("a", 1), 400.0, 1)[0] == 125.0
    assert settled(SimProbe("a", 1), -90.0, 1)[0] == -55.0


def test_chance_goes_by_seed_and_name():
    a, again, other, renamed = (
        settled(SimProbe(name, seed), 1.0, 50) for name, seed in (("a", 1), ("a", 1), ("a", 2), ("b", 1))
    )
    assert np.array_equal(a, again)
    assert not np.array_equal(a, other)
    assert not np.array_equal(a, renamed)
    assert generator(1, "a").random() != generator(1, "b").random()
