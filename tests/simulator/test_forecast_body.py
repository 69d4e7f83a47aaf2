import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from controller.weather.open_meteo import forecast_from
from simulator.forecast_body import (
    USUAL_QUERY,
    WRONG_BODIES,
    BadQueryError,
    Query,
    forecast_body,
    latest_run,
    temperature_error_k,
)
from simulator.night import ForecastFault

NOW = datetime(2027, 1, 15, 16, 20, tzinfo=UTC)
TRUE = ForecastFault()
FIXTURES = Path(__file__).parents[3] / "shared" / "forecast-fixtures"


@pytest.fixture
def said(clear_sky, place):
    def say(fault=TRUE, now=NOW, query=USUAL_QUERY, faults=(), seed=3):
        return forecast_body(clear_sky, place, fault, seed, now, query, faults)

    return say


def asked(text):
    return Query.of(f"latitude=52.2&longitude=-6.4&{text}")


def test_hours_run_from_midnight_two_days_ago_through_four_days(said):
    hours = said()["hourly"]["time"]
    assert hours[0] == datetime(2027, 1, 13, tzinfo=UTC).timestamp()
    assert np.all(np.diff(hours) == 3600)
    assert len(hours) == 24 * 6


def test_without_error_the_forecast_is_the_truth_to_a_tenth(said, clear_sky):
    hourly = said()["hourly"]
    for second, temp_c, wind in zip(
        hourly["time"], hourly["temperature_2m"], hourly["wind_speed_10m"], strict=True
    ):
        truth = clear_sky.at(datetime.fromtimestamp(second, tz=UTC))
        assert temp_c == pytest.approx(truth.outside_temp_c, abs=0.0501)
        assert wind == pytest.approx(truth.wind_m_s, abs=0.00501)


def test_sunshine_is_the_mean_of_the_hour_before_the_stamp(said, clear_sky):
    hourly = said()["hourly"]
    index = hourly["time"].index(int(datetime(2027, 1, 15, 10, tzinfo=UTC).timestamp()))
    nine = datetime(2027, 1, 15, 9, tzinfo=UTC)
    minutes = [clear_sky.at(nine + timedelta(minutes=m + 0.5)).shortwave_w_m2 for m in range(60)]
    assert hourly["shortwave_radiation"][index] == pytest.approx(np.mean(minutes), abs=0.3)
    assert hourly["direct_radiation"][index] + hourly["diffuse_radiation"][index] == pytest.approx(
        hourly["shortwave_radiation"][index], abs=0.11
    )


def test_bias_moves_every_hour_by_as_much(said):
    true, warm = (
        np.array(said(fault)["hourly"]["temperature_2m"]) for fault in (TRUE, ForecastFault(bias_k=1.5))
    )
    assert warm - true == pytest.approx(np.full(len(true), 1.5), abs=0.101)


def test_random_error_has_the_asked_deviation_a_day_ahead_and_grows_with_the_lead(clear_sky):
    run_s = latest_run(NOW).timestamp()
    leads_s = np.array([24.0, 96.0]) * 3600.0
    errors_k = np.array(
        [
            temperature_error_k(
                clear_sky, ForecastFault(bias_k=5.0, noise_k=1.0), seed, run_s, run_s + leads_s
            )
            for seed in range(600)
        ]
    )
    # 600 draws know a deviation to about 3 %
    assert errors_k.std(axis=0) == pytest.approx([1.0, 2.0], rel=0.12)
    assert errors_k.mean(axis=0) == pytest.approx([5.0, 5.0], abs=0.3)


def test_one_run_says_the_same_at_every_request_and_the_next_something_close(said):
    noisy = ForecastFault(noise_k=1.0)
    first, again = said(noisy, now=NOW), said(noisy, now=NOW + timedelta(minutes=5))
    later = said(noisy, now=NOW + timedelta(hours=6))
    assert first == again
    a, b = (np.array(body["hourly"]["temperature_2m"]) for body in (first, later))
    assert 0.05 < np.abs(a - b).mean() < 2.0


def test_a_run_is_served_two_and_a_half_hours_after_it_began():
    assert latest_run(datetime(2027, 1, 15, 14, 29, tzinfo=UTC)) == datetime(2027, 1, 15, 6, tzinfo=UTC)
    assert latest_run(datetime(2027, 1, 15, 14, 30, tzinfo=UTC)) == datetime(2027, 1, 15, 12, tzinfo=UTC)


def test_units_and_stamps_are_those_asked_for(said):
    plain = said(query=asked("hourly=temperature_2m,wind_speed_10m&forecast_days=1"))
    asked_otherwise = said(
        query=asked(
            "hourly=temperature_2m,wind_speed_10m&temperature_unit=fahrenheit&wind_speed_unit=kn&forecast_days=1"
        )
    )
    assert plain["hourly_units"] == {"time": "iso8601", "temperature_2m": "°C", "wind_speed_10m": "km/h"}
    assert asked_otherwise["hourly_units"] == {
        "time": "iso8601",
        "temperature_2m": "°F",
        "wind_speed_10m": "kn",
    }
    assert plain["hourly"]["time"][:2] == ["2027-01-15T00:00", "2027-01-15T01:00"]
    for c, f in zip(
        plain["hourly"]["temperature_2m"], asked_otherwise["hourly"]["temperature_2m"], strict=True
    ):
        assert f == pytest.approx(c * 1.8 + 32, abs=0.15)
    for kmh, kn in zip(
        plain["hourly"]["wind_speed_10m"], asked_otherwise["hourly"]["wind_speed_10m"], strict=True
    ):
        assert kn == pytest.approx(kmh / 1.852, abs=0.01)  # a knot is 1.852 km/h by definition


