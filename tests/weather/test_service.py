"""One forecast for the rest of Rimeward, whatever the services do."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from controller.errors import FetchError, ForecastError, Retry, ShapeError
from controller.site.model import ForecastService
from controller.weather import service as module
from controller.weather.open_meteo import forecast_from
from controller.weather.service import Forecasts, ask_again_at
from controller.weather.store import LastGood
from tests.weather.conftest import NOW, PLACE, open_meteo_document


class Stand:
    """A service that answers as the test says, and counts how often it is asked."""

    def __init__(self, name):
        self.name = name
        self.error = None
        self.asked = 0
        self.add_k = 0.0

    def latest(self, now):
        self.asked += 1
        if self.error is not None:
            raise self.error
        forecast = forecast_from(open_meteo_document(), now, PLACE, source=self.name)
        return replace(forecast, outside_temp_c=forecast.outside_temp_c + self.add_k)


@pytest.fixture
def stands():
    return [Stand("first"), Stand("second")]


@pytest.fixture
def forecasts(curlew_yard, stands, tmp_path, monkeypatch):
    waiting = iter(stands)
    monkeypatch.setitem(module.MAKERS, "open-meteo", lambda *_: next(waiting))
    services = (ForecastService(kind="open-meteo"),) * 2
    site = curlew_yard.model_copy(
        update={"forecast": curlew_yard.forecast.model_copy(update={"services": services})}
    )
    return Forecasts(site, tmp_path)


def test_the_first_service_that_answers_is_taken(forecasts, stands):
    forecast, fresh = forecasts.latest(NOW)
    assert (forecast.source, fresh, forecasts.trouble) == ("first", True, "")
    assert stands[1].asked == 1  # for a second opinion


def test_the_second_stands_in_for_the_first(forecasts, stands):
    stands[0].error = ShapeError("hourly: expected an object, got None")
    forecast, fresh = forecasts.latest(NOW)
    assert (forecast.source, fresh) == ("second", True)
    assert "hourly: expected an object" in forecasts.trouble


def test_services_that_disagree_are_told_and_kept_so(forecasts, stands, tmp_path):
    stands[1].add_k = -4.0
    forecast, _ = forecasts.latest(NOW)
    assert "4.0 K colder" in forecast.remark
    assert forecast.spread_k.min() > 2.0
    again = LastGood(tmp_path / "forecast.json").recall()
    assert again.remark == forecast.remark
    np.testing.assert_array_equal(again.spread_k, forecast.spread_k)


def test_a_seller_of_fruit_does_not_use_a_host_for_hobby_growers(curlew_yard, tmp_path):
    settings = curlew_yard.forecast.model_copy(
        update={"use": "commercial", "services": (ForecastService(kind="open-meteo"),)}
    )
    forecasts = Forecasts(curlew_yard.model_copy(update={"forecast": settings}), tmp_path)
    with pytest.raises(ForecastError, match=r"non-commercial use.*met-norway") as caught:
        forecasts.latest(NOW)
    assert "key_file" in str(caught.value)


@pytest.mark.parametrize(
    ("service", "hobby"),
    [
        (ForecastService(kind="open-meteo"), True),
        (ForecastService(kind="open-meteo-ensemble"), True),
        (ForecastService(kind="open-meteo", key_file="/etc/key"), False),
        (ForecastService(kind="open-meteo", base_url="http://own.example"), False),
        (ForecastService(kind="met-norway"), False),
        (ForecastService(kind="nws"), False),
    ],
)
def test_which_hosts_are_for_hobby_growers_only(service, hobby):
    assert service.is_free_for_hobby_only is hobby


def test_the_last_good_one_stands_and_its_age_is_told(forecasts, stands):
    forecasts.latest(NOW)
    for stand in stands:
        stand.error = FetchError(f"{stand.name}: no answer in time")
    forecast, fresh = forecasts.latest(NOW + timedelta(hours=5))
    assert (forecast.source, fresh) == ("first", False)
    assert "5 h ago" in forecasts.trouble
    assert "first: no answer in time; second: no answer in time" in forecasts.trouble
    stands[0].error = None
    assert forecasts.latest(NOW + timedelta(hours=6))[1] is True
    assert forecasts.trouble == "second: no answer in time"
    stands[1].error = None
    assert forecasts.latest(NOW + timedelta(hours=7))[1] is True
    assert forecasts.trouble == ""


def test_an_old_forecast_gets_a_wide_spread(forecasts, stands):
    forecasts.latest(NOW)
    stands[0].error = stands[1].error = FetchError("no answer in time")
    assert forecasts.latest(NOW + timedelta(hours=5))[0].spread_k.max() == 0.0  # the two services agreed
    forecast, _ = forecasts.latest(NOW + timedelta(hours=18))
    np.testing.assert_allclose(forecast.spread_k, 1.0)  # half a kelvin for each six hours beyond six


def test_a_service_that_says_the_same_for_half_a_day_has_stalled(forecasts, stands):
    stands[1].add_k = 0.5
    for hour in range(13):
        forecasts.latest(NOW + timedelta(hours=hour))
        stands[1].add_k += 0.1
        assert forecasts.trouble == ""
    forecast, fresh = forecasts.latest(NOW + timedelta(hours=13))
    assert fresh
    assert "first: the same forecast for 13 h" in forecasts.trouble.replace("open-meteo", "first")
    assert forecasts.trouble.count("stalled") == 1
    assert forecast.spread_k.min() > 0.5
    stands[0].add_k = 0.3
    forecasts.latest(NOW + timedelta(hours=14))
    assert forecasts.trouble == ""


def test_the_last_good_one_outlives_a_restart(curlew_yard, forecasts, stands, tmp_path, monkeypatch):
    forecasts.latest(NOW)
    dead = Stand("dead")
    dead.error = FetchError("dead: no connection")
    monkeypatch.setitem(module.MAKERS, "open-meteo", lambda *_: dead)
    again = Forecasts(curlew_yard, tmp_path)
    forecast, fresh = again.latest(NOW + timedelta(minutes=30))
    assert (forecast.source, fresh) == ("first", False)
    assert "30 min ago" in again.trouble


def test_a_last_good_one_that_ends_too_soon_is_no_forecast(forecasts, stands):
    forecast, _ = forecasts.latest(NOW)
    for stand in stands:
        stand.error = FetchError("no answer in time")
    last_use = forecast.ends_at - timedelta(hours=6)
    assert forecasts.latest(last_use)[1] is False
    with pytest.raises(ForecastError, match="ends too soon"):
        forecasts.latest(last_use + timedelta(minutes=30))
    assert forecasts.trouble.startswith("no forecast")


def test_nothing_at_all_is_an_error_that_says_why(forecasts, stands):
    for stand in stands:
        stand.error = FetchError(f"{stand.name}: no connection")
    with pytest.raises(ForecastError, match="first: no connection; second: no connection"):
        forecasts.latest(NOW)


def test_no_service_named_is_said(curlew_yard, tmp_path):
    site = curlew_yard.model_copy(
        update={"forecast": curlew_yard.forecast.model_copy(update={"services": ()})}
    )
    forecasts = Forecasts(site, tmp_path)
    with pytest.raises(ForecastError, match="no forecast service is named"):
        forecasts.latest(NOW)
    assert "probes alone" in forecasts.trouble


def test_a_service_that_asks_for_patience_gets_it(forecasts, stands):
    stands[0].error = FetchError("429", Retry.NEXT_HOUR)
    stands[1].error = FetchError("403", Retry.WHEN_MENDED)
    for minute in (0, 10, 30):
        with pytest.raises(ForecastError):
            forecasts.latest(NOW + timedelta(minutes=minute))
    assert [stand.asked for stand in stands] == [1, 1]
    with pytest.raises(ForecastError):
        forecasts.latest(NOW + timedelta(minutes=46))
    assert [stand.asked for stand in stands] == [2, 1]
    with pytest.raises(ForecastError):
        forecasts.latest(NOW + timedelta(hours=8))
    assert stands[1].asked == 2


def test_a_clock_set_back_does_not_silence_a_service(forecasts, stands):
    stands[0].error = stands[1].error = FetchError("no connection")
    with pytest.raises(ForecastError):
        forecasts.latest(NOW)
    with pytest.raises(ForecastError):
        forecasts.latest(NOW - timedelta(days=300))
    assert stands[0].asked == 2


@pytest.mark.parametrize(
    ("retry", "failures", "earliest", "latest"),
    [
        (Retry.SOON, 1, timedelta(seconds=60), timedelta(seconds=72)),
        (Retry.SOON, 3, timedelta(seconds=240), timedelta(seconds=288)),
        (Retry.SOON, 50, timedelta(seconds=900), timedelta(seconds=1080)),
        (Retry.NEXT_MINUTE, 1, timedelta(seconds=60), timedelta(seconds=72)),
        (Retry.NEXT_HOUR, 1, timedelta(minutes=40), timedelta(minutes=41)),
        (Retry.NEXT_DAY, 1, timedelta(hours=6, minutes=40), timedelta(hours=6, minutes=45)),
        (Retry.WHEN_MENDED, 1, timedelta(hours=6), timedelta(hours=7.2)),
    ],
)
def test_when_to_ask_again_follows_the_cause(retry, failures, earliest, latest):
    now = datetime(2027, 1, 14, 17, 20, tzinfo=UTC)
    assert ask_again_at(retry, failures, now, 0.0) == now + earliest
    assert now + earliest <= ask_again_at(retry, failures, now, 1.0) <= now + latest
