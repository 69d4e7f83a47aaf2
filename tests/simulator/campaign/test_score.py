from dataclasses import replace

import pytest

from simulator.campaign.page import Courses, courses_of, page_of
from simulator.campaign.score import RULES, score_of, score_text
from tests.simulator.campaign.test_outcome import loss, outcome

SOUND = outcome(fault="", onset="", found=(), found_after_s=None, false_findings=("probe-stale.house",))
LOST = outcome(
    fault="H01",
    ours=loss(40.0, trees=("yuzu",), damage_k_h=3.0, kwh=8.0),
    avoidable=("yuzu",),
    found=(),
    found_after_s=None,
)
TOLD = outcome(
    fault="H02", ours=loss(10.0, trees=("lemon",)), avoidable=("lemon",), found_after_s=60.0, warned_s=3600.0
)
UNHEATED = outcome(fault="S24", ours=loss(20.0, trees=("yuzu",)), avoidable=("yuzu",), by_control=("yuzu",))
RUNS = [SOUND, outcome(), LOST, UNHEATED]


def test_losses_are_told_by_whose_fault_they_are():
    score = score_of(RUNS)
    assert score.lost_by_control == ("clear-calm/1/dusk/S24",)
    assert score.lost_to_the_fault == ("clear-calm/1/dusk/H01",)
    assert score.lost_and_not_found == ("clear-calm/1/dusk/H01",)
    assert score.warned_in_time == ()
    assert score.thermostat_lost == 4
    assert score.false_findings == ("clear-calm: probe-stale.house",)


def test_losses_that_people_were_told_of_in_time_stand_apart():
    late = replace(TOLD, onset="deep night", warned_s=600.0)
    score = score_of([SOUND, TOLD, late, LOST])
    assert score.lost_to_the_fault == (TOLD.key, late.key, LOST.key)
    assert score.warned_in_time == (TOLD.key,)
    assert "or earlier: 1; later or not at all: 2" in score_text(score)


def test_a_mean_night_is_the_mean_of_all_runs():
    rows = {(row.rule, row.with_what): row for row in score_of(RUNS).rows}
    ours = rows["Rimeward", "with the faults"]
    assert ours.money == (0.0 + 0.0 + 40.0 + 20.0) / 4
    assert ours.kwh == 9.5
    assert ours.cents_per_fruit == 0.6
    assert (ours.nights_with_loss, ours.nights) == (2, 4)
    assert rows["Rimeward", "nothing broken"].money == 0.0
    assert len(rows) == len(RULES) + 2


def test_the_text_says_what_was_lost_and_found():
    text = score_text(score_of(RUNS))
    assert "clear-calm/1/dusk/S24" in text
    assert "would have kept it: 1 runs" in text
    assert "found after 2 min in the middle" in text
    assert "1 runs with a severe fault in which nothing new was found, of them 1 with a loss" in text


COURSES = Courses(
    tree="yuzu",
    what="it sticks",
    ours="46,20 700,20",
    thermostat="46,20 700,200",
    outside="46,30 700,250",
    onset_x=300.0,
    damage_y=150.0,
    damage_c=-2.2,
    ours_lost=False,
    thermostat_lost=True,
    hours=((46.0, "16"), (700.0, "08")),
    degrees=((20.0, 4), (250.0, -8)),
)


@pytest.mark.long
def test_the_picture_of_one_night_shows_a_fruit_kept_and_the_same_lost():
    drawn = courses_of()
    assert (drawn.ours_lost, drawn.thermostat_lost) == (False, True)
    assert len(drawn.ours.split()) == len(drawn.thermostat.split()) == 16 * 12


def test_the_page_stands_alone_and_shows_every_run():
    page = page_of(score_of(RUNS), RUNS, COURSES)
    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org", "")
    for fault in ("S01", "H01", "S24"):
        assert f"<td>{fault}</td>" in page
    assert (
        page.count('<i class="control">') >= 1 + 3 + 1
    )  # ours once, the thermostat's thrice, the key's once
    assert 'class="fault"' in page
    assert "licensed electrician" in page
