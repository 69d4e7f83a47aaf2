"""A string that is on warms its tree, and a tree that is heated does not cool: or people are told."""

import math
from dataclasses import replace

import pytest

from controller.guard.confirm import Confirmation
from controller.guard.decision import Decision, Reason
from controller.guard.events import Confirmed, ProbeHeard, Tick
from controller.guard.finding import FindingCode, Sure
from controller.guard.warming import APART_S, FALL_K, FALL_S, Warming, follow, of_warming
from controller.site.work import Work
from tests.conftest import DUSK, at, rest

HOUSE_C = -4.0
STEADY = [1.9, 1.9, 1.9, 1.9]
FELL_C = 1.9 - FALL_K - 0.01
WARM = Decision(
    kind="tree", name="lemon", at=DUSK, active=True, reason=Reason.NOT_YET_WARM, temp_c=1.0, probe="air-lemon"
)


def heat(drive, tree_c, minutes, *, on=("4",), rise_k_per_min=0.0):
    """Let the lemon stand at ``tree_c`` while its boards say that its channel is on."""
    for n in range(int(minutes * 6)):
        drive.mono_s += 10.0
        drive.temps_c["air-lemon"] = tree_c + rise_k_per_min * n / 6.0
        for probe, temp_c in drive.temps_c.items():
            seen_c = temp_c + 0.0625 * (n % 2) * (probe != "air-lemon")  # no other stands still
            drive.tell(ProbeHeard(probe=probe, temp_c=seen_c, at=drive.now.utc))
        for board in ("east", "west"):
            drive.echo(board, on=on)
        drive.tell(Tick())


def test_heat_without_effect_is_told_after_half_an_hour_and_not_before(drive):
    rest(drive)
    heat(drive, 0.5, 30.0)
    assert drive.state.found == ()
    heat(drive, 0.5, 1.0)
    (dead,) = drive.state.found
    assert (dead.code, dead.target, dead.severity) == (FindingCode.HEAT_WITHOUT_EFFECT, "lemon", 4)
    assert dead.sure is Sure.LIKELY
    assert dead.because == "lemon has been heated for 30 min and is at 0.5 °C, from 0.5 °C"
    heat(drive, 0.5, 3.0, rise_k_per_min=0.2)
    assert drive.state.found == ()


def test_a_string_that_warms_its_tree_is_not_suspected_on_the_longest_night(drive):
    rest(drive)
    heat(drive, 0.3, 3.0, rise_k_per_min=0.2)
    heat(drive, 0.4, 90.0)
    assert drive.state.found == ()


def test_heat_that_was_on_before_the_controller_started_is_not_suspected(drive):
    heat(drive, 0.5, 45.0)
    assert drive.state.found == ()


def test_a_string_that_goes_off_in_between_is_timed_anew(drive):
    rest(drive)
    heat(drive, 0.5, 20.0)
    drive.temps_c["air-lemon"] = 3.0
    rest(drive)
    heat(drive, 0.5, 20.0)
    assert drive.state.found == ()


def test_heat_in_mild_air_may_rest_by_its_frost_stat_and_is_timed_from_when_that_is_closed(drive):
    rest(drive)
    heat(drive, 2.1, 45.0)
    assert drive.state.found == ()
    heat(drive, 1.9, 29.0)
    assert drive.state.found == ()
    heat(drive, 1.9, 1.5)
    (dead,) = drive.state.found
    assert dead.because == "lemon has been heated for 30 min and is at 1.9 °C, from 2.1 °C"


def test_a_string_that_proved_itself_in_mild_air_is_not_suspected_when_the_night_grows_colder(drive):
    rest(drive)
    heat(drive, 2.1, 3.0, rise_k_per_min=0.2)
    heat(drive, 1.9, 60.0)
    assert drive.state.found == ()


def test_heat_on_when_a_board_is_heard_again_need_not_be_newly_on(drive):
    rest(drive)
    heat(drive, 0.5, 5.0)
    drive.boards_answer = False
    for _ in range(12):
        drive.step(10.0)
    heat(drive, 0.5, 45.0)
    assert FindingCode.HEAT_WITHOUT_EFFECT not in {each.code for each in drive.state.found}


