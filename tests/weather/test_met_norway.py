"""Locationforecast: recorded answers parse whole, its terms are kept, and a changed shape is named."""

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import responses

from controller.errors import FetchError, ForecastError, Retry, ShapeError
from controller.site.model import ForecastService, Place
from controller.weather.met_norway import MetNorway, forecast_from
from tests.weather.conftest import PLACE, recorded, says

NOW = datetime(2027, 1, 14, 17, 20, tzinfo=UTC)
BEGIN = NOW.replace(minute=0)
URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
CONTACT = "mailto:grower@curlew-yard.example"


def document(hours=54, sixes=10):
    """Return an answer as the service documents it: hours first, then steps of six hours."""
    times = [BEGIN + timedelta(hours=i) for i in range(hours)]
    times += [times[-1] + timedelta(hours=6 * (i + 1)) for i in range(sixes)]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [-6.4, 52.2, 30]},
        "properties": {
            "meta": {
                "updated_at": (NOW - timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M:%SZ"),
                "units": {
                    "air_temperature": "celsius",
                    "cloud_area_fraction": "%",
                    "precipitation_amount": "mm",
                    "relative_humidity": "%",
                    "wind_speed": "m/s",
                    "air_temperature_percentile_10": "celsius",
                    "air_temperature_percentile_90": "celsius",
                },
            },
            "timeseries": [
                {
                    "time": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                    "data": {
                        "instant": {
                            "details": {
                                "air_temperature": round(3.0 - 0.1 * i, 1),
                                "cloud_area_fraction": 25.0,
                                "relative_humidity": 80.0,
                                "wind_speed": 2.0,
                                "air_temperature_percentile_10": round(2.0 - 0.1 * i, 1),
                                "air_temperature_percentile_90": round(4.0 - 0.1 * i, 1),
                            }
                        },
                        **({"next_1_hours": {"details": {"precipitation_amount": i}}} if i < hours else {}),
                    },
                }
                for i, at in enumerate(times)
            ],
        },
    }  # fmt: skip


def meta(answer):
    return answer["properties"]["meta"]


def series(answer):
    return answer["properties"]["timeseries"]


def test_the_hours_are_taken_and_brought_to_one_convention():
    forecast = forecast_from(document(), NOW, PLACE)
    assert len(forecast.at_s) == 54
    assert forecast.at_s[0] == BEGIN.timestamp()
    assert forecast.outside_temp_c[10] == pytest.approx(2.0)
    np.testing.assert_allclose(forecast.cloud_frac, 0.25)
    # the service's rain of the hour after each time is that of the hour before the next
    assert np.isnan(forecast.precipitation_mm[0])
    np.testing.assert_array_equal(forecast.precipitation_mm[1:], np.arange(53.0))
    # 10th and 90th percentile 2 K apart: 2 / (2 x 1.28155) (standard normal table)
    np.testing.assert_allclose(forecast.spread_k, 2.0 / (2 * 1.28155), rtol=1e-4)
    assert set(forecast.missing) == {"gust_m_s", "shortwave_w_m2"}
    assert forecast.issued_at == NOW - timedelta(hours=2)
    assert forecast.age_s(NOW) == 7200.0
    assert "MET Norway" in forecast.attribution


def test_a_dew_point_that_is_not_given_comes_from_the_humidity():
    # dew point of air at 0 °C and 80 %: -3.03 °C (ASHRAE formulas, by PsychroLib)
    answer = document()
    for step in answer["properties"]["timeseries"]:
        step["data"]["instant"]["details"]["air_temperature"] = 0.0
    forecast = forecast_from(answer, NOW, PLACE)
    np.testing.assert_allclose(forecast.dew_point_c, -3.03, atol=0.03)


@pytest.mark.parametrize(
    ("name", "hours", "coldest_c"),
    [
        ("met_compact_oslo_2023-11-17_cold_full.json", 54, -4.7),
        ("met_complete_london_2020-07-20_with_headers.json", 55, None),
        ("met_compact_newyork_2020-07-20_with_headers.json", None, None),
    ],
)
def test_recorded_answers_parse_whole(name, hours, coldest_c):
    answer = json.loads(recorded(name))
    answer = answer.get("data", answer)
    longitude, latitude, height = answer["geometry"]["coordinates"]
    place = Place(latitude_deg=latitude, longitude_deg=longitude, elevation_m=float(height), time_zone="UTC")
    first = datetime.fromisoformat(answer["properties"]["timeseries"][0]["time"])
    forecast = forecast_from(answer, first + timedelta(minutes=20), place)
    assert hours is None or len(forecast.at_s) in {hours, hours + 1}
    assert np.isfinite(forecast.outside_temp_c).all()
    assert np.isfinite(forecast.dew_point_c).all()
    assert "shortwave_w_m2" in forecast.missing
    if coldest_c is not None:
        assert forecast.outside_temp_c.min() == pytest.approx(coldest_c)


