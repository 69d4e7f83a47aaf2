"""The forecast kept on disk comes back exactly, or not at all."""

import json

import numpy as np
import pytest

from controller.weather.open_meteo import forecast_from
from controller.weather.store import LastGood
from tests.weather.conftest import NOW, PLACE, open_meteo_document


@pytest.fixture
def forecast():
    document = open_meteo_document()
    document["hourly"]["cloud_cover"] = [None] * 96
    return forecast_from(document, NOW, PLACE)


def test_what_was_kept_comes_back_exactly(tmp_path, forecast):
    LastGood(tmp_path / "forecast.json").keep(forecast)
    back = LastGood(tmp_path / "forecast.json").recall()
    for name in forecast.__dataclass_fields__:
        kept, came = getattr(forecast, name), getattr(back, name)
        if isinstance(kept, np.ndarray):
            np.testing.assert_array_equal(came, kept)
        else:
            assert came == kept
    assert [path.name for path in tmp_path.iterdir()] == ["forecast.json"]


def test_nothing_kept_is_no_trouble(tmp_path):
    kept = LastGood(tmp_path / "forecast.json")
    assert kept.recall() is None
    assert kept.trouble == ""


def _damage(path, how):
    body = path.read_bytes()
    document = json.loads(body)
    match how:
        case "cut":
            path.write_bytes(body[: len(body) // 2])
        case "empty":
            path.write_bytes(b"")
        case "nul":
            path.write_bytes(b"\0" * len(body))
        case "huge":
            path.write_bytes(b" " * 5_000_000)
        case "nan":
            path.write_bytes(body.replace(b"30.0", b"NaN", 1))
        case "short":
            document["wind_m_s"].pop()
            path.write_text(json.dumps(document))
        case "uneven":
            document["at_s"][4] += 60
            path.write_text(json.dumps(document))
        case "stranger":
            path.write_text(json.dumps(document | {"more": 1}))
        case "text":
            document["outside_temp_c"][0] = "2.0"
            path.write_text(json.dumps(document))


@pytest.mark.parametrize("how", ["cut", "empty", "nul", "huge", "nan", "short", "uneven", "stranger", "text"])
def test_a_damaged_file_is_set_aside_and_ignored(tmp_path, forecast, how):
    path = tmp_path / "forecast.json"
    kept = LastGood(path)
    kept.keep(forecast)
    _damage(path, how)
    assert kept.recall() is None
    assert "damaged" in kept.trouble
    assert not path.exists()
    assert (tmp_path / "forecast.json.damaged").exists()
    kept.keep(forecast)
    assert kept.recall() is not None


def test_a_disk_that_takes_nothing_is_told_and_leaves_the_old_forecast(tmp_path, forecast, monkeypatch):
    kept = LastGood(tmp_path / "forecast.json")
    kept.keep(forecast)

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("controller.weather.store.os.fsync", full)
    kept.keep(forecast)
    assert "No space left" in kept.trouble
    assert kept.recall() is not None
    assert [path.name for path in tmp_path.iterdir()] == ["forecast.json"]
