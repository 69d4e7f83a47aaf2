"""What is remembered of a probe: leaps wait to be confirmed, noise shows, late words are forgotten."""

import math
from datetime import timedelta

import numpy as np
import pytest

from controller.guard.decision import Reason
from controller.guard.evidence import FIRST_WORDS, ROUGH_K2, judge
from controller.guard.reading import LATE_S, LEAP_K, reborn, remember
from tests.conftest import DUSK, at

PERIOD_S = 60.0


def heard(words_c, period_s=PERIOD_S, *, memory=None, start_s=0.0):
    """Return a probe's memory after words at equal times, and when the last was said."""
    for number, temp_c in enumerate(words_c):
        memory = remember(memory, temp_c, None, {}, at(start_s + number * period_s), raw_c=temp_c)
    return memory, start_s + (len(words_c) - 1) * period_s


def fault(words_c, *, later_s=0.0, **more):
    memory, last_s = heard(words_c, **more)
    return judge("p", memory, PERIOD_S, {}, at(last_s + later_s)).fault


# ---- first words --------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_first_two_words_do_not_count(count):
    assert fault([5.0] * count) is (Reason.PROBE_NEW if count <= FIRST_WORDS else None)


def test_nor_do_those_after_a_word_of_no_number_or_of_an_impossible_one():
    for odd_c in (math.nan, 85.0, -127.0):
        assert fault([5.0, 5.0, 5.0, odd_c, 5.0, 5.0]) is Reason.PROBE_NEW
        assert fault([5.0, 5.0, 5.0, odd_c, 5.0, 5.0, 5.0]) is None


def test_a_probe_that_has_said_nothing_but_zero_is_dead_until_it_says_something_else():
    assert fault([0.0] * 9) is Reason.PROBE_ZEROS
    assert fault([0.0] * 9 + [0.0625]) is None
    assert fault([0.0625] + [0.0] * 9) is None, "wet and freezing, a sound probe may stand at zero"


def test_after_its_board_s_restart_a_probe_is_new_again():
    memory, _ = heard([5.0] * 5)
    memory, last_s = heard([0.0] * 3, memory=reborn(memory), start_s=300.0)
    assert judge("p", memory, PERIOD_S, {}, at(last_s)).fault is Reason.PROBE_ZEROS
    memory, last_s = heard([5.0], memory=reborn(heard([5.0] * 5)[0]), start_s=300.0)
    assert judge("p", memory, PERIOD_S, {}, at(last_s)).fault is Reason.PROBE_NEW


# ---- leaps --------------------------------------------------------------------------------------------


def test_one_warm_spike_changes_nothing():
    memory, _ = heard([-1.0, -1.0, -1.0, 9.0])
    assert (memory.temp_c, memory.said_c) == (-1.0, 9.0)
    memory, _ = heard([-1.0, -1.0, -1.0, 9.0, -1.0])
    assert memory.temp_c == -1.0
    assert fault([-1.0, -1.0, -1.0, 9.0]) is None


def test_a_leap_that_the_next_word_confirms_counts():
    assert heard([-1.0, -1.0, -1.0, 9.0, 9.0 - LEAP_K])[0].temp_c == 9.0 - LEAP_K
    assert heard([-1.0, -1.0, -1.0, 9.0, 9.1 + LEAP_K])[0].temp_c == -1.0


def test_a_colder_word_counts_at_once():
    assert heard([9.0, 9.0, 9.0, -1.0])[0].temp_c == -1.0


def test_air_that_warms_as_lamps_warm_it_is_no_leap():
    words_c = np.arange(0.0, 30.0, 2.0).tolist()  # 2 K/min, three times the fastest of the rehearsed nights
    assert heard(words_c)[0].temp_c == words_c[-1]
    assert heard([0.0, 4.0], period_s=120.0)[0].temp_c == 4.0
    assert heard([0.0, 4.1], period_s=120.0)[0].temp_c == 0.0


def test_leaps_that_never_agree_are_a_fault_after_two_periods():
    words_c = [-1.0] * 3 + [9.0, 14.0, 20.0]
    assert fault(words_c[:5]) is None
    assert fault(words_c) is Reason.PROBE_LEAPS
    assert fault(words_c[:4], later_s=121.0) is Reason.PROBE_STALE, "silent after a leap is silent"


# ---- noise --------------------------------------------------------------------------------------------


