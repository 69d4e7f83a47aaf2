from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import numpy as np
import pytest

from controller.errors import RehearsalError
from simulator.weather_files import hour_of_year, read_reference_year, reference_year
from simulator.weather_years import winter_weather


@pytest.fixture(scope="module")
def coast():
    pytest.importorskip("demandlib")
    return reference_year(1)


def path_of(region):
    return Path(
        str(
            distribution("demandlib").locate_file(
                f"demandlib/vdi/resources_weather/TRY2010_{region:02d}_Jahr.dat"
            )
        )
    )


def test_the_first_row_of_the_file_is_the_state_at_one_o_clock(coast):
    # read off the file: 1 1 1 1 1 3 280 3.9 -0.2 1026.9 3.4 90 26 0 0 9 237 -312 9
    assert coast.outside_temp_c[1] == -0.2
    assert coast.wind_m_s[1] == 3.9
    assert coast.cloud_frac[1] == 3 / 8
    assert coast.pressure_kpa[1] == pytest.approx(102.69)
    assert coast.longwave_down_w_m2[1] == 237.0


def test_the_year_has_the_frost_that_was_counted_independently(coast):
    # counted for this project from the same file by another programme: minimum -7.8 °C, 526 h below 0 °C,
    # 80 h below -3 °C, 9 h below -6 °C
    temp_c = coast.outside_temp_c
    assert temp_c.min() == -7.8
    assert [(temp_c < limit).sum() for limit in (0.0, -3.0, -6.0)] == [526, 80, 9]


def test_humidity_agrees_with_the_mixing_ratio_the_file_gives_as_well(coast):
    words = [
        line.split() for line in path_of(1).read_text("latin-1").partition("***")[2].splitlines() if line
    ]
    ratio_g_per_kg = np.roll([float(row[10]) for row in words], 1)
    vapour_kpa = 0.6108 * np.exp(17.27 * coast.dew_point_c / (coast.dew_point_c + 237.3))
    mine = 622.0 * vapour_kpa / (coast.pressure_kpa - vapour_kpa)
    # the file rounds to 0.1 g/kg and to whole per cent of humidity
    assert np.abs(mine - ratio_g_per_kg).mean() < 0.1


def test_unknown_cloud_is_replaced(coast):
    assert coast.cloud_frac.min() >= 0.0
    assert coast.cloud_frac.max() <= 1.0


def test_noon_stays_noon_at_another_longitude(coast, place):
    # the mean sunshine of a year, by the hour of the day, is centred on the sun's own noon at the place
    sky = coast.sky(place, datetime(2027, 3, 1, tzinfo=UTC), datetime(2027, 10, 1, tzinfo=UTC))
    hours = np.arange(0, 214 * 24 - 1)
    sun = np.array([sky.at_s(h * 3600.0).shortwave_w_m2 for h in hours])
    centre_h = (sun * (hours % 24)).sum() / sun.sum()
    assert centre_h == pytest.approx(12.0 - place.longitude_deg / 15.0, abs=0.5)


def test_what_the_sun_gives_in_a_day_is_kept(coast, place):
    begin = datetime(2027, 6, 10, tzinfo=UTC)
    sky = coast.sky(place, begin, begin + timedelta(days=3))
    mine = np.mean([sky.at_s(86400.0 + 60.0 * m).shortwave_w_m2 for m in range(1440)])
    index = hour_of_year(begin + timedelta(days=1))
    assert mine == pytest.approx(coast.shortwave_w_m2[index : index + 24].mean(), rel=0.02)


def test_on_the_other_hemisphere_the_year_is_turned_by_half(coast, place):
    south = place.model_copy(update={"latitude_deg": -46.4, "longitude_deg": 168.9})

    def mean_c(where, month):
        begin = datetime(2027, month, 1, tzinfo=UTC)
        sky = coast.sky(where, begin, begin + timedelta(days=28))
        return np.mean([sky.at_s(3600.0 * h).outside_temp_c for h in range(28 * 24)])

    assert max(mean_c(place, 1), mean_c(south, 7)) < 5.0
    assert min(mean_c(place, 7), mean_c(south, 1)) > 13.0


@pytest.mark.parametrize(
    ("when", "hour"),
    [
        ((2027, 1, 1, 0), 0),
        ((2027, 12, 31, 23), 8759),
        ((2028, 2, 28, 5), 58 * 24 + 5),
        ((2028, 2, 29, 5), 58 * 24 + 5),
        ((2028, 3, 1, 0), 59 * 24),
        ((2028, 12, 31, 23), 8759),
        ((2100, 3, 1, 0), 59 * 24),
    ],
)
def test_every_year_has_the_same_hours(when, hour):
    assert hour_of_year(datetime(*when, tzinfo=UTC)) == hour


def test_a_region_that_is_not_there_is_named():
    with pytest.raises(RehearsalError, match="regions are 1 to 15"):
        reference_year(16)


def test_without_the_package_one_is_told_what_to_install(monkeypatch):
    def missing(name):
        raise PackageNotFoundError(name)

    monkeypatch.setattr("simulator.weather_files.distribution", missing)
    with pytest.raises(RehearsalError, match="pip install demandlib"):
        reference_year(1)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("no stars here", "expected 8760 rows"),
        ("head\n***\n1 2 3\n", "expected 8760 rows"),
        ("head\n***\n1 2 x\n", "not a test reference year"),
        ("head\n***\n1 2 3\n1 2\n", "not a test reference year"),
    ],
)
def test_a_file_of_another_kind_is_refused(tmp_path, text, fault):
    path = tmp_path / "weather.dat"
    path.write_text(text)
    with pytest.raises(RehearsalError, match=fault):
        read_reference_year(path)


def test_a_file_that_is_gone_is_named(tmp_path):
    with pytest.raises(RehearsalError, match="reinstall"):
        read_reference_year(tmp_path / "gone.dat")


def test_a_winter_at_a_place_has_its_hours_in_the_right_half_of_the_year(curlew_yard):
    pytest.importorskip("demandlib")
    north = winter_weather("1", curlew_yard.place)
    south = winter_weather("1", curlew_yard.place.model_copy(update={"latitude_deg": -46.0}))
    assert datetime.fromtimestamp(north.at_s[0], tz=UTC) == datetime(2026, 10, 1, tzinfo=UTC)
    assert datetime.fromtimestamp(south.at_s[0], tz=UTC) == datetime(2026, 4, 1, tzinfo=UTC)
    for winter in (north, south):
        assert len(winter.at_s) == 210 * 24
        coldest = np.argsort(winter.outside_temp_c)[:100] / 24
        assert 60 < np.median(coldest) < 150, "the cold lies in the middle of the winter"
    with pytest.raises(RehearsalError):
        winter_weather("no such file", curlew_yard.place)
