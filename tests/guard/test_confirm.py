"""A person's word: taken, ended by noon, replaced by a newer one, taken back; never believed in doubt."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from controller.guard.confirm import BLIND_H, Confirmation, Known, done, standing_words, take_word
from controller.site.work import EVERYWHERE, Work
from tests.conftest import DUSK, at

# At 6.4° W the sun is highest 25.6 min after 12:00 UTC, but for the equation of time (4 min a degree).
KNOWN = Known(trees=frozenset({"lemon", "yuzu"}), vents=frozenset({"gable-fan"}), longitude_deg=-6.4)
NOON = timedelta(hours=12, minutes=25, seconds=36)


def word(what=Work.COVERED, *, kind="tree", target="lemon", said=0.0, version=0, name="w1", of=""):
    return Confirmation(
        id=name,
        who="Nora",
        what=what,
        target_kind=kind,
        target=target,
        at=DUSK + timedelta(seconds=said),
        version=version,
        of=of,
    )


def took(*words, now=0.0, before=None):
    standing = before or {}
    for each in words:
        standing, answer = take_word(each, standing, KNOWN, at(now))
        assert answer.accepted, answer.because
    return standing


def test_fleece_on_at_dusk_stands_until_noon():
    standing, answer = take_word(word(), {}, KNOWN, at(0.0))
    noon = (DUSK.replace(hour=0) + timedelta(days=1) + NOON - DUSK).total_seconds()
    assert answer.because == "'fleece on' is noted for lemon, until 2027-01-15 12:25 UTC"
    assert standing["fleece", "lemon"].ends_s == pytest.approx(noon)
    assert done(standing, at(noon - 1.0)) == {(Work.COVERED, "lemon")}
    assert done(standing, at(noon + 1.0)) == frozenset()


@pytest.mark.parametrize(
    ("hour", "stands_h"), [(2, NOON / timedelta(hours=1) - 2), (10, NOON / timedelta(hours=1) + 24 - 10)]
)
def test_a_word_stands_for_a_night_whenever_it_is_given(hour, stands_h):
    said = (DUSK.replace(hour=hour) - DUSK).total_seconds()
    standing = took(word(said=said), now=said)
    assert standing["fleece", "lemon"].ends_s - said == pytest.approx(stands_h * 3600.0)


def test_fleece_off_stands_until_it_is_on_again():
    standing = took(word(Work.UNCOVERED))
    assert standing["fleece", "lemon"].ends_s == math.inf
    standing = took(word(said=60.0, name="w2"), now=60.0, before=standing)
    assert done(standing, at(61.0)) == {(Work.COVERED, "lemon")}


def test_a_word_for_all_trees_is_one_for_each_and_for_all_vents_one_for_the_house():
    standing = took(
        word(kind="all", target="all"),
        word(Work.VENTS_SHUT, kind="all", target="all"),
        word(Work.VENTS_SHUT, kind="vent", target="gable-fan"),
        word(Work.HARVESTED),
    )
    assert done(standing, at(0.0)) == {
        (Work.COVERED, "lemon"),
        (Work.COVERED, "yuzu"),
        (Work.VENTS_SHUT, EVERYWHERE),
        (Work.VENTS_SHUT, "gable-fan"),
        (Work.HARVESTED, "lemon"),
    }
    assert set(standing_words(standing, at(2 * 86400.0))) == {("harvest", "lemon")}


@pytest.mark.parametrize(
    ("given", "why"),
    [
        (word(target="lime"), "there is no tree 'lime' that can be covered"),
        (word(kind="vent", target="gable-fan"), "there is no vent 'gable-fan' that can be covered"),
        (word(Work.VENTS_SHUT), "there is no tree 'lemon' that can be vents-shut"),
        (word(version=3), "it has version 3, but version 3 already stands"),
        (word(said=-60.0), "Nora said covered later, at 2027-01-14 17:00 UTC"),
        (word(said=600.0), "it is dated 2027-01-14 17:10 UTC, which is to come"),
        (word(target="yuzu", said=-2 * 86400.0), "too long ago to be true now"),
        (word(Work.TAKEN_BACK, of="w9"), "nothing of it stands any more"),
    ],
)
def test_a_word_in_doubt_is_not_taken(given, why):
    standing = took(word(version=3))
    after, answer = take_word(given, standing, KNOWN, at(0.0))
    assert after == standing
    assert not answer.accepted
    assert why in answer.because


@pytest.mark.parametrize("what", [Work.COVERED, Work.VENTS_SHUT, Work.HARVESTED])
def test_a_word_dated_where_the_calendar_ends_is_refused_before_its_end_is_reckoned(what):
    given = replace(word(what, kind="all", target="all"), at=datetime(9999, 12, 31, 20, 0, tzinfo=UTC))
    standing, answer = take_word(given, {}, KNOWN, at(0.0))
    assert standing == {}
    assert answer.because == "it is dated 9999-12-31 20:00 UTC, which is to come"


def test_what_is_taken_back_lets_stand_what_stood_before():
    standing = took(
        word(Work.UNCOVERED, name="w1"), word(kind="all", target="all", said=5.0, name="w2"), now=5.0
    )
    standing = took(word(Work.TAKEN_BACK, name="w3", of="w2"), now=9.0, before=standing)
    assert done(standing, at(9.0)) == {(Work.UNCOVERED, "lemon")}
    _, answer = take_word(word(Work.TAKEN_BACK, name="w4", of="w2"), standing, KNOWN, at(10.0))
    assert not answer.accepted


def test_what_a_newer_word_replaced_cannot_be_taken_back():
    standing = took(word(name="w1"), word(Work.UNCOVERED, said=5.0, name="w2"), now=5.0)
    _, answer = take_word(word(Work.TAKEN_BACK, of="w1"), standing, KNOWN, at(9.0))
    assert not answer.accepted


def test_without_a_trusted_clock_a_word_stands_for_a_while_whatever_its_date():
    standing, answer = take_word(word(said=-1e7), {}, KNOWN, at(50.0, clock_trusted=False))
    assert answer.because == "'fleece on' is noted for lemon"
    assert standing["fleece", "lemon"].ends_s == 50.0 + BLIND_H * 3600.0


def test_a_word_from_the_future_taken_before_the_clock_was_set_keeps_no_later_one_out():
    ahead = word(said=1e6, name="a phone that is days ahead")
    standing, answer = take_word(ahead, {}, KNOWN, at(0.0, clock_trusted=False))
    assert answer.accepted
    off = word(Work.UNCOVERED, said=60.0, name="w2")
    _, answer = take_word(off, standing, KNOWN, at(60.0, clock_trusted=False))
    assert answer.because == "Nora said covered later, at 2027-01-26 06:46 UTC", "nobody knows the time"
    standing, answer = take_word(off, standing, KNOWN, at(60.0))
    assert answer.accepted
    assert done(standing, at(60.0)) == {(Work.UNCOVERED, "lemon")}
