"""What a probe's word is worth: one reason for each way it can be worth nothing."""

import math
from datetime import timedelta

import pytest

from controller.guard.decision import Reason
from controller.guard.evidence import (
    FIRST_WORDS,
    FROZEN_AFTER_S,
    Evidence,
    beside,
    coldest,
    far_off,
    judge,
)
from controller.guard.reading import remember
from controller.guard.witness import Word
from tests.conftest import DUSK, at

PERIOD_S = 60.0


def memory(temp_c, heard_s=0.0, stamp=None, others_c=None):
    """Return the memory of a probe that has said the same often enough to count."""
    kept = None
    for _ in range(FIRST_WORDS):
        kept = remember(kept, temp_c, None, others_c or {}, at(heard_s), raw_c=temp_c)
    return remember(kept, temp_c, stamp, others_c or {}, at(heard_s), raw_c=temp_c)


def test_a_sound_reading_counts():
    assert judge("p", memory(1.5), PERIOD_S, {}, at(30)) == Evidence(probe="p", temp_c=1.5)


@pytest.mark.parametrize(
    ("temp_c", "fault"),
    [
        (math.nan, Reason.PROBE_NOT_A_NUMBER),
        (math.inf, Reason.PROBE_NOT_A_NUMBER),
        (-math.inf, Reason.PROBE_NOT_A_NUMBER),
        (85.0, Reason.PROBE_POWER_ON),  # DS18B20 data sheet
        (127.94, Reason.PROBE_GONE),
        (127.9375, Reason.PROBE_GONE),
        (-127.0, Reason.PROBE_GONE),
        (85.0625, Reason.PROBE_OUT_OF_RANGE),
        (60.0625, Reason.PROBE_OUT_OF_RANGE),
        (-40.0625, Reason.PROBE_OUT_OF_RANGE),
        (60.0, None),
        (-40.0, None),
    ],
)
def test_a_number_no_probe_here_can_see_is_a_fault(temp_c, fault):
    assert judge("p", memory(temp_c), PERIOD_S, {}, at(30)).fault is fault


def test_a_probe_never_heard_is_missing():
    assert judge("p", None, PERIOD_S, {}, at(30)).fault is Reason.PROBE_MISSING


@pytest.mark.parametrize(("age_s", "fault"), [(120.0, None), (120.1, Reason.PROBE_STALE)])
def test_after_two_periods_it_is_stale(age_s, fault):
    assert judge("p", memory(5.0), PERIOD_S, {}, at(age_s)).fault is fault


def test_a_reading_that_was_long_under_way_is_stale_by_its_own_stamp():
    late = memory(5.0, heard_s=1200.0, stamp=DUSK)
    judged = judge("p", late, PERIOD_S, {}, at(1200.0))
    assert judged.fault is Reason.PROBE_STALE
    assert judged.age_s == 1200.0


def test_a_reading_from_the_future_is_no_evidence():
    ahead = memory(5.0, stamp=DUSK + timedelta(seconds=61))
    judged = judge("p", ahead, PERIOD_S, {}, at(0))
    assert judged.fault is Reason.PROBE_FUTURE
    assert judged.ahead_s == 61.0


@pytest.mark.parametrize("seconds", [-60, 60])
def test_a_minute_of_clock_difference_is_nothing(seconds):
    stamped = memory(5.0, stamp=DUSK + timedelta(seconds=seconds))
    assert judge("p", stamped, PERIOD_S, {}, at(0)).fault is None


def test_without_a_trusted_clock_stamps_say_nothing():
    odd = memory(5.0, stamp=DUSK - timedelta(days=20000))
    assert judge("p", odd, PERIOD_S, {}, at(0, clock_trusted=False)).fault is None


def said_the_same(temp_c, others_c, since_s, until_s):
    kept = memory(temp_c, since_s, None, others_c)
    return remember(kept, temp_c, None, {"other": 99.0}, at(until_s))


def test_a_value_that_stands_still_while_another_moves_is_frozen():
    stuck = said_the_same(4.0, {"other": 6.0, "p": 4.0}, 0.0, FROZEN_AFTER_S)
    judged = judge("p", stuck, PERIOD_S, {"other": 5.0, "p": 4.0}, at(FROZEN_AFTER_S))
    assert judged.fault is Reason.PROBE_FROZEN
    assert judged.age_s == FROZEN_AFTER_S


@pytest.mark.parametrize(
    ("now_s", "latest_c"),
    [
        (FROZEN_AFTER_S - 1, {"other": 5.0}),  # not long enough
        (FROZEN_AFTER_S, {"other": 5.1}),  # the other moved less than 1 K
        (FROZEN_AFTER_S, {}),  # the other is gone
        (FROZEN_AFTER_S, {"other": math.nan}),  # the other says nothing
    ],
)
def test_still_air_is_not_frozen(now_s, latest_c):
    still = said_the_same(4.0, {"other": 6.0}, 0.0, now_s)
    assert judge("p", still, PERIOD_S, latest_c, at(now_s)).fault is None


def test_a_changed_value_begins_anew():
    kept = remember(None, 4.0, None, {}, at(0))
    kept = remember(kept, 4.0625, None, {"other": 1.0}, at(100))
    assert (kept.same_since_s, kept.others_c) == (100.0, {"other": 1.0})


def test_of_several_probes_the_coldest_sound_one_decides():
    warm, cold = Evidence(probe="a", temp_c=3.0), Evidence(probe="b", temp_c=-1.0)
    broken = Evidence(probe="c", temp_c=-5.0, fault=Reason.PROBE_FROZEN)
    assert coldest([broken, warm, cold]) is cold
    assert coldest([broken]) is broken


# ---- beside the model ---------------------------------------------------------------------------------

SOUND = Evidence(probe="p", temp_c=4.0)
UNSOUND = Evidence(probe="p", temp_c=4.0, fault=Reason.PROBE_STALE)


def test_a_probe_far_off_does_not_count_and_an_unsound_one_keeps_its_own_fault():
    assert far_off(SOUND).fault is Reason.PROBE_FAR_OFF
    assert far_off(UNSOUND) is UNSOUND


@pytest.mark.parametrize(
    ("mean_c", "trusted", "speaks_against", "doubt"),
    [
        (4.0, True, "", None),
        (2.9, True, "", Reason.WITNESS_COLDER),  # more than two spreads of 0.5 K below
        (2.9, False, "", None),
        (4.0, True, "suspect", None),  # the model is sure that the tree is warm
        (0.9, True, "suspect", Reason.WITNESS_COLDER),
        (4.0, False, "suspect", Reason.PROBE_SUSPECT),
        (4.0, True, "stands", None),
        (0.9, True, "stands", Reason.WITNESS_COLDER),
        (4.0, False, "stands", Reason.DOUBT_STANDS),
        (3.0, True, "stands", Reason.DOUBT_STANDS),  # two spreads above the limit, and not more
    ],
)
def test_doubt_is_cast_by_the_model_s_word_and_by_what_was_before(mean_c, trusted, speaks_against, doubt):
    word = Word(mean_c=mean_c, spread_k=0.5, trusted=trusted)
    limit_c, before = 2.0, {speaks_against: True} if speaks_against else {}
    assert beside(SOUND, word, limit_c, **before).doubt is doubt
    assert beside(UNSOUND, word, limit_c, **before) is UNSOUND


def test_where_the_model_is_sure_that_the_tree_is_warm_there_is_no_doubt():
    assert beside(SOUND, Word(mean_c=2.5, spread_k=0.5, trusted=True), 1.0).doubt is None
