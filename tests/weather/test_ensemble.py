"""An ensemble: its runs are found by name, bad ones are left out, and what is left makes mean and spread."""

from datetime import UTC, datetime

import numpy as np
import pytest
import responses

from controller.errors import ShapeError
from controller.site.model import ForecastService, Place
from controller.weather.open_meteo import HOURLY, OpenMeteo, ensemble_from
from tests.weather.conftest import NOW, PLACE, as_asked, open_meteo_document, recorded, says


def document(members=10):
    answer = open_meteo_document()
    hourly, units = answer["hourly"], answer["hourly_units"]
    for name in HOURLY:
        for i in range(1, members):
            run = [v + 0.1 * i if name == "temperature_2m" else v for v in hourly[name]]
            hourly[f"{name}_member{i:02d}"], units[f"{name}_member{i:02d}"] = run, units[name]
    return answer


def test_the_runs_make_mean_and_spread():
    answer = document()
    forecast = ensemble_from(answer, NOW, PLACE)
    control = np.array(answer["hourly"]["temperature_2m"])
    assert forecast.members_c.shape == (10, 96)
    np.testing.assert_allclose(forecast.outside_temp_c, control + 0.45)
    # sample standard deviation of 0, 0.1 .. 0.9: 0.1 x sqrt(110 / 12)
    np.testing.assert_allclose(forecast.spread_k, 0.1 * np.sqrt(110 / 12))
    np.testing.assert_allclose(forecast.wind_m_s, 1.5)


def test_a_run_that_is_dropped_or_empty_is_left_out():
    answer = document()
    del answer["hourly"]["temperature_2m_member04"]
    answer["hourly"]["temperature_2m_member07"] = [None] * 96
    answer["hourly"]["cloud_cover_member07"] = [None] * 96
    forecast = ensemble_from(answer, NOW, PLACE)
    assert forecast.members_c.shape == (8, 96)
    np.testing.assert_allclose(forecast.cloud_frac, 0.1)


@pytest.mark.parametrize(("members", "empty"), [(4, 0), (10, 6), (1, 0)])
def test_too_few_runs_are_no_ensemble(members, empty):
    answer = document(members)
    for i in range(1, empty + 1):
        answer["hourly"][f"temperature_2m_member{i:02d}"] = [None] * 96
    with pytest.raises(ShapeError, match=says("at least 5 whole runs", f"of {members}")):
        ensemble_from(answer, NOW, PLACE)


def test_a_run_in_another_unit_is_named():
    answer = document()
    answer["hourly_units"]["temperature_2m_member03"] = "°F"
    with pytest.raises(ShapeError, match=says("temperature_2m_member03", "°C", "°F")):
        ensemble_from(answer, NOW, PLACE)


def _at_home(answer):
    return Place(
        latitude_deg=answer["latitude"],
        longitude_deg=answer["longitude"],
        elevation_m=answer["elevation"],
        time_zone="UTC",
    )


def test_a_full_length_ensemble_with_a_tail_of_nulls_parses():
    answer = as_asked(recorded("openmeteo_ensemble_SYNTHETIC_20members_3d_nulltail.json"))
    forecast = ensemble_from(answer, datetime(2026, 1, 10, 1, tzinfo=UTC), _at_home(answer))
    assert forecast.members_c.shape[0] >= 18
    assert 24 <= len(forecast.at_s) <= 72
    assert (forecast.spread_k > 0).all()


def test_the_names_of_a_recorded_ensemble_are_all_found():
    answer = as_asked(recorded("openmeteo_ensemble_21members_2026-10-03.json"))
    # the recording was cut to two hours: lengthen it by repeating them
    for name in list(answer["hourly"]):
        if name.startswith("temperature_2m"):
            answer["hourly"][name] *= 24
    begin_s = answer["hourly"]["time"][0]
    answer["hourly"]["time"] = [begin_s + 3600 * i for i in range(48)]
    forecast = ensemble_from(answer, datetime(2026, 10, 3, tzinfo=UTC), _at_home(answer))
    assert forecast.members_c.shape == (21, 48)


@responses.activate
def test_the_request_names_the_model():
    responses.get("https://ensemble-api.open-meteo.com/v1/ensemble", json=document())
    forecast = OpenMeteo(ForecastService(kind="open-meteo-ensemble"), PLACE).latest(NOW)
    assert forecast.source == "Open-Meteo ensemble"
    assert responses.calls[0].request.params["models"] == "ecmwf_ifs025_ensemble"


def test_a_run_that_is_absurd_is_left_out():
    answer = document(members=10)
    answer["hourly"]["temperature_2m_member03"][40] = 85.0
    without = document(members=10)
    del without["hourly"]["temperature_2m_member03"]
    got = ensemble_from(answer, NOW, PLACE)
    assert got.outside_temp_c.tolist() == ensemble_from(without, NOW, PLACE).outside_temp_c.tolist()
