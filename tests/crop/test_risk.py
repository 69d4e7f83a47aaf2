"""Expected loss and the cost/loss rule."""

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.stats import norm

from controller.crop.dose import FRUIT_ONSET_K, dose_k_h, lost_share
from controller.crop.limits import tissue_limits
from controller.crop.risk import is_worth_it, margin_z, night_risk

JANUARY = datetime(2027, 1, 15, tzinfo=UTC)


def risk(site, lowest_c, spread_k, **changed):
    trees = tuple(tree.model_copy(update=changed) for tree in site.trees)
    limits = tuple(tissue_limits(tree, JANUARY, latitude_deg=52.2, chilled_h=400.0) for tree in trees)
    hours = np.arange(0, 145) / 12.0
    path_c = (lowest_c + 4.0 * np.abs(hours - 6.0) / 6.0)[:, None] * np.ones(len(trees))
    found = night_risk(
        trees, limits, fruit_temp_c=path_c, tree_temp_c=path_c, spread_k=spread_k, step_s=300.0
    )
    return found, path_c, trees


def test_without_spread_it_is_the_share_times_the_value(curlew_yard):
    found, path_c, trees = risk(curlew_yard, -3.0, 0.0)
    expected = lost_share(dose_k_h(path_c, -2.2 + FRUIT_ONSET_K, 300.0))[0]
    assert found.crop_share[0] == pytest.approx(expected)
    assert found.loss[0] == pytest.approx(
        expected * trees[0].crop_value + found.tree_probability[0] * trees[0].tree_value
    )
    assert found.tree_probability[0] < 0.01, "satsuma wood stands what its fruit does not"


def test_spread_agrees_with_numerical_integration(curlew_yard):
    found, path_c, _ = risk(curlew_yard, -1.0, 1.5)
    z = np.linspace(-6.0, 6.0, 2001)
    shares = lost_share(dose_k_h(path_c[:, :1] + 1.5 * z[:, None, None], -1.5, 300.0))[:, 0]
    assert found.crop_share[0] == pytest.approx(np.trapezoid(shares * norm.pdf(z), z), abs=0.005)


def test_a_mild_night_that_is_not_certain_still_puts_something_at_stake(curlew_yard):
    sure, _, _ = risk(curlew_yard, 0.5, 0.0)
    unsure, _, _ = risk(curlew_yard, 0.5, 2.0)
    assert sure.crop_share[0] == 0.0
    assert unsure.loss[0] > 0.5


def test_the_lemon_is_worse_off_than_the_satsuma_and_a_picked_tree_has_no_crop_to_lose(curlew_yard):
    found, _, trees = risk(curlew_yard, -1.5, 0.5)
    names = [tree.name for tree in trees]
    assert found.crop_share[names.index("lemon")] > found.crop_share[names.index("satsuma-door")]
    picked, _, _ = risk(curlew_yard, -3.0, 0.5, fruit_count=0)
    assert picked.crop_share[0] == 0.0


def test_what_is_not_known_is_not_safe(curlew_yard):
    found, _, _ = risk(curlew_yard, np.nan, 0.5)
    assert np.isnan(found.loss).all()
    assert is_worth_it(1.0, float(found.loss[0]), 0.0)


def test_an_action_is_worth_less_than_the_loss_it_removes():
    assert is_worth_it(0.5, 2.0, 1.0)
    assert not is_worth_it(1.0, 2.0, 1.0)


@pytest.mark.parametrize(
    ("cost", "loss", "z"),
    [
        # quantiles of the normal distribution: 0.95, 0.975 (any table)
        (5.0, 100.0, 1.645),
        (2.5, 100.0, 1.960),
        (60.0, 100.0, 0.0),  # dearer than half the loss: no margin
        (100.0, 50.0, 0.0),
        (0.0, 50.0, 3.0),
        (1e-9, 50.0, 3.0),
        (np.nan, 50.0, 3.0),
        (1.0, np.nan, 3.0),
    ],
)
def test_the_margin_follows_from_cost_and_loss(cost, loss, z):
    assert margin_z(cost, loss) == pytest.approx(z, abs=0.001)