def test_a_good_status_without_data_is_no_forecast():
    answer = json.loads(recorded("met_http200_no_data.json"))
    with pytest.raises(ForecastError, match="no data at the given location"):
        forecast_from(answer, NOW, PLACE)


@pytest.mark.parametrize(
    ("spoil", "pattern"),
    [
        (lambda d: d.pop("properties"), says("properties", "an object")),
        (lambda d: d["properties"].pop("timeseries"), says("properties.timeseries", "an array")),
        (lambda d: d["properties"]["timeseries"].clear(), says("time", "18 hours", "got 0")),
        (lambda d: meta(d).pop("updated_at"), says("updated_at", "a text")),
        (lambda d: meta(d).update(updated_at="2027-01-11T00:00:00Z"), says("model run", "01-11")),
        (lambda d: meta(d).update(updated_at="2027-01-15T00:00:00Z"), says("model run", "01-15")),
        (lambda d: meta(d).update(updated_at="2027-01-14T00:00:00"), says("time with its offset")),
        (
            lambda d: meta(d)["units"].update(air_temperature="kelvin"),
            says("units.air_temperature", "celsius", "kelvin"),
        ),
        (lambda d: d["geometry"].update(coordinates=[52.2, -6.4, 30]), says("50 km")),
        (lambda d: d["geometry"].update(coordinates=[52.2]), says("longitude, latitude")),
        (
            lambda d: series(d)[3].update(time=series(d)[2]["time"]),
            says("time", "18 hours", "got 4"),
        ),
        (
            lambda d: series(d)[3]["data"]["instant"]["details"].update(air_temperature="x"),
            says("timeseries[3].data.instant.details.air_temperature", "a number", "'x'"),
        ),
    ],
)  # fmt: skip
def test_a_changed_shape_is_named(spoil, pattern):
    answer = document()
    spoil(answer)
    with pytest.raises(ShapeError, match=pattern):
        forecast_from(answer, NOW, PLACE)


# ---- its terms ----------------------------------------------------------------------------------------


def _service(contact=CONTACT):
    place = Place(latitude_deg=52.2000049, longitude_deg=-6.4, elevation_m=30.4, time_zone="Europe/Dublin")
    return MetNorway(ForecastService(kind="met-norway"), place, contact)


_HEADERS = {
    "Date": "Thu, 14 Jan 2027 17:20:00 GMT",
    "Expires": "Thu, 14 Jan 2027 17:51:00 GMT",
    "Last-Modified": "Thu, 14 Jan 2027 17:20:00 GMT",
}


@responses.activate
def test_nothing_is_asked_again_before_it_expires_and_then_only_for_what_is_new():
    responses.get(URL, json=document(), headers=_HEADERS)
    service = _service()
    first = service.latest(NOW)
    assert service.latest(NOW + timedelta(minutes=30)) is first
    assert len(responses.calls) == 1
    request = responses.calls[0].request
    assert request.params == {"lat": "52.2000", "lon": "-6.4000", "altitude": "30"}
    assert CONTACT in request.headers["User-Agent"]
    assert "If-Modified-Since" not in request.headers

    responses.replace(responses.GET, URL, status=304)
    assert service.latest(NOW + timedelta(minutes=32)) is first
    assert responses.calls[1].request.headers["If-Modified-Since"] == _HEADERS["Last-Modified"]

    responses.replace(responses.GET, URL, json=document(), headers=_HEADERS, status=203)
    later = service.latest(NOW + timedelta(minutes=90))
    assert later is not first
    assert later.fetched_at == NOW + timedelta(minutes=90)


@responses.activate
def test_without_a_contact_it_is_not_asked_at_all():
    with pytest.raises(FetchError, match="contact") as caught:
        _service(contact="").latest(NOW)
    assert caught.value.retry is Retry.WHEN_MENDED
    assert len(responses.calls) == 0


@responses.activate
def test_an_answer_that_was_no_good_is_asked_for_again():
    responses.get(URL, json={"properties": {}}, headers=_HEADERS)
    service = _service()
    with pytest.raises(ShapeError):
        service.latest(NOW)
    responses.replace(responses.GET, URL, json=document(), headers=_HEADERS)
    assert service.latest(NOW + timedelta(minutes=1)).source == "MET Norway"


@pytest.mark.parametrize("status", [403, 404, 422, 429, 499, 500, 502])
@responses.activate
def test_its_error_bodies_are_plain_text(status):
    responses.get(URL, body="<h1>No</h1>", status=status, content_type="text/html")
    with pytest.raises(FetchError, match=f"got {status}"):
        _service().latest(NOW)


@responses.activate
def test_nothing_new_to_a_first_request_is_refused():
    responses.get(URL, status=304)
    with pytest.raises(FetchError, match="304"):
        _service().latest(NOW)