def test_random_numbers_are_noise_within_a_quarter_of_an_hour():
    rng = np.random.default_rng(1)
    for _ in range(200):
        words_c = (4.0 + rng.normal(0.0, 5.0, 15)).tolist()
        memory, _ = heard([4.0] * 5 + words_c)
        assert not memory.rough_k2 <= ROUGH_K2


def test_sound_probes_are_far_from_noise():
    """A probe's own error is under 0.1 K (DS18B20 data sheet: steps of 1/16 K), its air bends little."""
    rng = np.random.default_rng(2)
    minutes = np.arange(600.0)
    cycles = 2.0 * np.abs((minutes % 12.0) - 6.0) / 6.0  # up and down by 2 K in 12 min, with corners
    words_c = (np.round((1.0 + cycles + rng.normal(0.0, 0.1, 600)) * 16) / 16).tolist()
    memory, worst_k2 = None, 0.0
    for number, temp_c in enumerate(words_c):
        memory = remember(memory, temp_c, None, {}, at(60.0 * number))
        worst_k2 = max(worst_k2, memory.rough_k2)
    assert worst_k2 < 0.4 * ROUGH_K2


def test_one_spike_is_not_yet_noise_and_two_soon_after_one_another_are():
    assert fault([4.0] * 5 + [14.0] + [4.0] * 2) is None
    assert fault([4.0] * 5 + [14.0, 4.0, 4.0, 14.0, 4.0, 4.0]) is Reason.PROBE_NOISY
    assert fault([4.0] * 5 + [14.0, 4.0, 4.0, 14.0, 4.0, 4.0] + [4.0] * 20) is None


def test_words_far_apart_in_time_say_nothing_of_noise():
    memory, _ = heard([4.0, 7.0] * 20, period_s=240.0)
    assert memory.rough_k2 == 0.0


def test_a_word_of_no_number_leaves_the_noise_as_it_was():
    memory, _ = heard([4.0, 4.5, 4.0, 4.5])
    assert remember(memory, math.nan, None, {}, at(240.0)).rough_k2 == memory.rough_k2


# ---- order --------------------------------------------------------------------------------------------


def stamped(memory, temp_c, after_s, now_s):
    return remember(memory, temp_c, DUSK + timedelta(seconds=after_s), {}, at(now_s))


def test_a_window_of_shuffled_words_leaves_the_newest():
    rng = np.random.default_rng(3)
    for _ in range(50):
        order = rng.permutation(5)
        memory = stamped(None, 0.0, -10.0, 0.0)
        for place, number in enumerate(order.tolist()):
            memory = stamped(memory, 0.1 * number, 60.0 * number, float(place))
        assert memory.temp_c == 0.4


def test_a_double_word_does_not_renew_the_first():
    memory = stamped(None, 5.0, 0.0, 0.0)
    assert stamped(memory, 5.0, 0.0, 100.0) is memory


@pytest.mark.parametrize(("back_s", "counts"), [(LATE_S - 1.0, False), (LATE_S, True), (1e9, True)])
def test_a_clock_set_back_is_not_lateness(back_s, counts):
    memory = stamped(None, 5.0, 0.0, 0.0)
    assert (stamped(memory, 4.0, -back_s, 60.0).temp_c == 4.0) is counts


def test_without_a_stamp_every_word_is_new():
    memory = remember(stamped(None, 5.0, 0.0, 0.0), 4.0, None, {}, at(60.0))
    assert memory.temp_c == 4.0
    assert stamped(memory, 3.0, -30.0, 90.0).temp_c == 3.0


# ---- another unit -------------------------------------------------------------------------------------


@pytest.mark.parametrize("true_c", [-3.0, 0.0, 2.0, 8.0])
def test_a_probe_that_turns_to_fahrenheit_is_found_at_its_first_word(true_c):
    told_c = [true_c] * 4 + [1.8 * true_c + 32.0] * 5
    for count in range(5, len(told_c) + 1):
        assert fault(told_c[:count]) is Reason.PROBE_FAR_OFF
    assert fault([*told_c, true_c]) is None, "and counts again when it turns back"


def test_fire_is_believed_at_its_second_word_however_fast_it_warms():
    assert heard([1.0, 1.0, 1.0, 40.0])[0].temp_c == 1.0
    assert heard([1.0, 1.0, 1.0, 40.0, 45.0])[0].temp_c == 45.0
    assert heard([1.0, 1.0, 1.0, 40.0, 55.0])[0].temp_c == 55.0
    assert fault([1.0, 1.0, 1.0, 33.8 + 3.0, 45.0, 45.0, 45.0]) is None
