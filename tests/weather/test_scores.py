"""Scores against published numbers and against two independent packages."""

import numpy as np
import pytest
from scipy.stats import kstest, norm

from controller.weather.scores import (
    brier,
    crps_ensemble,
    crps_gaussian,
    normal_cdf,
    pit_gaussian,
    rank_in_ensemble,
    reliability,
)

RNG = np.random.default_rng(4)


@pytest.mark.parametrize(
    ("mean", "spread", "observed", "expected"),
    [
        # closed form of Gneiting et al. 2005, eq. 5, worked by hand to six places
        (0.0, 1.0, 0.0, 0.233695),
        (0.0, 1.0, 1.0, 0.602441),
        (0.0, 1.0, -2.0, 1.452792),
        (1.0, 2.0, 0.0, 0.662807),
        (3.0, 0.0, 1.0, 2.0),  # no spread: the absolute error
    ],
)
def test_crps_of_a_gaussian_is_the_published_closed_form(mean, spread, observed, expected):
    assert crps_gaussian(mean, spread, observed) == pytest.approx(expected, abs=1e-6)


def test_crps_of_a_gaussian_is_that_of_properscoring():
    properscoring = pytest.importorskip("properscoring")
    mean, spread, observed = RNG.normal(0, 5, 500), RNG.uniform(0.1, 4, 500), RNG.normal(0, 5, 500)
    expected = properscoring.crps_gaussian(observed, mu=mean, sig=spread)
    np.testing.assert_allclose(crps_gaussian(mean, spread, observed), expected, atol=1e-6)


def test_crps_of_an_ensemble_is_that_of_properscoring_and_of_its_definition():
    properscoring = pytest.importorskip("properscoring")
    members, observed = RNG.normal(0, 2, (200, 51)), RNG.normal(0, 2, 200)
    got = crps_ensemble(members, observed)
    np.testing.assert_allclose(got, properscoring.crps_ensemble(observed, members), atol=1e-6)
    pairs = np.abs(members[:, :, None] - members[:, None, :]).mean(axis=(1, 2))
    by_definition = np.abs(members - observed[:, None]).mean(axis=1) - 0.5 * pairs
    np.testing.assert_allclose(got, by_definition, atol=1e-6)


def test_brier_is_that_of_properscoring_and_brier_1950():
    properscoring = pytest.importorskip("properscoring")
    probability, happened = RNG.uniform(0, 1, 300), RNG.integers(0, 2, 300)
    np.testing.assert_allclose(
        brier(probability, happened), properscoring.brier_score(happened, probability), atol=1e-6
    )
    assert brier(0.7, 1) == pytest.approx(0.09)


def test_pit_is_the_normal_distribution_of_scipy_and_even_when_calibrated():
    mean, spread = RNG.normal(0, 5, 2000), RNG.uniform(0.5, 3, 2000)
    observed = mean + spread * RNG.standard_normal(2000)
    pit = pit_gaussian(mean, spread, observed)
    np.testing.assert_allclose(pit, norm.cdf(observed, mean, spread), atol=1e-6)
    assert kstest(pit, "uniform").pvalue > 0.01
    assert kstest(pit_gaussian(mean + 1.0, spread, observed), "uniform").pvalue < 1e-6
    assert normal_cdf(0.0) == 0.5


def test_rank_counts_members_below_and_splits_ties():
    members = np.array([[1.0, 2.0, 3.0, 4.0]])
    ranks = [int(rank_in_ensemble(members, np.array([y]))[0]) for y in (0.0, 2.5, 9.0, 2.0)]
    assert ranks == [0, 2, 4, 1]


def test_reliability_counts_by_class():
    mean, often, count = reliability(np.array([0.05, 0.05, 0.95, 1.0]), np.array([0.0, 1.0, 1.0, 1.0]))
    assert count.tolist() == [2, 0, 0, 0, 0, 0, 0, 0, 0, 2]
    assert often[0] == 0.5
    assert often[9] == 1.0
    assert mean[9] == pytest.approx(0.975)
    assert np.isnan(often[5])
