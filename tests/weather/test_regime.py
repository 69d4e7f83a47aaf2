from datetime import UTC, datetime

import numpy as np
import pytest

from controller.weather.regime import regime_of, sun_height
from tests.weather.conftest import PLACE


def stamp(*when):
    return datetime(*when, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("when", "expected"),
    [
        # noon height = 90° - latitude + declination; declination 0 at equinox, ±23.44° at solstice
        ((2027, 3, 21, 12, 26), np.sin(np.radians(90 - 52.2))),
        ((2027, 6, 21, 12, 26), np.sin(np.radians(90 - 52.2 + 23.44))),
        ((2027, 12, 21, 12, 26), np.sin(np.radians(90 - 52.2 - 23.44))),
    ],
)
def test_the_sun_stands_at_noon_where_the_seasons_put_it(when, expected):
    assert sun_height(stamp(*when), PLACE) == pytest.approx(expected, abs=0.02)


def test_a_clear_still_night_radiates_and_a_cloudy_or_windy_one_or_a_day_does_not():
    night, day = stamp(2027, 1, 15, 2), stamp(2027, 1, 15, 12)
    weather = {"temp_c": 0.0, "dew_point_c": -3.0, "wind_m_s": 0.5, "cloud_frac": 0.0}

    def inversion(at_s, **changes):
        return float(regime_of(at_s, PLACE, **{**weather, **changes}).inversion)

    assert inversion(night) > 0.6
    assert inversion(night, cloud_frac=1.0) < 0.2
    assert inversion(night, wind_m_s=8.0) < 0.05
    assert inversion(day) < 0.1


def test_what_is_not_known_takes_a_middling_substitute():
    night = stamp(2027, 1, 15, 2)
    unknown = regime_of(night, PLACE, temp_c=0.0)
    assert 0.2 < unknown.radiating < 0.8
    assert 0.2 < unknown.still < 0.8
