"""Two services on one night: spread and words tell how far they are apart."""

from dataclasses import replace

import numpy as np
import pytest

from controller.weather.open_meteo import forecast_from
from controller.weather.opinions import with_opinions
from tests.weather.conftest import NOW, PLACE, open_meteo_document


@pytest.fixture
def base():
    return forecast_from(open_meteo_document(), NOW, PLACE, source="One")


def other(base, add_k, **changes):
    return replace(base, source="Two", outside_temp_c=base.outside_temp_c + add_k, **changes)


def test_one_service_alone_is_left_as_it_is(base):
    assert with_opinions(base, []) is base


def test_a_difference_becomes_spread_and_words_and_moves_no_temperature(base):
    both = with_opinions(base, [other(base, -3.0)])
    np.testing.assert_array_equal(both.outside_temp_c, base.outside_temp_c)
    # two draws 3 K apart: sample variance 3**2 / 2
    np.testing.assert_allclose(both.spread_k, 3.0 / np.sqrt(2))
    assert "Two sees -5.0 °C at the coldest, 3.0 K colder than One (-2.0 °C)" in both.remark
    assert "Plan for the colder" in both.remark


def test_services_that_agree_need_no_words(base):
    assert with_opinions(base, [other(base, 1.5)]).remark == ""


def test_a_spread_that_a_service_gives_is_kept_in_it(base):
    spread = np.full(96, 2.0)
    both = with_opinions(base, [other(base, 0.0, spread_k=spread)])
    np.testing.assert_allclose(both.spread_k, 2.0)
    both = with_opinions(replace(base, spread_k=spread), [other(base, 3.0)])
    np.testing.assert_allclose(both.spread_k, np.sqrt(4.0 + 4.5))


def test_hours_that_only_one_has_keep_what_is_known(base):
    short = other(base, 2.0)
    short = replace(short, at_s=short.at_s[10:40], outside_temp_c=short.outside_temp_c[10:40])
    both = with_opinions(base, [short])
    assert np.isfinite(both.spread_k[10:40]).all()
    late = replace(short, at_s=short.at_s + 90 * 3600.0)
    assert with_opinions(base, [late]).remark == ""
