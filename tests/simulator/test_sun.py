from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from simulator.sun import clear_sky_w_m2, cloudy_sky_w_m2, diffuse_share, solar_elevation_deg


def at(*when):
    return datetime(*when, tzinfo=UTC).timestamp()


def test_elevation_is_that_of_a_published_example():
    # Reda & Andreas 2004, Solar Energy 76:577 (NREL's algorithm, example of its appendix; from memory):
    # Golden, Colorado, 17 October 2003, 12:30:30 at UTC-7: zenith 50.11162°, of which refraction is 0.0163°
    elevation = solar_elevation_deg(at(2003, 10, 17, 19, 30, 30), 39.742476, -105.1786)
    assert float(elevation) + 0.0163 == pytest.approx(90.0 - 50.11162, abs=0.01)


@pytest.mark.parametrize(
    ("latitude_deg", "when", "highest_deg"),
    [
        (52.2, (2027, 6, 21), 90.0 - 52.2 + 23.44),
        (52.2, (2027, 12, 22), 90.0 - 52.2 - 23.44),
        (-46.4, (2027, 6, 21), 90.0 - 46.4 - 23.44),
        (-46.4, (2027, 12, 22), 90.0 - 46.4 + 23.44),
    ],
)
def test_at_the_solstices_noon_is_as_high_as_the_tilt_of_the_earth_has_it(latitude_deg, when, highest_deg):
    day = at(*when) + np.arange(0, 86400, 60.0)
    assert solar_elevation_deg(day, latitude_deg, 0.0).max() == pytest.approx(highest_deg, abs=0.02)


def test_noon_comes_earlier_in_the_east():
    day = at(2027, 3, 21) + np.arange(0, 86400, 30.0)
    noon_s = [day[solar_elevation_deg(day, 50.0, east).argmax()] for east in (0.0, 15.0, -6.4)]
    assert noon_s[0] - noon_s[1] == pytest.approx(3600.0, abs=60)
    assert noon_s[2] - noon_s[0] == pytest.approx(6.4 / 15 * 3600.0, abs=60)


def test_the_day_is_as_long_as_an_almanac_says():
    # Dublin, 53.35 N 6.26 W, 21 December: sunrise 08:38, sunset 16:08 (almanac, from memory)
    begin = datetime(2026, 12, 21, tzinfo=UTC)
    minutes = [begin + timedelta(minutes=m) for m in range(1440)]
    up = solar_elevation_deg([m.timestamp() for m in minutes], 53.35, -6.26) > -0.833
    rise, down = (minutes[int(i)] for i in np.flatnonzero(np.diff(up.astype(int))))
    assert abs(rise - datetime(2026, 12, 21, 8, 38, tzinfo=UTC)) <= timedelta(minutes=2)
    assert abs(down - datetime(2026, 12, 21, 16, 8, tzinfo=UTC)) <= timedelta(minutes=2)


def test_the_clear_sky_gives_what_its_formula_gives_by_hand():
    # Haurwitz 1945 with the sun overhead: 1098 exp(-0.059) = 1035.1; at 30°: 549 exp(-0.118) = 487.9
    assert clear_sky_w_m2([90.0, 30.0]) == pytest.approx([1035.1, 487.9], abs=0.1)
    assert clear_sky_w_m2([-5.0, 0.0]).tolist() == [0.0, 0.0]


def test_cloud_takes_three_quarters_at_most():
    # Kasten & Czeplak 1980: 0.25 of the clear sky under eight eighths, half cloud takes 7 %
    assert cloudy_sky_w_m2(400.0, [0.0, 0.5, 1.0]) == pytest.approx(
        [400.0, 400 * (1 - 0.75 * 0.5**3.4), 100.0]
    )
    assert diffuse_share([0.0, 1.0]) == pytest.approx([0.3, 1.0])


def test_no_number_in_gives_no_number_out():
    assert np.isnan(solar_elevation_deg(np.nan, 50.0, 0.0))
    assert np.isnan(cloudy_sky_w_m2(np.nan, 0.5))
