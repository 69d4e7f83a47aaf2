import math
from datetime import UTC, datetime

import numpy as np
import pytest

from controller.weather.pairs import PairsError, read_pairs

AT = datetime(2027, 1, 15, 3, tzinfo=UTC).timestamp()


def written(tmp_path, text):
    path = tmp_path / "logbook.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_plain_logbook_is_read_in_order_of_issue(tmp_path):
    pairs = read_pairs(
        written(
            tmp_path,
            "time,lead_h,forecast_c,observed_c,cloud_frac\n"
            "2027-01-15T03:00Z,9,1.5,-0.5,0.2\n"
            "2027-01-15T04:00+01:00,15,2.5,,\n",
        )
    )
    assert pairs.at_s.tolist() == [AT, AT]
    assert pairs.lead_h.tolist() == [15.0, 9.0]
    assert pairs.forecast_c.tolist() == [2.5, 1.5]
    assert math.isnan(pairs.observed_c[0])
    assert pairs.observed_c[1] == -0.5
    assert pairs.cloud_frac[1] == 0.2
    assert np.isnan(pairs.wind_m_s).all()
    assert pairs.members_c is None


def test_a_lead_may_be_given_by_when_the_forecast_was_issued(tmp_path):
    text = "issued,time,forecast_c,observed_c\n2027-01-14T18:00Z,2027-01-15T03:00Z,1,0\n"
    assert read_pairs(written(tmp_path, text)).lead_h.tolist() == [9.0]


def test_fifty_one_members_become_a_mean_and_a_spread(tmp_path):
    values = np.random.default_rng(1).normal(0, 2, 51).round(3)
    head = ",".join(f"member{i:02d}" for i in range(1, 52))
    row = ",".join(str(v) for v in values)
    pairs = read_pairs(written(tmp_path, f"time,lead_h,observed_c,{head}\n2027-01-15T03:00Z,9,0,{row}\n"))
    assert pairs.members_c.shape == (1, 51)
    assert pairs.forecast_c[0] == pytest.approx(values.mean())
    assert pairs.spread_k[0] == pytest.approx(values.std(ddof=1))


def test_a_row_with_few_of_its_members_is_no_forecast(tmp_path):
    text = "time,lead_h,observed_c,member01,member02,member03\n2027-01-15T03:00Z,9,0,1,,\n"
    assert np.isnan(read_pairs(written(tmp_path, text)).forecast_c).all()


def test_what_cannot_be_a_temperature_is_unknown(tmp_path):
    text = "time,lead_h,forecast_c,observed_c\n2027-01-15T03:00Z,9,1,-127\n2027-01-15T04:00Z,9,999,85\n"
    pairs = read_pairs(written(tmp_path, text))
    assert np.isnan(pairs.observed_c).all()
    assert np.isnan(pairs.forecast_c[1])


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "head line"),
        ("time,lead_h,forecast_c\n2027-01-15T03:00Z,9,1\n", "'observed_c'"),
        ("time,forecast_c,observed_c\n2027-01-15T03:00Z,9,1\n", "'lead_h' or 'issued'"),
        ("time,lead_h,observed_c\n2027-01-15T03:00Z,9,1\n", "'forecast_c' or 'member01'"),
        ("time,lead_h,forecast_c,observed_c\n2027-01-15T03:00,9,1,0\n", "line 2: a time needs its zone"),
        ("time,lead_h,forecast_c,observed_c\nyesterday,9,1,0\n", "line 2: expected a time"),
        ("time,lead_h,forecast_c,observed_c\n2027-01-15T03:00Z,9,warm,0\n", "line 2: expected a number"),
        ("time,lead_h,forecast_c,observed_c\n2027-01-15T03:00Z,-9,1,0\n", "line 2: a lead"),
        (
            "time,lead_h,observed_c,"
            + ",".join(f"member{i}" for i in range(60))
            + "\n2027-01-15T03:00Z,9,1\n",
            "at most 51",
        ),
    ],
)
def test_a_wrong_logbook_is_refused_with_the_place_named(tmp_path, text, named):
    with pytest.raises(PairsError, match=named.replace("(", r"\(")):
        read_pairs(written(tmp_path, text))


def test_a_logbook_that_is_not_there_is_named(tmp_path):
    with pytest.raises(PairsError, match="cannot be read"):
        read_pairs(tmp_path / "none.csv")
