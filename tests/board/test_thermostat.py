import math

import pytest

from controller.board.thermostat import LONGEST_STILL_S, WARM_FOR_S, LocalThermostat


def warm(thermostat, temp_c=8.0, *, since_s=0.0, until_s=WARM_FOR_S):
    """Let the probe say about one temperature every 20 s; return when it last did."""
    mono_s = since_s
    while mono_s <= until_s:
        thermostat.hear(temp_c + 0.0625 * (mono_s // 20 % 2), mono_s)
        mono_s += 20.0
    return mono_s - 20.0


def test_without_any_reading_there_is_heat():
    assert not LocalThermostat(4.0).may_rest(1e6)


def test_five_minutes_of_sound_warm_readings_let_it_rest_and_a_cold_one_ends_that():
    thermostat = LocalThermostat(4.0)
    warm(thermostat, until_s=WARM_FOR_S - 20.0)
    assert not thermostat.may_rest(WARM_FOR_S - 20.0)
    thermostat.hear(8.0, WARM_FOR_S)
    assert thermostat.may_rest(WARM_FOR_S)
    thermostat.hear(4.0, WARM_FOR_S + 20.0)
    assert not thermostat.may_rest(WARM_FOR_S + 20.0)
    thermostat.hear(8.0, WARM_FOR_S + 40.0)
    assert not thermostat.may_rest(WARM_FOR_S + 40.0)


def test_it_comes_on_at_the_limit_and_rests_again_only_half_a_kelvin_above():
    thermostat = LocalThermostat(4.0)
    end_s = warm(thermostat, 4.2)
    assert not thermostat.may_rest(end_s)  # never 4.5 yet
    end_s = warm(thermostat, 4.6, since_s=end_s + 20.0, until_s=end_s + 400.0)
    assert thermostat.may_rest(end_s)
    end_s = warm(thermostat, 4.1, since_s=end_s + 20.0, until_s=end_s + 400.0)
    assert thermostat.may_rest(end_s)


@pytest.mark.parametrize("bad_c", [math.nan, 3.9, -127.0, -math.inf])
def test_one_bad_reading_means_heat_for_another_five_minutes(bad_c):
    thermostat = LocalThermostat(4.0)
    end_s = warm(thermostat)
    thermostat.hear(bad_c, end_s + 20.0)
    end_s = warm(thermostat, since_s=end_s + 40.0, until_s=end_s + 300.0)
    assert not thermostat.may_rest(end_s)


def test_a_silent_probe_means_heat_and_a_gap_begins_the_five_minutes_anew():
    thermostat = LocalThermostat(4.0)
    end_s = warm(thermostat)
    assert thermostat.may_rest(end_s + 90.0)
    assert not thermostat.may_rest(end_s + 90.1)
    thermostat.hear(8.0, end_s + 100.0)
    assert not thermostat.may_rest(end_s + 100.0)


def test_a_probe_that_stands_still_for_an_hour_is_not_believed():
    thermostat = LocalThermostat(4.0)
    for mono_s in range(0, int(LONGEST_STILL_S) + 40, 20):
        thermostat.hear(8.0, float(mono_s))
    assert not thermostat.may_rest(LONGEST_STILL_S + 20.0)
    thermostat.hear(8.0625, LONGEST_STILL_S + 40.0)
    assert thermostat.may_rest(LONGEST_STILL_S + 40.0)


def test_a_clock_that_gives_no_number_means_heat():
    thermostat = LocalThermostat(4.0)
    warm(thermostat)
    assert not thermostat.may_rest(math.nan)
