"""The forecast kept on disk comes back exactly, or not at all."""

import json
from dataclasses import replace

import numpy as np
import pytest

from controller.weather.open_meteo import forecast_from
from controller.weather.store import LastGood
from tests.weather.conftest import NOW, PLACE, open_meteo_document


@pytest.fixture
def forecast():
    document = open_meteo_document()
    document["hourly"]["cloud_cover"] = [None] * 96
    spread = np.linspace(0.5, 2.0, 96)
    spread[7] = np.nan
    forecast = forecast_from(document, NOW, PLACE)
    members = forecast.outside_temp_c + np.arange(5.0)[:, None]
    return replace(forecast, spread_k=spread, members_c=members, remark="The services disagree.")


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


def _changed(change):
    def damage(body):
        document = json.loads(body)
        change(document)
        return json.dumps(document).encode()

    return damage


def _move_a_time(document):
    document["at_s"][4] += 60


DAMAGES = {
    "cut": lambda body: body[: len(body) // 2],
    "empty": lambda _: b"",
    "nul": lambda body: b"\0" * len(body),
    "huge": lambda _: b" " * 5_000_000,
    "nan": lambda body: body.replace(b"30.0", b"NaN", 1),
    "short": _changed(lambda d: d["wind_m_s"].pop()),
    "run": _changed(lambda d: d["members_c"][2].pop()),
    "uneven": _changed(_move_a_time),
    "stranger": _changed(lambda d: d.update(more=1)),
    "text": _changed(lambda d: d["outside_temp_c"].__setitem__(0, "2.0")),
}


@pytest.mark.parametrize("how", DAMAGES)
def test_a_damaged_file_is_set_aside_and_ignored(tmp_path, forecast, how):
    path = tmp_path / "forecast.json"
    kept = LastGood(path)
    kept.keep(forecast)
    path.write_bytes(DAMAGES[how](path.read_bytes()))
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
