from datetime import timedelta

import numpy as np
import pytest

from simulator.sky import Sky, Weather, longwave_down_w_m2
from simulator.weather_files import reference_year
from tests.simulator.conftest import BEGIN, steady_sky, weather


def ramp(rows=5, step_s=600.0):
    columns = {name: np.arange(rows) * (k + 1.0) for k, name in enumerate(Weather._fields)}
    return Sky(BEGIN, step_s, columns)


def test_between_rows_every_value_runs_straight():
    sky = ramp()
    assert sky.at_s(900.0) == pytest.approx([1.5 * (k + 1) for k in range(7)])
    assert sky.at(BEGIN + timedelta(seconds=600)) == pytest.approx([k + 1.0 for k in range(7)])


def test_before_and_after_the_table_its_ends_hold():
    sky = ramp()
    assert sky.at_s(-1e6) == sky.at_s(0.0)
    assert sky.at_s(1e6) == sky.at_s(2400.0)
    assert sky.at_s(2400.0).outside_temp_c == pytest.approx(4.0)


def test_it_knows_what_it_covers():
    sky = ramp()
    assert sky.end == BEGIN + timedelta(seconds=2400)
    assert sky.covers(BEGIN, sky.end)
    assert not sky.covers(BEGIN, sky.end + timedelta(seconds=1))
    assert not sky.covers(BEGIN - timedelta(seconds=1), sky.end)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda c: c.pop("wind_m_s"),
        lambda c: c.update(gust_m_s=np.zeros(3)),
        lambda c: c.update(wind_m_s=np.array([0.0, np.nan, 0.0])),
    ],
)
def test_a_table_with_holes_is_refused(spoil):
    columns = {name: np.zeros(3) for name in Weather._fields}
    spoil(columns)
    with pytest.raises(ValueError, match="a sky needs"):
        Sky(BEGIN, 60.0, columns)
    with pytest.raises(ValueError, match="two rows"):
        Sky(BEGIN, 60.0, {name: np.zeros(1) for name in Weather._fields})


def test_the_sky_temperature_turns_back_into_its_radiation():
    cold = weather(-6.0)
    assert 5.670374419e-8 * (cold.sky_temp_c + 273.15) ** 4 == pytest.approx(cold.longwave_down_w_m2)
    assert steady_sky(temp_c=-6.0).at_s(1234.0) == pytest.approx(cold)


def test_clear_and_overcast_skies_radiate_as_brunt_and_bolz_have_it_by_hand():
    # 0 °C, dew point 0 °C: e = 6.108 hPa, emissivity 0.618 + 0.056 * 2.4714 = 0.7564; σ 273.15⁴ = 315.66
    assert longwave_down_w_m2(0.0, 0.0, 0.0) == pytest.approx(0.7564 * 315.66, abs=0.1)
    assert longwave_down_w_m2(0.0, 0.0, 1.0) == pytest.approx(1.22 * 0.7564 * 315.66, abs=0.1)
    assert longwave_down_w_m2(20.0, 20.0, 1.0) <= 5.670374419e-8 * 293.15**4


@pytest.mark.parametrize("region", [1, 3, 12])
def test_winter_nights_radiate_as_in_the_reference_years_of_the_weather_service(region):
    # column A of TRY 2010, calculated by the DWD from measured humidity and cloud: an independent formula
    pytest.importorskip("demandlib")
    year = reference_year(region)
    cold = (year.outside_temp_c < 2.0) & (year.shortwave_w_m2 == 0.0)
    mine = longwave_down_w_m2(year.outside_temp_c, year.dew_point_c, year.cloud_frac)
    for eighths in range(9):
        chosen = cold & (np.abs(year.cloud_frac * 8 - eighths) < 0.01)
        assert chosen.sum() > 5
        black = 5.670374419e-8 * (year.outside_temp_c[chosen] + 273.15) ** 4
        difference = ((mine[chosen] - year.longwave_down_w_m2[chosen]) / black).mean()
        assert abs(difference) < 0.02