def test_bad_words_are_nothing_to_rise_from_or_to():
    def risen(*words):
        warming = Warming()
        for number, (temp_c, reason) in enumerate(words):
            decision = replace(WARM, temp_c=temp_c, reason=reason)
            warming = follow(warming, decision, HOUSE_C, at(30.0 * number), lit=True, dark=True)
        return warming

    sound, power_on, missing = Reason.COLD, Reason.PROBE_POWER_ON, Reason.PROBE_MISSING
    assert not risen((0.2, sound), (85.0, power_on), (0.2, sound)).is_proof
    assert risen((85.0, power_on), (0.2, sound)).began_c == 0.2
    late = risen((math.nan, missing), (math.nan, missing), (0.2, sound), (0.6, sound))
    assert (late.since_s, late.began_c, late.is_proof) == (60.0, 0.2, True)
    nobody_looked = follow(
        None, replace(WARM, temp_c=math.nan, reason=missing), HOUSE_C, at(0.0), lit=True, dark=True
    )
    assert nobody_looked == Warming(is_lit=True)


def seen(
    temps_c,
    *,
    house_c=HOUSE_C,
    every_s=30.0,
    warming=None,
    start_s=0.0,
    lit=True,
    dark=True,
    **more,
):
    """Return how a tree takes its heat after looks at these readings."""
    houses_c = house_c if isinstance(house_c, list) else [house_c] * len(temps_c)
    for number, (temp_c, beside_c) in enumerate(zip(temps_c, houses_c, strict=True)):
        warming = follow(
            warming,
            replace(WARM, temp_c=temp_c, **more),
            beside_c,
            at(start_s + every_s * number),
            lit=lit,
            dark=dark,
        )
    return warming


def test_a_tree_that_cools_while_it_is_heated_has_fallen_until_it_comes_back():
    fallen = seen([*STEADY, 1.8, 1.6, FELL_C])
    assert seen([*STEADY, 1.8, FELL_C + 0.02]).fell is None
    assert (fallen.fell.from_c, fallen.fell.to_c, fallen.fell.within_s) == (1.9, FELL_C, 90.0)
    later = seen([1.2] * 60, warming=fallen, start_s=210.0)
    assert later.fell == fallen.fell, "half of its heat still warms it: it stays where it fell to"
    halfway_c = 1.9 - 0.5 * FALL_K
    assert seen([halfway_c - 0.01], warming=later, start_s=2010.0).fell is not None
    assert seen([halfway_c + 0.01], warming=later, start_s=2010.0).fell is None
    assert seen([1.2], warming=later, start_s=2010.0, lit=False) == Warming()


@pytest.mark.parametrize(
    ("what", "looks"),
    [
        ("the night grows colder over an hour", {"temps_c": [1.9 - 0.01 * n for n in range(120)]}),
        (
            "a cold front cools the house as well",
            {"temps_c": [*STEADY, 1.6, 1.3, 1.0], "house_c": [-4.0] * 4 + [-4.3, -4.6, -4.9]},
        ),
        ("a vent is shut, and the house warms", {"temps_c": [1.9] * 7, "house_c": [-4.0] * 4 + [-3.0] * 3}),
        ("nobody knows the house", {"temps_c": [*STEADY, 1.0], "house_c": math.nan}),
        ("a cloud hides the sun", {"temps_c": [*STEADY, 1.0], "dark": False}),
        ("a frost-stat opens in mild air", {"temps_c": [2.6, 2.6, 2.6, 2.6, 2.1]}),
        ("one word is too warm", {"temps_c": [0.9, 1.9, 1.9, 1.9, 0.9, 0.9, 0.9, 0.9]}),
        ("one of its strings is let off", {"temps_c": [*STEADY, 1.0], "lit": False}),
        ("one of its boards is not heard", {"temps_c": [*STEADY, 1.0], "lit": None}),
        ("looks lie too far apart to follow it", {"temps_c": [*STEADY, 1.0], "every_s": APART_S + 1.0}),
        ("the probe is out of order", {"temps_c": [*STEADY, 1.0], "reason": Reason.PROBE_NOISY}),
        ("its probe has no number", {"temps_c": [*STEADY, math.nan]}),
    ],
)
def test_what_is_no_loss_of_heat_is_no_fall(what, looks):
    assert seen(**looks).fell is None, what


