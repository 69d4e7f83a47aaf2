"""Champion and challenger: each rule shown by a challenger that breaks it alone."""

import dataclasses

import numpy as np
import pytest
from synthetic import NOISE, heater_step, house, played, weather

from controller.thermal.house_fit import fit_house
from controller.thermal.judge import _faults, judge
from controller.thermal.noise import Noise
from controller.thermal.trial import split_of

PRIOR = house(1)
TRUE = dataclasses.replace(
    PRIOR,
    house_loss_w_per_k=1.4 * PRIOR.house_loss_w_per_k,
    sky_loss_w_per_k=0.5 * PRIOR.sky_loss_w_per_k,
    fleece_loss_w_per_k=0.6 * PRIOR.fleece_loss_w_per_k,
)
QUIET = dataclasses.replace(NOISE, house_k_per_root_h=0.2, tree_k_per_root_h=0.1, offset_k=0.3)
RECORD, _ = played(TRUE, QUIET, heater_step(weather(14, 1), TRUE.string_w, 4), 2)
HANDBOOK_NOISE = Noise()
SPLIT = split_of(RECORD)
CHALLENGER = fit_house(RECORD.part(0, SPLIT), PRIOR)


def verdict(challenger=CHALLENGER, champion=PRIOR, champion_noise=HANDBOOK_NOISE, record=RECORD, split=SPLIT):
    return judge(challenger, champion, champion_noise, record, split)


def test_a_better_model_is_accepted_with_its_figures():
    found = verdict()
    assert found.accepted, found.because
    assert found.rmse_k < found.champion_rmse_k
    assert "nights not seen are foretold to" in found.because
    assert found.predictions >= 24
    assert 0.8 < found.share_in_90_pct_band <= 1.0


@pytest.mark.fault("X05")
def test_a_worse_one_is_not(met):
    found = verdict(champion=TRUE, champion_noise=QUIET)
    assert not found.accepted
    assert "worse than the model in use" in found.because
    met(
        reaction="none: the model in use stays; the verdict says why",
        alarm="none: the model in use stays; the verdict says why",
    )


def test_one_place_much_worse_is_enough():
    worse_k = {"house": -0.5, "satsuma-door": 0.2}
    assert list(_faults(verdict(), worse_k, settled=True)) == ["it foretells satsuma-door worse by 0.20 K"]
    assert not list(_faults(verdict(), {"house": -0.5, "satsuma-door": 0.05}, settled=True))


def test_one_that_did_not_settle_or_lies_far_from_the_handbook_is_not_accepted():
    assert "did not settle" in verdict(dataclasses.replace(CHALLENGER, converged=False)).because
    theta = np.array(CHALLENGER.theta)
    theta[0] = -4.0 * CHALLENGER.knobs[0].sd
    found = verdict(dataclasses.replace(CHALLENGER, theta=theta))
    assert not found.accepted
    assert "house loss lies 4.0 prior widths from the handbook" in found.because
    assert found.largest_prior_widths == pytest.approx(-4.0)


@pytest.mark.fault("X06")
def test_innovations_that_hang_together_are_told(met):
    stiff = dataclasses.replace(
        CHALLENGER,
        noise=dataclasses.replace(QUIET, house_k_per_root_h=1e-4, offset_k=1e-4, tree_k_per_root_h=1e-4),
    )
    drift = 4.0 * np.sin(np.arange(RECORD.steps) / 288.0 * 2.0 * np.pi / 3.0)
    record = dataclasses.replace(
        RECORD, house_temp_c=RECORD.house_temp_c + drift, tree_temp_c=RECORD.tree_temp_c + drift[:, None]
    )
    found = verdict(stiff, record=record)
    assert not found.accepted
    assert "hangs together from hour to hour" in found.because
    met(reaction="none: the model in use stays; the verdict says why", alarm="none: the verdict says it")


def test_too_few_readings_are_no_trial_and_none_are_not_a_number():
    blind = dataclasses.replace(
        RECORD,
        house_temp_c=np.where(np.arange(RECORD.steps) < SPLIT, RECORD.house_temp_c, np.nan),
        tree_temp_c=np.where(np.arange(RECORD.steps)[:, None] < SPLIT, RECORD.tree_temp_c, np.nan),
    )
    found = verdict(record=blind)
    assert not found.accepted
    assert "only 0 readings to judge by" in found.because
    assert np.isnan(found.rmse_k)
