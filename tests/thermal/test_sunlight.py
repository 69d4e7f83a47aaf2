from datetime import UTC, datetime

import numpy as np
import pytest

from controller.site.load import example_site, load_site
from controller.thermal.sunlight import diffuse_share, sun_altitude_deg, sun_on_house_w_m2

SITE = load_site(example_site("curlew-yard"))


def seconds(*when):
    return datetime(*when, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("when", "expected_deg"),
    # by hand, 52.2 N: 90 - latitude + declination (-23.44, 0, +23.44 at the turning points of the year)
    [((2026, 12, 21), 14.4), ((2026, 3, 20), 37.8), ((2026, 6, 21), 61.2)],
)
def test_the_noon_sun_of_the_seasons(when, expected_deg):
    day = seconds(*when) + np.arange(0.0, 86400.0, 60.0)
    altitude = sun_altitude_deg(day, 52.2, -6.4)
    assert altitude.max() == pytest.approx(expected_deg, abs=0.6)
    # 6.4° west is 26 min after Greenwich; the equation of time is within 17 min
    assert abs(np.argmax(altitude) - (720 + 26)) < 17


def test_night_is_below_the_horizon_and_the_south_has_its_own_summer():
    assert sun_altitude_deg(seconds(2026, 12, 21, 0), 52.2, -6.4) < -50.0
    assert sun_altitude_deg(seconds(2026, 12, 21, 0, 10), -45.0, 170.0) > 60.0


def test_the_equator_at_equinox_by_day_length():
    day = seconds(2026, 3, 20) + np.arange(0.0, 86400.0, 60.0)
    assert (sun_altitude_deg(day, 0.0, 0.0) > 0.0).mean() == pytest.approx(0.5, abs=0.005)


def test_the_published_diffuse_shares_join():
    # Erbs, Klein & Duffie: 1 when overcast, 0.165 when clear; the pieces meet at 0.22 and 0.8
    assert diffuse_share([0.0, 0.9]) == pytest.approx([1.0, 0.165])
    assert diffuse_share(0.2200001) == pytest.approx(diffuse_share(0.22), abs=5e-3)
    assert diffuse_share(0.8) == pytest.approx(0.165, abs=5e-3)
    assert np.isnan(diffuse_share(np.nan))


def test_walls_catch_the_low_sun():
    noon = seconds(2026, 1, 10, 12, 30)
    clear = sun_on_house_w_m2(260.0, noon, SITE)
    overcast = sun_on_house_w_m2(40.0, noon, SITE)
    assert clear / 260.0 > 1.5 * 1.0
    # overcast light meets half of each wall: 1 + 27 m x 2 m / 40.5 m² / 2, by hand
    assert overcast / 40.0 == pytest.approx(1.667, abs=0.06)
    assert sun_on_house_w_m2(0.0, noon, SITE) == 0.0
    assert np.isnan(sun_on_house_w_m2(np.nan, noon, SITE))
    night = sun_on_house_w_m2(np.array([0.0, 0.0]), np.array([noon, noon + 43200.0]), SITE)
    assert (night == 0.0).all()
