"""The site's correction: learns what is there, invents nothing, cannot run away, and says how sure it is."""

import json
import math

import numpy as np
import pytest
from scipy.stats import norm, t

from controller.weather.correction import MOST_BIAS_K, SiteCorrection
from controller.weather.regime import Regime

LEADS_H = np.array([1.0, 6.0, 12.0, 24.0, 42.0])


def regime(night, radiating, still, shape=5):
    return Regime(*(np.full(shape, value) for value in (night, radiating, still)))


CLEAR, DULL, DAY = regime(1.0, 1.0, 0.8), regime(1.0, 0.1, 0.3), regime(0.0, 0.6, 0.4)


def taught(days, error_k, *, rng=None, spread_k=0.5, clear_every=2):
    """Teach it days of 12 h of day and 12 h of night, clear on every second night."""
    learned = SiteCorrection()
    for hour in range(days * 24):
        dark, clear = hour % 24 >= 12, (hour // 24) % clear_every == 0
        kind = (CLEAR if clear else DULL) if dark else DAY
        noise = 0.0 if rng is None else spread_k * rng.standard_normal()
        learned.learn(3600.0 * hour, LEADS_H, np.full(5, 2.0), kind, 2.0 + error_k(kind) + noise)
    return learned


def test_untaught_it_changes_nothing_and_says_a_wide_honest_spread():
    out = SiteCorrection().correct(3600.0 * np.arange(5), LEADS_H, np.zeros(5), CLEAR)
    assert out.mean_c.tolist() == [0.0] * 5
    assert (out.spread_k > 1.3).all()
    assert (np.diff(out.spread_k) >= 0.0).all()


def test_it_learns_a_bias_that_only_clear_still_nights_have():
    learned = taught(30, lambda kind: -3.0 if kind is CLEAR else 0.0, rng=np.random.default_rng(1))
    assert learned.bias_k(LEADS_H, CLEAR, np.full(5, 2.0)) == pytest.approx(-3.0, abs=0.6)
    assert learned.bias_k(LEADS_H, DULL, np.full(5, 2.0)) == pytest.approx(0.0, abs=0.5)
    assert learned.bias_k(LEADS_H, DAY, np.full(5, 2.0)) == pytest.approx(0.0, abs=0.5)


def test_the_first_week_already_helps():
    learned = taught(7, lambda kind: -3.0 if kind is CLEAR else 0.0, rng=np.random.default_rng(2))
    assert (learned.bias_k(LEADS_H, CLEAR, np.full(5, 2.0)) < -1.0).all()


def test_where_there_is_no_bias_it_finds_none():
    learned = taught(60, lambda _: 0.0, rng=np.random.default_rng(3), spread_k=1.5)
    for kind in (CLEAR, DULL, DAY):
        assert learned.bias_k(LEADS_H, kind, np.full(5, 2.0)) == pytest.approx(0.0, abs=0.5)


def test_a_broken_probe_cannot_carry_it_away():
    learned = taught(20, lambda _: -85.0)
    assert (np.abs(learned.bias_k(LEADS_H, CLEAR, np.full(5, 2.0))) <= MOST_BIAS_K).all()
    assert np.isfinite(learned.covariance_k2).all()


def test_nan_readings_and_repeated_hours_teach_nothing():
    learned = taught(3, lambda _: -1.0)
    before = json.dumps(learned.to_plain())
    learned.learn(learned.learned_at_s + 3600.0, LEADS_H, np.full(5, 2.0), DAY, math.nan)
    learned.learn(learned.learned_at_s, LEADS_H, np.full(5, 2.0), DAY, 9.0)
    learned.learn(learned.learned_at_s + 3600.0, LEADS_H, np.full(5, math.nan), DAY, 9.0)
    assert json.dumps(learned.to_plain()) == before


def test_what_is_not_taught_for_a_season_fades():
    learned = taught(30, lambda _: -3.0)
    fresh = learned.bias_k(LEADS_H, CLEAR, np.full(5, 2.0))
    learned.learn(learned.learned_at_s + 120 * 86400.0, LEADS_H, np.full(5, 2.0), DAY, 2.0)
    assert (np.abs(learned.bias_k(LEADS_H, CLEAR, np.full(5, 2.0))) < 0.5 * np.abs(fresh)).all()


def test_the_probe_s_present_departure_fades_into_the_coming_hours():
    hours = np.arange(30)
    kind = regime(1.0, 1.0, 0.8, 30)
    arguments = (3600.0 * hours, hours.astype(float), np.zeros(30), kind)
    plain, told = (
        SiteCorrection().correct(*arguments),
        SiteCorrection().correct(*arguments, observed_c=-3.0, observed_at_s=0.0),
    )
    assert told.mean_c[0] == pytest.approx(-3.0 * 0.95, abs=0.2)
    assert (np.diff(told.mean_c) > 0.0).all()
    assert told.mean_c[29] == pytest.approx(0.0, abs=0.3)
    assert (told.spread_k <= plain.spread_k).all()
    assert told.spread_k[0] < 0.5 * plain.spread_k[0]


def test_the_chance_of_a_night_s_lowest_is_between_that_of_its_worst_hour_and_their_sum():
    hours = np.arange(13)
    out = SiteCorrection().correct(
        3600.0 * hours, hours.astype(float) + 6.0, np.full(13, 3.0), regime(1, 1, 1, 13)
    )
    night = out.chance_lowest_below(0.0, 0.0, 12 * 3600.0)
    assert out.chance_below(0.0).max() < night < out.chance_below(0.0).sum()
    assert math.isnan(out.chance_lowest_below(0.0, -9e9, -8e9))
    assert out.chance_lowest_below(0.0, 0.0, 12 * 3600.0) == night  # the same each time


def test_paths_have_the_spread_and_the_likeness_that_are_stated():
    hours = np.arange(24)
    out = SiteCorrection().correct(3600.0 * hours, hours.astype(float), np.zeros(24), regime(1, 1, 1, 24))
    paths = out.paths_c(20_000)
    assert paths.mean(axis=0) == pytest.approx(out.mean_c, abs=1e-9)
    assert paths.std(axis=0) == pytest.approx(out.spread_k, rel=0.03)
    assert np.corrcoef(paths.T) == pytest.approx(out.likeness, abs=0.04)
    # Student's t with 8 degrees and the same spread, from scipy: the 1 % tail is wider than the Gaussian's
    assert (np.quantile(paths, 0.01, axis=0) / out.spread_k) == pytest.approx(
        t.ppf(0.01, 8) * math.sqrt(6 / 8), abs=0.12
    )
    assert out.quantile_c(0.01) / out.spread_k == pytest.approx(norm.ppf(0.01), abs=1e-6)


def test_it_learns_how_alike_neighbouring_errors_are():
    rng, learned, error_k = np.random.default_rng(5), SiteCorrection(), 0.0
    for hour in range(24 * 120):
        error_k = 0.7 * error_k + rng.standard_normal()
        learned.learn(3600.0 * hour, LEADS_H, np.zeros(5), DULL, error_k)
    level, decay = learned.likeness
    assert [level * decay**h for h in (1, 3)] == pytest.approx([0.7, 0.343], abs=0.1)


def test_a_service_s_own_spread_widens_and_narrows_ours():
    learned = SiteCorrection()
    for hour in range(48):
        learned.learn(3600.0 * hour, LEADS_H, np.zeros(5), DULL, 0.0, np.full(5, 1.0))
    at_s = 3600.0 * np.arange(100.0, 105.0)

    def spread_k(stated):
        return learned.correct(at_s, LEADS_H, np.zeros(5), DULL, stated).spread_k

    assert (spread_k(np.full(5, 0.3)) < spread_k(np.full(5, 1.0))).all()
    assert (spread_k(np.full(5, 1.0)) < spread_k(np.full(5, 2.0))).all()
    assert spread_k(math.nan) == pytest.approx(spread_k(np.full(5, 1.0)), rel=0.05)


def test_what_is_kept_comes_back_the_same_and_anything_else_is_refused():
    learned = taught(5, lambda _: -2.0, rng=np.random.default_rng(6))
    plain = json.loads(json.dumps(learned.to_plain(), allow_nan=False))
    again = SiteCorrection.from_plain(plain)
    assert json.dumps(again.to_plain()) == json.dumps(learned.to_plain())
    assert (
        SiteCorrection.from_plain(json.loads(json.dumps(SiteCorrection().to_plain()))).learned_at_s
        == -math.inf
    )
    for broken in ({}, {**plain, "variance_k2": [[1.0]]}, {**plain, "recent_z": 3}):
        with pytest.raises(ValueError, match="not"):
            SiteCorrection.from_plain(broken)


def test_after_a_clock_that_had_run_ahead_it_goes_on_learning():
    learned = taught(5, lambda _: -1.0)
    learned.learn(1e12, LEADS_H, np.full(5, 2.0), DAY, 1.0)
    early_s = 40 * 86400.0
    learned.learn(early_s, LEADS_H, np.full(5, 2.0), DAY, 1.0)
    assert learned.learned_at_s == early_s
    assert np.isfinite(learned.covariance_k2).all()


def test_what_the_reading_told_is_no_longer_common_to_the_hours():
    hours = np.arange(12)
    arguments = (3600.0 * hours, hours.astype(float), np.zeros(12), regime(1.0, 1.0, 0.8, 12))
    out = SiteCorrection().correct(*arguments, observed_c=0.0, observed_at_s=0.0)
    # correlation of two hours given a third, for Gaussian variables (any textbook of multivariate statistics)
    lags = np.array([[0, 3, 6], [3, 0, 3], [6, 3, 0]])
    alike = np.where(lags == 0, 1.0, out.level * out.decay**lags)
    partial = alike[1, 2] - out.fade[3] * out.fade[6]
    partial /= math.sqrt((1.0 - out.fade[3] ** 2) * (1.0 - out.fade[6] ** 2))
    assert out.likeness[3, 6] == pytest.approx(partial, abs=1e-9)
    assert out.likeness[3, 6] < alike[1, 2] - 0.1


def test_spreads_are_judged_by_what_was_known_a_day_before():
    assert not taught(2, lambda _: -3.0).settled_k.any()
    learned = taught(4, lambda _: -3.0)
    assert learned.settled_k.any()
    assert (np.abs(learned.settled_k[:, 0]) < np.abs(learned.coefficient_k[:, 0])).all()