def test_keys_stand_in_the_order_of_a_recorded_answer(said):
    recorded = FIXTURES / "openmeteo_forecast_newjersey_2025-12-28_14d.json"
    if not recorded.exists():
        pytest.skip("the recorded answer is not here")
    order = [key for key in json.loads(recorded.read_text()) if not key.startswith(("current", "daily"))]
    names = json.loads(recorded.read_text())["hourly_units"]
    known = [name for name in names if name in USUAL_QUERY.hourly]
    body = said(query=asked(f"hourly={','.join(known)}"))
    assert list(body) == order
    for name in known:
        assert body["hourly_units"][name] == names[name]


def test_elevation_is_echoed_and_left_out_where_it_is_no_number(said, place):
    assert said()["elevation"] == place.elevation_m
    assert said(query=asked("hourly=temperature_2m&elevation=130"))["elevation"] == 130.0
    assert "elevation" not in said(query=asked("hourly=temperature_2m&elevation=nan"))


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("latitude=52&hourly=temperature_2m", "longitude"),
        ("latitude=52&longitude=x", "Float"),
        ("latitude=52&longitude=-6&hourly=warmth", "warmth"),
        ("latitude=52&longitude=-6&wind_speed_unit=furlongs", "furlongs"),
        ("latitude=52&longitude=-6&forecast_days=17", "forecast_days"),
        ("latitude=52&longitude=-6&timezone=Europe/Dublin", "GMT"),
    ],
)
def test_what_it_does_not_have_is_refused_with_a_reason(text, reason):
    with pytest.raises(BadQueryError, match=reason):
        Query.of(text)


def test_a_stalled_service_says_what_it_said_two_days_ago(said):
    noisy = ForecastFault(noise_k=1.0)
    now = NOW.replace(hour=18)
    stale = said(noisy, now=now, faults={"stale"})["hourly"]
    old = said(noisy, now=now - timedelta(days=2))["hourly"]
    shared = sorted(set(stale["time"]) & set(old["time"]))
    assert len(shared) == 24 * 4
    for second in shared:
        a = stale["temperature_2m"][stale["time"].index(second)]
        assert a == pytest.approx(old["temperature_2m"][old["time"].index(second)])
    assert stale != said(noisy, now=now)["hourly"]


def test_each_wrong_body_is_wrong_in_its_own_way(said):
    sound = said()
    wrong = {name: said(faults={name}) for name in WRONG_BODIES if name != "stale"}
    temps = {name: body["hourly"]["temperature_2m"] for name, body in wrong.items()}
    assert temps["null-tail"][-48:] == [None] * 48
    assert temps["null-tail"][:-48] == sound["hourly"]["temperature_2m"][:-48]
    assert set(temps["undefined"]) == {None}
    assert wrong["undefined"]["hourly_units"]["temperature_2m"] == "undefined"
    assert wrong["wrong-units"]["hourly_units"]["temperature_2m"] == "°F"
    assert len(temps["wrong-length"]) == len(sound["hourly"]["time"]) - 1
    assert wrong["repeated-hours"]["hourly"]["time"][-1] == wrong["repeated-hours"]["hourly"]["time"][-2]
    assert wrong["old-hours"]["hourly"]["time"][-1] == sound["hourly"]["time"][-1] - 4 * 86400


def test_a_body_without_temperature_is_not_spoiled(said):
    query = asked("hourly=cloud_cover")
    assert said(query=query, faults=set(WRONG_BODIES) - {"old-hours", "stale"}) == said(query=query)
    assert "hourly" not in said(query=asked(""))


def test_rimewards_own_client_reads_it_and_finds_the_truth(said, place, clear_sky):
    forecast = forecast_from(said(), NOW, place)
    assert forecast.missing == ()
    hours = [datetime.fromtimestamp(second, tz=UTC) for second in forecast.at_s]
    truth_c = [clear_sky.at(hour).outside_temp_c for hour in hours]
    assert forecast.outside_temp_c == pytest.approx(truth_c, abs=0.0501)
    assert forecast.cloud_frac == pytest.approx([clear_sky.at(hour).cloud_frac for hour in hours], abs=0.006)


def test_clear_calm_nights_can_be_promised_too_warm(clear_sky, clear_calm, curlew_yard):
    night = clear_calm.start_utc(curlew_yard).timestamp() + 3600.0 * np.arange(-6, 15)
    fault = ForecastFault(clear_night_bias_k=3.0)
    error = temperature_error_k(clear_sky, fault, 1, night[0], night)
    assert np.all(error[:4] == 0.0)  # the day before is neither clear nor dark
    assert error[-5:].min() > 2.0
    assert error.max() <= 3.0


def test_busts_are_as_frequent_as_was_asked_and_last_a_night(clear_sky):
    at_s = clear_sky.begin.timestamp() + 3600.0 * np.arange(24 * 400)
    fault = ForecastFault(bust_chance=0.1, bust_k=7.0)
    error = temperature_error_k(clear_sky, fault, 5, at_s[0], at_s)
    worst = np.abs(error[: 24 * 399].reshape(399, 24)).max(axis=1)
    assert 20 < (worst > 6.0).sum() < 100  # each bust spans two calendar days
    assert np.abs(error).max() <= 7.0
    assert error.min() < -6.0 < 6.0 < error.max()
    again = temperature_error_k(
        clear_sky, ForecastFault(bust_chance=0.1, bust_k=7.0), 5, at_s[0], at_s[50:60]
    )
    assert np.array_equal(again, error[50:60])
