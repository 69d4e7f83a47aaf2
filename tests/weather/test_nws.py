"""The US NWS: recorded grid points parse whole; intervals become hours; a changed shape is named."""

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import responses

from controller.errors import FetchError, ShapeError
from controller.site.model import ForecastService, Place
from controller.weather.nws import Nws, forecast_from, grid_path
from tests.weather.conftest import recorded, says

NOW = datetime(2027, 1, 14, 17, 20, tzinfo=UTC)
PLACE = Place(latitude_deg=30.02, longitude_deg=-84.98, elevation_m=4.0, time_zone="UTC")
BASE = "https://api.weather.gov"


def layer(uom, *intervals):
    values = [{"validTime": f"2027-01-{t}:00:00+00:00/{length}", "value": v} for t, length, v in intervals]
    return {"uom": uom, "values": values}


def document():
    return {
        "type": "Feature",
        "geometry": {
            "type": "Polygon",
            "coordinates": [[[-85.0, 30.0], [-85.0, 30.04], [-84.96, 30.04], [-84.96, 30.0], [-85.0, 30.0]]],
        },
        "properties": {
            "updateTime": "2027-01-14T15:00:00+00:00",
            "elevation": {"unitCode": "wmoUnit:m", "value": 4.0},
            "temperature": layer(
                "wmoUnit:degC", ("14T15", "PT3H", 4.0), ("14T18", "PT6H", 1.0), ("15T00", "P1DT12H", -2.0)
            ),
            "windSpeed": layer("wmoUnit:km_h-1", ("14T15", "P3D", 18.0)),
            "windGust": layer("wmoUnit:km_h-1", ("14T15", "PT4H", 36.0), ("14T19", "P3D", 18.0)),
            "skyCover": layer("wmoUnit:percent", ("14T15", "P3D", 50)),
            "quantitativePrecipitation": layer("wmoUnit:mm", ("14T18", "PT6H", 3.0)),
        },
    }


def first(properties):
    return properties["temperature"]["values"][0]


def test_intervals_become_hours_in_one_convention():
    forecast = forecast_from(document(), NOW, PLACE)
    begin_s = datetime(2027, 1, 14, 15, tzinfo=UTC).timestamp()
    np.testing.assert_array_equal(forecast.at_s, begin_s + 3600.0 * np.arange(45))
    np.testing.assert_array_equal(forecast.outside_temp_c, [4.0] * 3 + [1.0] * 6 + [-2.0] * 36)
    np.testing.assert_allclose(forecast.wind_m_s, 5.0)
    np.testing.assert_allclose(forecast.cloud_frac, 0.5)
    # a gust of the hour from 15 to 16 stands at 16, the end of that hour
    assert np.isnan(forecast.gust_m_s[0])
    np.testing.assert_allclose(forecast.gust_m_s[1:5], 10.0)
    np.testing.assert_allclose(forecast.gust_m_s[5:], 5.0)
    # 3 mm in the six hours from 18 to 24 are half a millimetre in each
    np.testing.assert_allclose(forecast.precipitation_mm[4:10], 0.5)
    assert np.isnan(forecast.precipitation_mm[[3, 10]]).all()
    assert set(forecast.missing) == {"dew_point_c", "shortwave_w_m2"}


@pytest.mark.parametrize(
    ("name", "now", "least_hours"),
    [
        ("nws_gridpoint_TAE_58_65_2022-02-04_unedited.json", datetime(2022, 2, 4, 4, tzinfo=UTC), 154),
        ("nws_gridpoint_FGZ_74_89_resolved_cold.json", None, 100),
    ],
)
def test_recorded_grid_points_parse_whole(name, now, least_hours):
    answer = json.loads(recorded(name))
    (west, south), *_ = answer["geometry"]["coordinates"][0]
    properties = answer["properties"]
    now = now or datetime.fromisoformat(properties["updateTime"]) + timedelta(minutes=30)
    place = Place(
        latitude_deg=south,
        longitude_deg=west,
        elevation_m=float(properties["elevation"]["value"]),
        time_zone="UTC",
    )
    forecast = forecast_from(answer, now, place)
    assert len(forecast.at_s) >= least_hours
    assert np.isfinite(forecast.outside_temp_c).all()
    assert forecast.outside_temp_c[0] == pytest.approx(properties["temperature"]["values"][0]["value"])
    assert forecast.missing == ("shortwave_w_m2",)


