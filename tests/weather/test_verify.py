"""Verification on an invented winter whose error is known, so that every number can be worked out."""

from datetime import UTC, datetime

import numpy as np
import pytest

from controller.errors import RimewardError
from controller.weather.pairs import Pairs
from controller.weather.scores import crps_ensemble
from controller.weather.verify import next_night, pit_of, replay, scores, text_of
from controller.weather.verify_picture import draw
from tests.weather.conftest import PLACE

BEGIN_S = datetime(2026, 12, 1, tzinfo=UTC).timestamp()


def winter(days=60, *, warm_k=2.0, noise_k=0.7, members=0, seed=1):
    """Runs every six hours, two days ahead; too warm on nights, which are all clear and still."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * 24 + 49)
    true_c = (
        2.0
        + 4.0 * np.sin((hours % 24 - 9) * np.pi / 12)
        + np.repeat(rng.normal(0, 2, days + 3), 24)[: hours.size]
    )
    issued = np.repeat(np.arange(0, days * 24, 6), 49)
    ahead = np.tile(np.arange(49), days * 4)
    valid = issued + ahead
    dark = (valid % 24 < 8) | (valid % 24 >= 17)
    forecast_c = true_c[valid] + warm_k * dark + noise_k * rng.standard_normal(valid.size)
    many = forecast_c[:, None] + rng.normal(0, 0.7, (valid.size, members)) if members else None
    return Pairs(
        at_s=BEGIN_S + 3600.0 * valid,
        lead_h=ahead.astype(float),
        forecast_c=forecast_c,
        observed_c=true_c[valid],
        dew_point_c=forecast_c - 3.0,
        wind_m_s=np.full(valid.size, 0.5),
        cloud_frac=np.full(valid.size, 0.1),
        spread_k=np.full(valid.size, np.nan),
        members_c=many,
    )


def by_group(played):
    return {score.group: score for score in scores(played)}


def test_raw_scores_are_those_worked_out_by_hand_and_corrected_ones_are_better():
    pairs = winter()
    found = by_group(replay(pairs, PLACE))
    error_k = pairs.forecast_c - pairs.observed_c
    total = found["all"]
    assert total.count == error_k.size
    assert total.bias_k[0] == pytest.approx(error_k.mean())
    assert total.rmse_k[0] == pytest.approx(np.sqrt((error_k**2).mean()))
    assert total.crps_k[0] == pytest.approx(np.abs(error_k).mean())
    frost = pairs.observed_c < 0
    assert total.frost_brier[0] == pytest.approx(((pairs.forecast_c < 0) != frost).mean())
    assert abs(total.bias_k[1]) < 0.3
    assert total.crps_k[1] < 0.6 * total.crps_k[0]
    assert total.frost_brier[1] < total.frost_brier[0]
    assert (
        found["clear still night"].bias_k[0] > 1.5
    )  # the hour round sunset belongs to it but is not dark yet
    assert abs(found["clear still night"].bias_k[1]) < 0.5


def test_an_ensemble_s_raw_score_is_that_of_its_members():
    pairs = winter(days=20, members=11)
    found = by_group(replay(pairs, PLACE))
    assert found["all"].crps_k[0] == pytest.approx(crps_ensemble(pairs.members_c, pairs.observed_c).mean())


def test_leads_and_kinds_divide_all_pairs():
    found = by_group(replay(winter(days=20), PLACE))
    leads = sum(s.count for name, s in found.items() if "ahead" in name)
    kinds = sum(s.count for name, s in found.items() if name in {"clear still night", "other night", "day"})
    assert leads == kinds == found["all"].count


def test_nothing_of_the_future_is_used():
    whole, cut = replay(winter(days=40), PLACE), winter(days=40)
    turn_s = BEGIN_S + 20 * 86400.0
    changed = np.where(cut.at_s > turn_s, cut.observed_c + 7.0, cut.observed_c)
    other = replay(
        Pairs(**{n: changed if n == "observed_c" else getattr(cut, n) for n in cut.__dataclass_fields__}),
        PLACE,
    )
    before = cut.issued_s <= turn_s
    assert np.array_equal(whole.mean_c[before], other.mean_c[before])
    assert not np.array_equal(whole.mean_c[~before], other.mean_c[~before])


def test_nights_are_judged_by_the_last_run_before_them():
    played = replay(winter(), PLACE)
    assert 58 <= len(played.nights) <= 61
    frosts = [n for n in played.nights if n.observed_min_c < 0.0]
    assert sum(not n.raw_warned for n in frosts) > 3  # two kelvin too warm: the raw forecast misses some
    assert sum(not n.warned for n in frosts) == 0


@pytest.mark.parametrize(("hour", "begins"), [(15.0, 17.0), (18.5, 41.0), (0.0, 17.0)])
def test_the_coming_night_begins_at_five_by_the_sun(hour, begins):
    begin_s, end_s = next_night(BEGIN_S + hour * 3600.0, PLACE)
    # the sun is 4 minutes later for each degree west
    assert (begin_s - BEGIN_S) / 3600.0 == pytest.approx(begins + 6.4 / 15.0)
    assert end_s - begin_s == 15 * 3600.0


def test_the_table_says_both_and_an_empty_one_says_so():
    played = replay(winter(days=30), PLACE)
    text = text_of(played)
    for words in (
        "raw -> corrected",
        "clear still night",
        "24-48 h ahead",
        "Missed frosts",
        "Warned in vain",
    ):
        assert words in text
    pairs = winter(days=3)
    nothing = Pairs(
        **{
            n: np.full(pairs.at_s.size, np.nan) if n == "observed_c" else getattr(pairs, n)
            for n in pairs.__dataclass_fields__
        }
    )
    assert "nothing can be said" in text_of(replay(nothing, PLACE))


def test_the_pit_is_of_every_scored_pair():
    played = replay(winter(days=30), PLACE)
    pit = pit_of(played)
    assert pit.size == by_group(played)["all"].count
    assert 0.0 <= pit.min() <= pit.max() <= 1.0


def test_the_picture_is_drawn_or_the_reason_told(tmp_path):
    pytest.importorskip("matplotlib")
    played = replay(winter(days=20), PLACE)
    draw(played, tmp_path / "scores.png")
    assert (tmp_path / "scores.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(RimewardError, match="cannot be written"):
        draw(played, tmp_path / "none" / "scores.png")
