"""A probe's error from its readings in melting ice: found, or refused with what to do."""

import math

import numpy as np
import pytest

from controller.errors import ProbeError
from controller.site.ice_bath import LARGEST_ERROR_K, STEADY_S, calibrate
from controller.site.model import Probe
from simulator.probes import SimProbe


@pytest.mark.parametrize("offset_k", [-0.5, -0.2, 0.0, 0.31, 0.5])
@pytest.mark.parametrize("seed", range(5))
def test_a_simulated_probe_s_error_is_found_to_a_few_hundredths(offset_k, seed):
    probe = SimProbe(f"p{seed}", seed, offset_k=offset_k)
    for _ in range(40):  # from a warm room into the bath
        probe.follow(20.0 if not _ else 0.0, 60.0)
    readings_c = []
    for _ in range(11):
        probe.follow(0.0, 60.0)
        readings_c.append(probe.reading_c())
    assert calibrate(readings_c).offset_k == pytest.approx(-offset_k, abs=0.06)


@pytest.mark.parametrize("lag_s", [60.0, 120.0, 300.0, 600.0])
def test_what_counts_as_steady_is_within_a_tenth_of_a_kelvin_of_the_bath(lag_s):
    """A body that cools into the bath goes as exp(-t / lag): Newton's law of cooling."""
    for start_s in np.arange(0.0, 9000.0, 30.0):
        at_s = start_s + np.linspace(0.0, STEADY_S, 11)
        try:
            found = calibrate((0.3 + 20.0 * np.exp(-at_s / lag_s)).tolist())
        except ProbeError:
            continue
        assert found.offset_k == pytest.approx(-0.3, abs=0.11)
        break
    else:
        pytest.fail("it never became steady")


@pytest.mark.parametrize(
    ("readings_c", "says"),
    [
        ([0.1] * 4, "at least 5"),
        ([0.0] * 10, "a dead probe says too"),
        ([1.1] * 10, "expected within 1 K"),
        ([-127.0] * 10, "expected within 1 K"),
        ([85.0] * 10, "expected within 1 K"),
        ([math.nan] * 10, "expected within 1 K"),
        ([0.0, 0.4, 0.0, 0.4, 0.0, 0.4], "not steady"),
        ([0.25, 0.25, 0.1875, 0.1875, 0.125, 0.0625, 0.0], "not steady"),
    ],
)
def test_what_is_no_bath_is_refused(readings_c, says):
    with pytest.raises(ProbeError, match=says):
        calibrate(readings_c)


def test_the_largest_correction_is_what_a_site_file_takes():
    field = Probe.model_fields["offset_k"]
    assert {bound.le for bound in field.metadata if hasattr(bound, "le")} == {LARGEST_ERROR_K}


def test_a_true_probe_gets_no_minus_zero():
    assert str(calibrate([0.0, 0.0, 0.0625, 0.0, 0.0, -0.0625]).offset_k) == "0.0"
