"""Runs kept, readings taken in once an hour, all of it kept on disk; and the forecast that comes of it."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from controller.weather.fallback import SOURCE
from controller.weather.open_meteo import forecast_from
from controller.weather.site_weather import FILE_NAME, SiteWeather
from tests.weather.conftest import NOW, PLACE, open_meteo_document


def forecast(at=NOW):
    """A forecast fetched at a time, as the service would give it on that day."""
    days = (at.date() - NOW.date()).days
    document = open_meteo_document()
    document["hourly"]["time"] = [t + 86400 * days for t in document["hourly"]["time"]]
    return forecast_from(document, at, PLACE)


def lived(tmp_path, hours, *, off_k):
    """Pull a forecast every hour and read what it says, plus an error."""
    weather = SiteWeather(PLACE, tmp_path)
    for hour in range(hours):
        now = NOW + timedelta(hours=hour)
        issued = forecast(now)
        said_c = float(np.interp(now.timestamp(), issued.at_s, issued.outside_temp_c))
        weather.learn(now, said_c + off_k)
        weather.corrected(issued, now, said_c + off_k)
    return weather, NOW + timedelta(hours=hours)


def test_untaught_and_unread_it_changes_no_temperature(tmp_path):
    issued = forecast()
    moved, out = SiteWeather(PLACE, tmp_path).corrected(issued, NOW)
    assert moved.outside_temp_c.tolist() == issued.outside_temp_c.tolist()
    assert moved.source == "Open-Meteo, corrected for this site"
    assert (moved.spread_k > 1.0).all()
    assert out.at_s is issued.at_s


def test_a_site_that_is_always_colder_is_expected_colder(tmp_path):
    weather, now = lived(tmp_path, 24 * 10, off_k=-2.5)
    issued = forecast(now)
    moved, _ = weather.corrected(issued, now)
    night = (issued.at_s > now.timestamp()) & (issued.at_s % 86400.0 < 6 * 3600.0)
    assert (moved.outside_temp_c - issued.outside_temp_c)[night].max() < -1.2
    assert "colder than the service says" in moved.remark
    assert "chance of frost outside" in moved.remark
    assert (moved.dew_point_c <= moved.outside_temp_c).all()


def test_a_present_departure_counts_at_once(tmp_path):
    issued = forecast()
    said_c = float(np.interp(NOW.timestamp(), issued.at_s, issued.outside_temp_c))
    moved, _ = SiteWeather(PLACE, tmp_path).corrected(issued, NOW, said_c - 4.0)
    change = moved.outside_temp_c - issued.outside_temp_c
    assert change[18] < -2.5  # the coming hour
    assert change[80] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("broken_c", [math.nan, -127.0, 85.0])
def test_a_broken_probe_neither_teaches_nor_moves(tmp_path, broken_c):
    weather = SiteWeather(PLACE, tmp_path)
    issued = forecast()
    assert (
        weather.corrected(issued, NOW, broken_c)[0].outside_temp_c.tolist() == issued.outside_temp_c.tolist()
    )
    weather.learn(NOW, broken_c)
    assert weather.without_forecast(NOW) is None


def test_an_hour_counts_once(tmp_path):
    weather, now = lived(tmp_path, 5, off_k=0.0)
    before, expected = weather.correction.to_plain(), weather.without_forecast(now).outside_temp_c.tolist()
    weather.learn(now - timedelta(minutes=70), 30.0)
    assert weather.correction.to_plain() == before
    assert weather.without_forecast(now).outside_temp_c.tolist() == expected


def test_what_was_learned_outlives_the_process(tmp_path):
    weather, now = lived(tmp_path, 24 * 5, off_k=-2.0)
    again = SiteWeather(PLACE, tmp_path)
    issued = forecast(now)
    expected = weather.corrected(issued, now)[0].outside_temp_c
    assert again.corrected(issued, now)[0].outside_temp_c == pytest.approx(expected, abs=1e-9)
    assert again.trouble == ""


@pytest.mark.parametrize(
    "damage", [b"", b"{}", b"[1", b"\xff", b'{"correction": {}, "readings": [], "runs": []}']
)
def test_a_damaged_file_is_set_aside_and_it_begins_anew(tmp_path, damage):
    (tmp_path / FILE_NAME).write_bytes(damage)
    weather = SiteWeather(PLACE, tmp_path)
    assert "set aside" in weather.trouble
    assert (tmp_path / (FILE_NAME + ".damaged")).read_bytes() == damage
    weather.learn(NOW, 3.0)
    assert weather.trouble == ""
    assert (tmp_path / FILE_NAME).exists()


def test_a_run_with_columns_of_other_lengths_is_damage(tmp_path):
    lived(tmp_path, 3, off_k=0.0)
    text = (tmp_path / FILE_NAME).read_text()
    (tmp_path / FILE_NAME).write_text(text.replace('"night":[', '"night":[0.5,', 1))
    assert "set aside" in SiteWeather(PLACE, tmp_path).trouble


def test_a_disk_that_refuses_is_told(tmp_path):
    weather = SiteWeather(PLACE, tmp_path / "none")
    weather.learn(NOW, 3.0)
    assert "could not be kept" in weather.trouble


def test_without_any_forecast_the_probe_s_last_days_are_all_there_is(tmp_path):
    weather, now = lived(tmp_path, 30, off_k=0.0)
    got = weather.without_forecast(now)
    assert got.source == SOURCE
    assert got.at_s.size == 49


def test_a_clock_set_back_does_not_stop_it(tmp_path):
    weather, _ = lived(tmp_path, 3, off_k=0.0)
    early = NOW - timedelta(days=30)
    issued = forecast(early)
    weather.learn(early, 2.0)
    moved, _ = weather.corrected(replace(issued, fetched_at=early), early, 2.0)
    assert np.isfinite(moved.outside_temp_c).all()
    assert weather.without_forecast(early) is not None
