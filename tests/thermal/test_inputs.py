from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from controller.physics import sky_temp_c
from controller.site.load import example_site, load_site
from controller.thermal.inputs import (
    BREEZE_M_S,
    CALM_M_S,
    careful_hours,
    colder_wind_m_s,
    deep_soil_temp_c,
    inputs_of,
)
from controller.thermal.parameters import parameters_of
from controller.weather.forecast import Forecast

SITE = load_site(example_site("curlew-yard"))
P = parameters_of(SITE)
START = datetime(2026, 1, 10, 12, tzinfo=UTC)
HOURS = 60


def forecast(**changed):
    unknown = np.full(HOURS, np.nan)
    values = {
        "outside_temp_c": np.linspace(6.0, -6.0, HOURS),
        "dew_point_c": np.linspace(4.0, -8.0, HOURS),
        "wind_m_s": np.full(HOURS, 2.0),
        "gust_m_s": unknown,
        "cloud_frac": np.full(HOURS, 0.5),
        "shortwave_w_m2": np.zeros(HOURS),
        "precipitation_mm": unknown,
    }
    return Forecast(
        source="test",
        attribution="",
        fetched_at=START,
        issued_at=None,
        elevation_m=0.0,
        at_s=START.timestamp() + 3600.0 * np.arange(HOURS),
        **(values | changed),
    )


def test_hours_become_steps_by_straight_lines():
    inputs = inputs_of(forecast(), SITE, P, START)
    assert inputs.steps == 576
    assert inputs.step_s == 300.0
    assert inputs.start_s == START.timestamp()
    slope = -12.0 / (HOURS - 1)  # K/h
    assert inputs.outside_temp_c[0] == pytest.approx(6.0 + slope / 24.0)
    assert inputs.outside_temp_c[11] == pytest.approx(6.0 + slope * 23.0 / 24.0)
    sky = sky_temp_c(6.0 + slope / 24.0, 4.0 + slope / 24.0, 0.5)
    assert inputs.sky_depression_k[0] == pytest.approx(inputs.outside_temp_c[0] - sky)
    assert inputs.fleece_on.shape == (576, 5)
    assert inputs.fleece_on.all()


def test_sunshine_is_the_mean_of_the_hour_before_its_stamp():
    sun = np.zeros(HOURS)
    sun[3] = 240.0
    inputs = inputs_of(forecast(shortwave_w_m2=sun), SITE, P, START, horizon_s=6 * 3600.0)
    assert np.flatnonzero(inputs.sun_w_m2).tolist() == list(range(24, 36))
    assert (inputs.sun_w_m2[24:36] > 240.0).all()  # walls catch the low sun of January


def test_vents_and_fleece_can_be_given_for_each_step():
    vents, covered = np.linspace(0.0, 1.0, 24), np.zeros((24, 5), dtype=bool)
    inputs = inputs_of(forecast(), SITE, P, START, horizon_s=7200.0, vent_m3_s=vents, fleece_on=covered)
    assert (inputs.vent_m3_s == vents).all()
    assert not inputs.fleece_on.any()


def test_what_a_service_does_not_give_is_replaced_by_something_colder():
    unknown = np.full(HOURS, np.nan)
    lacking = careful_hours(
        forecast(dew_point_c=unknown, cloud_frac=unknown, shortwave_w_m2=unknown, wind_m_s=unknown), P
    )
    assert (lacking.cloud_frac == 0.0).all()
    assert (lacking.shortwave_w_m2 == 0.0).all()
    assert lacking.dew_point_c == pytest.approx(lacking.outside_temp_c - 10.0)
    assert set(lacking.wind_m_s) <= {CALM_M_S, BREEZE_M_S}


def test_an_unknown_wind_takes_the_colder_of_calm_and_breeze():
    clear, overcast = colder_wind_m_s(P, np.array([-2.0, -10.0]), np.array([25.0, 0.0]))
    assert clear == CALM_M_S  # a clear sky chills a sheltered house below the outside air
    assert overcast == BREEZE_M_S  # an overcast one cannot; wind takes the soil's warmth away


def test_nonsense_is_brought_back_into_its_range():
    hours = careful_hours(
        forecast(
            cloud_frac=np.full(HOURS, 1.7),
            wind_m_s=np.full(HOURS, -3.0),
            shortwave_w_m2=np.full(HOURS, -20.0),
            dew_point_c=np.full(HOURS, 40.0),
        ),
        P,
    )
    assert (hours.cloud_frac == 1.0).all()
    assert (hours.wind_m_s == 0.0).all()
    assert (hours.shortwave_w_m2 == 0.0).all()
    assert (hours.dew_point_c == hours.outside_temp_c).all()


def test_a_short_gap_takes_its_colder_end_and_a_long_one_stays_unknown():
    outside = np.linspace(6.0, -6.0, HOURS)
    outside[5:8] = np.nan
    outside[20:24] = np.inf
    outside[-5:] = np.nan
    filled = careful_hours(forecast(outside_temp_c=outside), P).outside_temp_c
    assert (filled[5:8] == outside[8]).all()
    assert np.isnan(filled[20:24]).all()
    assert np.isnan(filled[-5:]).all()


def test_beyond_the_forecast_nothing_is_known():
    late = inputs_of(forecast(), SITE, P, START + timedelta(hours=50))
    early = inputs_of(forecast(), SITE, P, START - timedelta(hours=3), horizon_s=4 * 3600.0)
    assert np.isfinite(late.outside_temp_c[:100]).all()
    assert np.isnan(late.outside_temp_c[9 * 12 :]).all()
    assert np.isnan(late.sun_w_m2[-1])
    assert np.isnan(early.outside_temp_c[:36]).all()
    assert np.isnan(early.sun_w_m2[0])
    assert early.sun_w_m2[30] == 0.0  # the first stamp's hour lies before it


def test_the_deep_soil_is_coldest_in_march_in_the_north_and_in_august_in_the_south():
    march, august = datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 8, 31, tzinfo=UTC)
    assert deep_soil_temp_c(SITE, march) == pytest.approx(6.5, abs=0.01)
    assert deep_soil_temp_c(SITE, august) == pytest.approx(14.5, abs=0.01)
    place = SITE.place.model_copy(update={"latitude_deg": -45.0})
    south = SITE.model_copy(update={"place": place})
    assert deep_soil_temp_c(south, august) == pytest.approx(6.5, abs=0.01)
