"""A probe beside a lamp falls faster than air when its string goes off."""

import pytest

from controller.guard.cooling import AFTER_S, APART_S, LAMP_K, Cooling, follow
from tests.conftest import at


def cycle(cooling, fall_k, start_s, *, off_for_s=300.0):
    """Let a string heat for five minutes and rest, looked at every half minute."""
    for k in range(10):
        cooling = follow(cooling, 1.0 + 0.1 * k, at(start_s + 30.0 * k), lit=True)
    for k in range(10, 10 + int(off_for_s / 30.0)):
        cooling = follow(cooling, 1.9 - fall_k, at(start_s + 30.0 * k), lit=False)
    return cooling


def cycles(falls_k, **more):
    cooling = Cooling()
    for number, fall_k in enumerate(falls_k):
        cooling = cycle(cooling, fall_k, 600.0 * number, **more)
    return cooling


@pytest.mark.parametrize(
    ("falls_k", "steep"),
    [
        ([0.9] * 9, 0),  # the fastest of the rehearsed nights
        ([LAMP_K + 0.1], 1),
        ([3.0, 3.0], 2),
        ([3.0] * 9, 3),
        ([3.0, 3.0, 0.5], 1),
        ([3.0] * 9 + [0.5] * 3, 0),
    ],
)
def test_steep_falls_are_counted_and_slow_ones_take_them_back(falls_k, steep):
    assert cycles(falls_k).steep == steep


def test_a_rest_too_short_to_measure_says_nothing():
    assert cycles([3.0, 3.0], off_for_s=AFTER_S).steep == 0


def test_looks_too_far_apart_and_readings_of_no_number_say_nothing():
    def fall(apart_s, temp_c=1.0):
        cooling = follow(Cooling(), 4.0, at(0.0), lit=True)
        for k in range(1, 6):
            cooling = follow(cooling, temp_c, at(apart_s * k), lit=False)
        return cooling.steep

    assert fall(45.0) == 1
    assert fall(APART_S) == 1
    assert fall(APART_S + 1.0) == 0
    assert fall(120.0) == 0
    assert fall(45.0, float("nan")) == 0


def test_a_string_never_seen_on_has_nothing_to_fall_from():
    cooling = Cooling()
    for k in range(20):
        cooling = follow(cooling, -float(k), at(30.0 * k), lit=False)
    assert cooling.steep == 0
