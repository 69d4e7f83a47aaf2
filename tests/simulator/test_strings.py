"""Lamps that burn out one by one, and the frost-stat in series."""

import numpy as np
import pytest

from simulator.probes import felt_c, generator
from simulator.strings import AGEING_EXPONENT, LIFE_H, FrostStat, Lamps, Strings

HOUR_S = 3600.0


def lamps(power_w=175.0, burnt_h=0.0, seed=1):
    return Lamps(power_w, burnt_h, generator(seed, "lamps"))


def test_new_lamps_last_a_winter_and_go_one_by_one_about_their_usual_life():
    string = lamps()
    string.burn(600 * HOUR_S, 1.0)
    assert string.whole_share == 1.0
    deaths_h = []
    for hour in range(601, 6000):
        before = string.dead
        string.burn(HOUR_S, 1.0)
        deaths_h += [hour] * (string.dead - before)
    assert string.whole_share == 0.0
    assert len(deaths_h) == 25, "175 W of lamps of 7 W"
    assert np.mean(deaths_h) == pytest.approx(LIFE_H, rel=0.1)
    assert len(set(deaths_h)) > 20


def test_five_per_cent_too_much_voltage_halve_a_lamp_s_life():
    # IES Lighting Handbook (from memory): life goes with the 12th to 13th power, so 105 % leaves about a half
    assert pytest.approx(1.9, abs=0.1) == 1.05**AGEING_EXPONENT
    usual, high = lamps(), lamps()
    usual.burn(2500 * HOUR_S, 1.0)
    high.burn(2500 * HOUR_S, 1.05)
    assert usual.dead < 10 < high.dead


def test_lamps_that_have_burnt_long_were_replaced_as_they_died():
    string = lamps(power_w=7000.0, burnt_h=20_000.0)
    assert string.whole_share == 1.0
    string.burn(100 * HOUR_S, 1.0)
    # after many lives as many die in an hour as there are lamps to a life (renewal theory)
    assert string.dead == pytest.approx(1000 * 100 / LIFE_H, rel=0.3)


def test_a_frost_stat_closes_in_frost_opens_in_mild_air_and_lags():
    stat = FrostStat(4.0)
    stat.feel(5.0, 10.0)
    assert stat.is_closed, "between its marks it stays as it was"
    stat.feel(9.0, 30.0)
    assert stat.is_closed, "its capillary is slow"
    stat.feel(9.0, 1800.0)
    assert not stat.is_closed
    stat.feel(4.5, 3600.0)
    assert not stat.is_closed
    stat.feel(3.5, 3600.0)
    assert stat.is_closed


def all_closed(site):
    closed = {}
    for tree in site.trees:
        for string in tree.strings:
            board, _, channel = string.channel.partition("/")
            closed[board] = (*closed.get(board, ()), channel)
    return closed


def test_an_open_frost_stat_takes_its_tree_s_heat_and_no_other_s(curlew_yard):
    strings = Strings(curlew_yard, 1, frost_stat_c=4.0)
    closed = all_closed(curlew_yard)
    whole_w = [tree.power_w for tree in curlew_yard.trees]
    assert strings.trees_w(closed) == whole_w
    strings.live(60.0, whole_w, [2.0, 2.0, 9.0, 2.0, 2.0])
    assert strings.trees_w(closed) == [*whole_w[:2], 0.0, *whole_w[3:]]
    drawn_w = [strings.circuit_w(circuit.name, closed) for circuit in curlew_yard.circuits]
    assert sum(drawn_w) == sum(strings.trees_w(closed))


def test_dead_lamps_draw_nothing_and_a_dead_circuit_ages_none(curlew_yard):
    strings = Strings(curlew_yard, 1)
    closed = all_closed(curlew_yard)
    whole_w = strings.trees_w(closed)
    strings.mains["b"] = False
    strings.live(LIFE_H * HOUR_S, whole_w, [0.0] * 5)
    strings.mains["b"] = True
    left_w = strings.trees_w(closed)
    by_a_w = [sum(s.power_w for s in tree.strings if s.circuit == "a") for tree in curlew_yard.trees]
    for left, whole, a in zip(left_w, whole_w, by_a_w, strict=True):
        assert whole - a < left < whole - 0.2 * a


def test_without_boards_nothing_hangs_anywhere(curlew_yard):
    assert Strings(curlew_yard, 1, is_wired=False).trees_w({}) == [0.0] * 5


def test_a_bare_probe_is_too_warm_in_the_sun_and_too_cold_under_a_clear_sky():
    # WMO-No. 8, part I, chapter 2 (from memory): a common screen leaves up to 2.5 K and 0.5 K of it
    assert felt_c(5.0, 5.0, 600.0, 0.6) == pytest.approx(5.0 + 2.5, abs=1.0)
    assert felt_c(0.0, -10.0, 0.0, 0.2) == pytest.approx(-0.5, abs=0.1)
    assert felt_c(5.0, -10.0, 600.0, 0.0) == 5.0
