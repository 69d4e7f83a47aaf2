"""Spoiled answers of every service: each gives a whole forecast or a ``ForecastError``, and nothing else.

What passes for a forecast cannot mislead by NaN or absurdity, and a keeper with cold trees that is told of
the night it makes keeps every heater on.
"""

import json
import random

import numpy as np
import pytest

from controller.errors import ForecastError
from controller.guard.events import OutlookMade
from controller.plan.outlook import outlook_of
from controller.weather import met_norway, nws, open_meteo
from controller.weather.fetch import parse_json
from controller.weather.store import LastGood
from tests.weather import test_ensemble, test_met_norway, test_nws
from tests.weather.conftest import NOW, PLACE, open_meteo_document

READERS = {
    "open-meteo": (open_meteo_document, open_meteo.forecast_from, NOW, PLACE),
    "open-meteo-ensemble": (test_ensemble.document, open_meteo.ensemble_from, NOW, PLACE),
    "met-norway": (test_met_norway.document, met_norway.forecast_from, NOW, PLACE),
    "nws": (test_nws.document, nws.forecast_from, test_nws.NOW, test_nws.PLACE),
}
ODD = (
    None, True, -1, 0, 1e6, -273.15, 85.0, 2**53, 1e308, "", "NaN", "1.5", "\u0000", "°F", [], {}, [[]],
    [None], {"value": None}, "1970-01-01T00:00:00Z", "9999-12-31T23:59:59+14:00", "P9999999D", "\ud800",
)  # fmt: skip


def spoil(document, chance):
    """Change one to three things in a document: a value, a key, a length, an order."""
    for _ in range(chance.randint(1, 3)):
        parent, key = document, None
        node = document
        while isinstance(node, dict | list) and node and (key is None or chance.random() < 0.85):
            parent = node
            key = chance.choice(list(node)) if isinstance(node, dict) else chance.randrange(len(node))
            node = node[key]
        if key is None:
            return chance.choice(ODD)
        match chance.randrange(6):
            case 0:
                del parent[key]
            case 1 if isinstance(parent, dict):
                parent[str(key) + chance.choice(["_2", "S", " "])] = parent.pop(key)
            case 2 if isinstance(node, list):
                parent[key] = node[: chance.randrange(len(node) + 1)] * chance.choice([1, 2])
            case 3 if isinstance(node, int | float) and not isinstance(node, bool):
                parent[key] = node * chance.choice([-1, 1.8, 1e3, 1e-3]) + chance.choice([0, 32, 0.5, 3600])
            case _:
                parent[key] = chance.choice(ODD)
    return document


def spoil_bytes(body, chance):
    """Cut, flip, double or put in bytes."""
    at = chance.randrange(len(body))
    match chance.randrange(4):
        case 0:
            return body[:at]
        case 1:
            return body[:at] + bytes([chance.randrange(256)]) + body[at + 1 :]
        case 2:
            return body[:at] + body[at - 40 if at > 40 else 0 :]
        case _:
            word = chance.choice(
                [b"NaN", b"Infinity", b"1e999", b"null", b"[" * 5000, b"9" * 400, b"\xff\xfe"]
            )
            return body[:at] + word + body[at:]


def pour(name, count, seed):
    """Return how many of ``count`` spoiled answers passed for forecasts; every one of those is checked."""
    make, read, now, place = READERS[name]
    chance = random.Random(seed)
    text = json.dumps(make())
    passed = 0
    for index in range(count):
        try:
            if index % 3:
                document = spoil(json.loads(text), chance)
            else:
                document = parse_json(spoil_bytes(text.encode(), chance))
            forecast = read(document, now, place)
        except ForecastError:
            continue
        except ValueError:
            assert index % 3 == 0  # only the parser may say so, and the fetch turns it into a FetchError
            continue
        passed += 1
        known = forecast.outside_temp_c[np.isfinite(forecast.outside_temp_c)]
        assert known.size >= 18
        assert ((known >= -60.0) & (known <= 60.0)).all()
        assert (np.diff(forecast.at_s) == 3600.0).all()
        assert forecast.ends_at > now
        for column in (forecast.dew_point_c, forecast.wind_m_s, forecast.cloud_frac, forecast.shortwave_w_m2):
            assert column.shape == forecast.at_s.shape
            assert not np.isinf(column).any()
        assert not (forecast.wind_m_s < 0.0).any()
    return passed


@pytest.mark.parametrize("name", READERS)
def test_the_unspoiled_answer_is_a_forecast(name):
    make, read, now, place = READERS[name]
    assert read(json.loads(json.dumps(make())), now, place).outside_temp_c.size >= 18


@pytest.mark.parametrize("name", READERS)
def test_a_few_hundred_spoiled_answers(name):
    assert 0 < pour(name, 400, seed=1) < 400


@pytest.mark.long
@pytest.mark.parametrize("name", READERS)
def test_twenty_five_thousand_spoiled_answers_of_each_service(name):
    passed = pour(name, 25_000, seed=2)
    print(f"{name}: {passed} of 25000 passed for forecasts")
    assert 0 < passed < 25_000


def keep_warm(drive, count, seed):
    """Tell a keeper with cold trees what ``count`` spoiled answers make of the night; return how many."""
    make, read, now, place = READERS["open-meteo"]
    chance, text, heard = random.Random(seed), json.dumps(make()), 0
    drive.temps_c = dict.fromkeys(drive.temps_c, -3.0)
    for _ in range(3):
        drive.step()
    for _ in range(count):
        try:
            forecast = read(spoil(json.loads(text), chance), now, place)
        except ForecastError:
            continue
        outlook = outlook_of(drive.site, forecast, drive.temps_c, now)
        heard += outlook is not None
        drive.tell(OutlookMade(outlook=outlook))
        drive.actions.clear()
        drive.step()
        assert all(drive.tree(tree.name).active for tree in drive.site.trees)
        assert all(not give.lease.off for give in drive.leases())
    return heard


def test_no_spoiled_answer_rests_a_heater_on_a_cold_tree(drive):
    assert keep_warm(drive, 30, seed=4) >= 3


@pytest.mark.long
def test_no_spoiled_answer_of_thousands_rests_a_heater_on_a_cold_tree(drive):
    heard = keep_warm(drive, 3000, seed=5)
    print(f"{heard} of 3000 became an outlook that the keeper heard")
    assert heard > 300


def test_a_spoiled_file_of_the_last_good_forecast_is_set_aside_or_whole(tmp_path):
    make, read, now, place = READERS["open-meteo"]
    path = tmp_path / "forecast.json"
    LastGood(path).keep(read(make(), now, place))
    body, chance, passed = path.read_bytes(), random.Random(3), 0
    for _ in range(300):
        path.write_bytes(spoil_bytes(body, chance))
        kept = LastGood(path).recall()
        if kept is not None:
            passed += 1
            assert np.isfinite(kept.at_s).all()
            assert (np.diff(kept.at_s) == 3600.0).all()
    assert passed < 300