def test_a_fall_is_seen_up_to_the_longest_time_apart_and_no_longer():
    def fell(after_s):
        warm = seen(STEADY)
        waits = int(after_s / 30.0)
        cooling = seen([1.7] * waits, start_s=120.0, warming=warm)
        return seen([FELL_C], start_s=120.0 + 30.0 * waits, warming=cooling).fell

    assert fell(FALL_S - 120.0) is not None
    assert fell(FALL_S - 90.0) is None, "one of the four looks at which it was so warm is too long ago"


def test_another_probe_of_the_same_tree_is_no_fall():
    warm = seen(STEADY)
    assert seen([1.2], warming=warm, start_s=120.0, probe="air-lemon-high").fell is None
    assert seen([1.2], warming=warm, start_s=120.0).fell is not None


def test_daylight_ends_what_was_seen_in_the_dark():
    fallen = seen([*STEADY, 1.0])
    assert fallen.fell is not None
    day = seen([1.0], warming=fallen, start_s=150.0, dark=False)
    assert (day.fell, day.lately, day.highest_c) == (None, (), 1.9)


def test_a_fall_is_told_with_its_numbers_but_not_of_a_probe_out_of_order():
    def told(reason):
        decision = replace(WARM, temp_c=1.2, reason=reason)
        found, _ = of_warming(
            {"lemon": seen(STEADY)},
            {"lemon": decision},
            HOUSE_C,
            at(180.0),
            lit={"lemon": True},
            dark=frozenset({"lemon"}),
        )
        return [(each.code, each.severity, each.because) for each in found]

    assert told(Reason.NOT_YET_WARM) == [
        (
            FindingCode.HEAT_WITHOUT_EFFECT,
            4,
            "lemon fell from 1.9 °C to 1.2 °C within 2 min while it was heated, and the house did not",
        )
    ]
    assert told(Reason.PROBE_STALE) == []


@pytest.mark.fault("H04", "H10")
def test_a_string_that_dies_while_it_heats_is_told_at_once_and_the_others_are_held_warmer(drive):
    rest(drive)
    drive.temps_c |= {"air-yuzu": 0.8, "air-satsuma-back": 1.4}
    heat(drive, 0.3, 8.0, rise_k_per_min=0.2)
    heat(drive, 1.9, 2.0)
    assert drive.state.found == ()
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH
    heat(drive, 1.3, 1.0)
    (dead,) = drive.state.found
    assert (dead.code, dead.target, dead.sure) == (FindingCode.HEAT_WITHOUT_EFFECT, "lemon", Sure.LIKELY)
    warmer = {each.name: each for each in drive.decided() if each.reason is Reason.HEAT_WITHOUT_EFFECT}
    assert set(warmer) == {"lemon", "yuzu"}
    assert warmer["yuzu"].because.endswith(
        "lemon has cooled while it was heated: whatever failed there, all are held above 1.00 °C"
    )
    assert drive.tree("yuzu").active
    assert not drive.tree("satsuma-back").active, "it is warm enough for that, too"
    heat(drive, 1.9, 2.0)
    assert "lemon" not in {each.target for each in drive.state.found}, "it came back"


def test_fleece_that_somebody_says_is_off_is_no_heat_lost(drive):
    rest(drive)
    heat(drive, 0.3, 8.0, rise_k_per_min=0.2)
    heat(drive, 1.9, 2.0)
    word = Confirmation(
        id="c1", who="Nora", what=Work.UNCOVERED, target_kind="tree", target="lemon", at=drive.now.utc
    )
    drive.tell(Confirmed(confirmation=word))
    heat(drive, 1.0, 2.0)
    assert drive.state.found == ()