def test_a_recorded_place_leads_to_its_grid_point():
    assert grid_path(json.loads(recorded("nws_points_30_-85.json"))) == "/gridpoints/TAE/58,65"


@pytest.mark.parametrize(
    ("spoil", "pattern"),
    [
        (lambda p: p.pop("temperature"), says("properties.temperature.values", "intervals")),
        (lambda p: p["temperature"].update(uom="wmoUnit:degF"), says("temperature.uom", "degC", "degF")),
        (lambda p: p["temperature"].update(values={}), says("temperature.values", "an array")),
        (lambda p: first(p).update(validTime="2027-01-14T15:00:00+00:00"), says("validTime")),
        (lambda p: first(p).update(validTime="x/PT3H"), says("time with its offset", "'x'")),
        (lambda p: p.update(updateTime="2027-01-11T00:00:00+00:00"), says("model run")),
        (lambda p: p.update(elevation={"unitCode": "ft", "value": 4}), says("elevation.unitCode")),
        (lambda p: p.update(elevation=None), says("properties.elevation", "an object")),
    ],
)  # fmt: skip
def test_a_changed_shape_is_named(spoil, pattern):
    answer = document()
    spoil(answer["properties"])
    with pytest.raises(ShapeError, match=pattern):
        forecast_from(answer, NOW, PLACE)


@pytest.mark.parametrize(
    "properties",
    [
        {"gridId": "../x", "gridX": 1, "gridY": 2},
        {"gridId": "TAE", "gridX": "1/2", "gridY": 2},
        {"gridId": "TAE", "gridX": True, "gridY": 2},
        {"gridId": None, "gridX": 1, "gridY": 2},
        {"gridId": "TAE", "gridX": 1},
    ],
)
def test_a_place_leads_nowhere_else(properties):
    with pytest.raises(ShapeError, match=r"properties\.grid"):
        grid_path({"properties": properties})


def test_a_grid_index_may_be_a_text():
    answer = {"properties": {"gridId": "TAE", "gridX": "58", "gridY": 65}}
    assert grid_path(answer) == "/gridpoints/TAE/58,65"


@responses.activate
def test_a_place_is_resolved_once_and_again_when_the_grid_is_gone():
    points = {"properties": {"gridId": "TAE", "gridX": 58, "gridY": 65}}
    place = f"{BASE}/points/30.0200,-84.9800"
    grid = f"{BASE}/gridpoints/TAE/58,65"
    responses.get(place, json=points, content_type="application/geo+json")
    responses.get(grid, json=document(), headers={"Cache-Control": "public, max-age=750"})
    service = Nws(ForecastService(kind="nws"), PLACE, "mailto:g@curlew-yard.example")
    first = service.latest(NOW)
    assert service.latest(NOW + timedelta(minutes=10)) is first
    assert service.latest(NOW + timedelta(minutes=13)) is not first
    assert [call.request.url for call in responses.calls] == [place, grid, grid]

    responses.replace(responses.GET, grid, status=404, json={"title": "Not Found", "detail": "No such grid"})
    with pytest.raises(FetchError, match="No such grid"):
        service.latest(NOW + timedelta(minutes=30))
    with pytest.raises(FetchError):
        service.latest(NOW + timedelta(minutes=31))
    assert [call.request.url for call in responses.calls][-2:] == [place, grid]


@pytest.mark.parametrize("name", ["nws_error_503_grid_expired.json", "nws_error_503_unavailable.json"])
@responses.activate
def test_recorded_errors_are_repeated(name):
    body = recorded(name)
    responses.get(
        f"{BASE}/points/30.0200,-84.9800", body=body, status=503, content_type="application/problem+json"
    )
    service = Nws(ForecastService(kind="nws"), PLACE, "mailto:g@curlew-yard.example")
    with pytest.raises(FetchError, match=json.loads(body)["detail"][:30]):
        service.latest(NOW)


def test_a_problem_with_a_good_status_is_no_forecast():
    with pytest.raises(FetchError, match="in trouble"):
        forecast_from({"status": 503, "detail": "The requested forecast grid has expired."}, NOW, PLACE)
