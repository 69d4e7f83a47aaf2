"""Open-Meteo's form: what its documentation promises is read exactly, everything else is named."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import responses

from controller.errors import FetchError, ForecastError, Retry, ShapeError
from controller.site.model import ForecastService, Place
from controller.weather.fetch import parse_json
from controller.weather.open_meteo import ATTRIBUTION, HOURLY, OpenMeteo, forecast_from
from tests.weather.conftest import DAY_S, NOW, PLACE, as_asked, open_meteo_document, recorded, says

URL = "https://api.open-meteo.com/v1/forecast"


def test_each_column_becomes_its_field_in_its_unit():
    document = open_meteo_document()
    forecast = forecast_from(document, NOW, PLACE)
    hourly = document["hourly"]
    np.testing.assert_array_equal(forecast.at_s, hourly["time"])
    np.testing.assert_array_equal(forecast.outside_temp_c, hourly["temperature_2m"])
    np.testing.assert_array_equal(forecast.dew_point_c, np.minimum(-3.0, hourly["temperature_2m"]))
    np.testing.assert_allclose(forecast.cloud_frac, 0.1)
    np.testing.assert_array_equal(forecast.wind_m_s, 1.5)
    np.testing.assert_array_equal(forecast.gust_m_s, 3.5)
    np.testing.assert_array_equal(forecast.shortwave_w_m2, hourly["shortwave_radiation"])
    np.testing.assert_array_equal(forecast.precipitation_mm, 0.0)
    assert forecast.missing == ()
    assert forecast.fetched_at == NOW
    assert "Open-Meteo.com" in forecast.attribution


def test_nulls_at_the_end_end_the_forecast():
    document = open_meteo_document()
    document["hourly"]["temperature_2m"][-20:] = [None] * 20
    forecast = forecast_from(document, NOW, PLACE)
    assert len(forecast.at_s) == 76
    assert np.isfinite(forecast.outside_temp_c).all()


def test_a_hole_stays_a_hole():
    document = open_meteo_document()
    document["hourly"]["temperature_2m"][30] = None
    forecast = forecast_from(document, NOW, PLACE)
    assert np.isnan(forecast.outside_temp_c[30])
    assert len(forecast.at_s) == 96


def test_a_quantity_the_model_does_not_have_is_missing_and_not_zero():
    document = open_meteo_document()
    document["hourly_units"]["shortwave_radiation"] = "undefined"
    document["hourly"]["shortwave_radiation"] = [None] * 96
    document["hourly"]["cloud_cover"] = [None] * 96
    forecast = forecast_from(document, NOW, PLACE)
    assert forecast.missing == ("cloud_frac", "shortwave_w_m2")
    assert np.isnan(forecast.shortwave_w_m2).all()


@pytest.mark.parametrize(
    ("name", "value", "field"),
    [
        ("dew_point_2m", 20.0, "dew_point_c"),
        ("wind_speed_10m", -1.0, "wind_m_s"),
        ("wind_gusts_10m", 400.0, "gust_m_s"),
        ("cloud_cover", 130, "cloud_frac"),
        ("shortwave_radiation", -50.0, "shortwave_w_m2"),
        ("precipitation", -1.0, "precipitation_mm"),
    ],
)
def test_a_quantity_that_is_impossible_is_taken_out_and_the_temperature_kept(name, value, field):
    document = open_meteo_document()
    document["hourly"][name][40] = value
    forecast = forecast_from(document, NOW, PLACE)
    assert forecast.missing == (field,)
    np.testing.assert_array_equal(forecast.outside_temp_c, document["hourly"]["temperature_2m"])


def test_a_dew_point_lifted_over_the_temperature_by_rounding_is_the_temperature():
    document = open_meteo_document()
    document["hourly"]["dew_point_2m"][40] = document["hourly"]["temperature_2m"][40] + 0.1
    forecast = forecast_from(document, NOW, PLACE)
    assert forecast.dew_point_c[40] == forecast.outside_temp_c[40]
    assert forecast.missing == ()


def test_temperatures_are_brought_to_the_height_of_the_site():
    # ICAO standard atmosphere: 6.5 K per km
    document = open_meteo_document()
    document["elevation"] = 130.0
    forecast = forecast_from(document, NOW, PLACE)
    np.testing.assert_allclose(
        forecast.outside_temp_c, np.array(document["hourly"]["temperature_2m"]) + 0.65, atol=1e-12
    )


def _spoil(document, path, value):
    *parents, last = path
    for key in parents:
        document = document[key]
    if value is None:
        del document[last]
    else:
        document[last] = value
    return document


@pytest.mark.parametrize(
    ("path", "value", "pattern"),
    [
        (("hourly",), None, says("hourly", "an object", "None")),
        (("hourly_units",), None, says("hourly_units", "an object", "None")),
        (("hourly", "time"), None, says("hourly.time", "an array", "None")),
        (("hourly", "temperature_2m"), None, says("hourly.temperature_2m", "an array", "None")),
        (("hourly", "temperature_2m"), [1.0] * 95, says("temperature_2m", "96 values", "95")),
        (("hourly", "temperature_2m"), [None] * 96, says("temperature", "18 hours", "got 0")),
        (("hourly", "temperature_2m", 7), "2.0", says("temperature_2m[7]", "a number", "'2.0'")),
        (("hourly", "temperature_2m", 7), True, says("temperature_2m[7]", "a number", "True")),
        (("hourly", "temperature_2m", 7), 280.0, says("temperature[7]", "-60 to 60", "280 °C")),
        (("hourly_units", "temperature_2m"), "°F", says("hourly_units.temperature_2m", "°C", "°F")),
        (("hourly_units", "temperature_2m"), "undefined", says("temperature_2m", "°C", "undefined")),
        (("hourly_units", "wind_speed_10m"), "km/h", says("hourly_units.wind_speed_10m", "m/s", "km/h")),
        (("hourly_units", "time"), "iso8601", says("hourly_units.time", "unixtime", "iso8601")),
        (("utc_offset_seconds",), 3600, says("utc_offset_seconds", "0", "3600")),
        (("latitude",), -6.4, says("latitude, longitude", "50 km", "km away")),
        (("latitude",), 99.0, says("latitude, longitude", "a point on Earth", "99")),
        (("longitude",), None, says("longitude", "a number", "None")),
        (("elevation",), None, says("elevation", "a number", "None")),
        (("elevation",), 2000.0, says("elevation", "500 m", "30 m", "2000 m")),
        (("hourly", "time", 5), int(DAY_S) + 4 * 3600, says("time[5]", "3600 s")),
        (("hourly", "time", 5), int(DAY_S) + 5 * 3600 + 60, says("time[5]", "3600 s")),
        (("hourly", "time", 5), None, says("hourly.temperature_2m", "95 values", "96")),
    ],
)
def test_a_changed_shape_is_named(path, value, pattern):
    document = open_meteo_document()
    _spoil(document, path, value)
    with pytest.raises(ShapeError, match=pattern):
        forecast_from(document, NOW, PLACE)


def test_a_null_among_the_times_is_refused():
    document = open_meteo_document()
    document["hourly"]["time"][3] = None
    with pytest.raises(ShapeError, match="time: expected at least 18 hours, got 95"):
        forecast_from(document, NOW, PLACE)


@pytest.mark.parametrize("document", [[], None, "x", 3.0, [open_meteo_document()]])
def test_an_answer_that_is_no_object_is_refused(document):
    with pytest.raises(ShapeError, match="answer: expected an object"):
        forecast_from(document, NOW, PLACE)


@pytest.mark.parametrize("days", [-4.0, 0.7, 3.1, 30.0])
def test_a_forecast_of_another_day_is_refused(days):
    now = NOW + timedelta(days=days)
    document = open_meteo_document(hours=48 if days == 0.7 else 96)
    with pytest.raises(ShapeError, match=r"time\[0\]|18 hours after"):
        forecast_from(document, now + timedelta(hours=1), PLACE)


def test_a_refusal_within_a_good_status_says_why():
    with pytest.raises(ForecastError, match="refused: 'Cannot initialize") as caught:
        forecast_from({"error": True, "reason": "Cannot initialize"}, NOW, PLACE)
    assert caught.value.retry is Retry.WHEN_MENDED


# ---- real recorded answers ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "now", "hours", "coldest_c"),
    [
        (
            "openmeteo_forecast_newjersey_2025-12-28_14d.json",
            datetime(2025, 12, 28, 23, tzinfo=UTC),
            336,
            -10.4,
        ),
        (
            "openmeteo_forecast_toronto_2026-03-05_DSTspan_fahrenheit.json",
            datetime(2026, 3, 6, 2, tzinfo=UTC),
            192,
            None,
        ),
    ],
)
def test_recorded_answers_parse_whole(name, now, hours, coldest_c):
    document = as_asked(recorded(name))
    for missing in HOURLY.keys() - document["hourly"].keys():
        document["hourly_units"][missing] = "undefined"
    place = Place(
        latitude_deg=document["latitude"],
        longitude_deg=document["longitude"],
        elevation_m=document["elevation"],
        time_zone="UTC",
    )
    forecast = forecast_from(document, now, place)
    assert len(forecast.at_s) == hours
    assert np.isfinite(forecast.outside_temp_c).all()
    assert "shortwave_w_m2" in forecast.missing
    if coldest_c is not None:
        assert forecast.outside_temp_c.min() == pytest.approx(coldest_c)


def test_a_recorded_tail_of_nulls_is_no_forecast():
    document = as_asked(recorded("openmeteo_forecast_16d_null_tail.json"))
    place = Place(latitude_deg=52.276, longitude_deg=6.873, elevation_m=29.0, time_zone="UTC")
    with pytest.raises(ShapeError):
        forecast_from(document, datetime(2026, 10, 18, 21, tzinfo=UTC), place)


def test_recorded_bodies_that_are_not_json_are_refused():
    for name in (
        "openmeteo_http200_nan_body_NOT_JSON.txt",
        "openmeteo_http200_truncated_stream_NOT_JSON.txt",
    ):
        with pytest.raises(ValueError, match=r"not JSON|at character"):
            parse_json(recorded(name).encode())


# ---- the request --------------------------------------------------------------------------------------


@responses.activate
def test_the_request_says_who_asks_and_what_for():
    responses.get(URL, json=open_meteo_document())
    OpenMeteo(ForecastService(kind="open-meteo"), PLACE, "mailto:grower@curlew-yard.example").latest(NOW)
    request = responses.calls[0].request
    assert request.headers["User-Agent"].startswith("rimeward/")
    assert request.headers["User-Agent"].endswith("grower@curlew-yard.example")
    params = request.params
    assert params["latitude"] == "52.2000"
    assert params["longitude"] == "-6.4000"
    assert params["timezone"] == "GMT"
    assert params["timeformat"] == "unixtime"
    assert params["wind_speed_unit"] == "ms"
    assert set(params["hourly"].split(",")) == set(HOURLY)
    assert "apikey" not in params


@responses.activate
def test_a_key_is_sent_and_never_shown(tmp_path: Path):
    key_file = tmp_path / "key"
    key_file.write_text("s3cret-k3y\n")
    responses.get(
        "https://customer-api.example/v1/forecast",
        status=401,
        json={"error": True, "reason": "The key is wrong"},
    )
    service = OpenMeteo(
        ForecastService(kind="open-meteo", base_url="https://customer-api.example", key_file=str(key_file)),
        PLACE,
    )
    with pytest.raises(FetchError, match="The key is wrong") as caught:
        service.latest(NOW)
    assert responses.calls[0].request.params["apikey"] == "s3cret-k3y"
    assert "s3cret" not in str(caught.value)
    assert caught.value.retry is Retry.WHEN_MENDED


@pytest.mark.parametrize("content", [None, b"", b"two words", b"\xff\xfe", b"x" * 300])
def test_a_key_file_without_one_key_is_named(tmp_path: Path, content):
    key_file = tmp_path / "key"
    if content is not None:
        key_file.write_bytes(content)
    service = OpenMeteo(ForecastService(kind="open-meteo", key_file=str(key_file)), PLACE)
    with pytest.raises(FetchError, match="key_file"):
        service.latest(NOW)


@pytest.mark.parametrize(
    ("name", "status", "retry"),
    [
        ("openmeteo_error_400_bad_variable.json", 400, Retry.WHEN_MENDED),
        ("openmeteo_error_400_no_data_location.json", 400, Retry.WHEN_MENDED),
        ("openmeteo_error_429_minutely.json", 429, Retry.NEXT_MINUTE),
        ("openmeteo_error_429_hourly.json", 429, Retry.NEXT_HOUR),
        ("openmeteo_error_429_daily.json", 429, Retry.NEXT_DAY),
        ("openmeteo_error_429_concurrent.json", 429, Retry.NEXT_MINUTE),
        ("openmeteo_error_503_overloaded.json", 503, Retry.SOON),
        ("openmeteo_502_nginx.html", 502, Retry.SOON),
    ],
)
@responses.activate
def test_every_documented_error_body_is_repeated_and_tells_when_to_ask_again(name, status, retry):
    body = recorded(name)
    responses.get(URL, status=status, body=body, content_type="text/html" if name.endswith("html") else None)
    with pytest.raises(FetchError, match=f"got {status}") as caught:
        OpenMeteo(ForecastService(kind="open-meteo"), PLACE).latest(NOW)
    assert caught.value.retry is retry
    if name.endswith("json"):
        assert json.loads(body)["reason"][:100] in str(caught.value)


def test_the_attribution_names_the_licence():
    assert "CC BY 4.0" in ATTRIBUTION
