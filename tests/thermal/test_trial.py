"""Trials on nights not seen, and how innovations hang together."""

import dataclasses

import numpy as np
import pytest
from synthetic import NOISE, house, played, weather

from controller.thermal.model import SUNNY_W_M2
from controller.thermal.trial import Scores, night_hindcast, night_starts, scores, split_of

P = house(1)
RECORD, _ = played(P, NOISE, weather(12, 1), 4)


def test_a_quarter_is_held_back_within_bounds_and_nothing_of_a_short_record():
    assert split_of(RECORD) == 9 * 288
    assert split_of(RECORD.part(0, 6 * 288)) == 4 * 288
    assert split_of(RECORD.part(0, 5 * 288)) == 5 * 288


def test_predictions_end_at_night():
    starts = night_starts(RECORD, 9 * 288)
    assert starts.min() >= 9 * 288
    assert starts.max() + 144 < RECORD.steps
    assert (RECORD.inputs.sun_w_m2[starts + 144] <= SUNNY_W_M2).all()
    assert len(night_hindcast(P, NOISE, RECORD, 9 * 288).start) == len(starts)


def test_innovations_of_the_true_model_are_white_and_of_size_one():
    found = scores(P, NOISE, RECORD, begin=288, read_every_s=0.0)
    assert found.score.shape == (11 * 288, 2)
    assert found.score.std(0) == pytest.approx([1.0, 1.0], abs=0.06)
    # of some 3000 white numbers a correlation is within 2 % of none (1/sqrt(N)) two times in three
    assert (found.largest_autocorrelation() < 0.08).all()
    wrong = dataclasses.replace(P, house_loss_w_per_k=3.0 * P.house_loss_w_per_k)
    assert scores(wrong, NOISE, RECORD, begin=288, read_every_s=0.0).largest_autocorrelation()[0] > 0.1


def test_reading_hourly_gives_one_score_an_hour_from_any_step_on():
    hourly = scores(P, NOISE, RECORD, read_every_s=3600.0)
    assert hourly.score.shape == (12 * 24, 2)
    assert np.isfinite(hourly.score).all()
    later = scores(P, NOISE, RECORD, begin=5, read_every_s=3600.0)
    assert later.score[0] == pytest.approx(hourly.score[1])


def test_correlations_worked_by_hand():
    z = np.array([[1.0, np.nan], [-1.0, np.nan], [1.0, np.nan], [-1.0, np.nan]])
    found = Scores(score=z)
    assert found.autocorrelation(1)[0] == pytest.approx(-1.0)
    assert found.autocorrelation(2)[0] == pytest.approx(1.0)
    assert np.isnan(found.autocorrelation(1)[1])
    assert found.largest_autocorrelation(2) == pytest.approx([1.0, 0.0])
