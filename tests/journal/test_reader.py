"""What is read from the journal is what the probes meant: their offsets are added, once and everywhere."""

import json
from contextlib import closing
from datetime import timedelta

import numpy as np
import pytest

from controller.journal.columns import columns_of, nearest
from controller.journal.pairs import pairs_in
from controller.journal.reader import latest_readings, readings_of
from controller.journal.store import open_for_writing
from controller.learn.from_journal import record_of_journal
from controller.phone.history import history_of
from controller.site.model import Probe, Site
from tests.conftest import DUSK

DUSK_S = DUSK.timestamp()
NOW = DUSK + timedelta(hours=2)


def probe(name, offset_k=0.0):
    return Probe(name=name, measures="house", offset_k=offset_k)


@pytest.fixture
def journal(tmp_path):
    connection, _ = open_for_writing(tmp_path / "journal.db")
    with closing(connection):
        yield connection


def keep(connection, name, at_s, temp_c):
    connection.execute("INSERT INTO reading VALUES (?, ?, ?)", (name, at_s, temp_c))


def test_a_probe_s_readings_come_in_order_within_bounds_and_corrected(journal):
    for at_s, temp_c in ((30.0, 3.0), (10.0, 1.0), (20.0, 2.0), (40.0, 4.0)):
        keep(journal, "a", at_s, temp_c)
    keep(journal, "b", 20.0, 9.0)
    readings = readings_of(journal, probe("a", -0.5), 10.0, 30.0)
    assert readings == [(10.0, 0.5), (20.0, 1.5), (30.0, 2.5)]
    assert [column.tolist() for column in columns_of(readings)] == [[10.0, 20.0, 30.0], [0.5, 1.5, 2.5]]
    assert readings_of(journal, probe("never-heard")) == []
    assert [column.size for column in columns_of([])] == [0, 0]


def test_latest_readings_are_of_the_last_quarter_of_an_hour(journal):
    for name, age_s, temp_c in (("a", 600.0, 1.0), ("a", 60.0, 2.0), ("b", 1000.0, 3.0), ("c", -60.0, 4.0)):
        keep(journal, name, DUSK_S - age_s, temp_c)
    probes = [probe("a", 0.25), probe("b"), probe("c")]
    assert latest_readings(journal, probes, DUSK) == {"a": 2.25}


def test_the_nearest_in_time_counts_and_nothing_far_off():
    at_s, values = np.array([0.0, 100.0, 300.0]), np.array([1.0, 2.0, 3.0])
    wanted_s = np.array([-60.0, -40.0, 49.0, 50.0, 51.0, 149.0, 200.0, 340.0, 360.0])
    expected = [np.nan, 1.0, 1.0, 2.0, 2.0, 2.0, np.nan, 3.0, np.nan]
    assert nearest(wanted_s, at_s, values, 50.0) == pytest.approx(expected, nan_ok=True)
    assert np.isnan(nearest(wanted_s, np.empty(0), np.empty(0), 50.0)).all()


def test_the_nearest_agrees_with_a_search_of_every_pair():
    rng = np.random.default_rng(5)
    for _ in range(50):
        at_s = np.sort(rng.choice(1000, size=rng.integers(1, 30), replace=False)).astype(float)
        values, wanted_s = rng.normal(size=at_s.size), rng.uniform(-100.0, 1100.0, 40)
        far_s = np.abs(at_s - wanted_s[:, None])
        expected = np.where(far_s.min(1) <= 60.0, values[far_s.argmin(1)], np.nan)
        assert nearest(wanted_s, at_s, values, 60.0) == pytest.approx(expected, nan_ok=True)


def test_an_ice_bath_s_correction_reaches_everybody_who_reads(tmp_path, journal, curlew_yard):
    """One probe each of outside, house and tree is moved by a known offset: so is all that is read of it."""
    for k in range(24 * 12):
        for name in ("outside", "house", "air-lemon"):
            keep(journal, name, DUSK_S - 86400.0 + 300.0 * k, 2.0)
    keep(journal, "air-lemon", NOW.timestamp() - 60.0, 2.0)
    body = {"at_s": [DUSK_S - 3600.0 * k for k in range(12, 0, -1)], "outside_temp_c": [1.0] * 12}
    journal.execute(
        "INSERT INTO forecast (fetched_s, source, body) VALUES (?, 'test', ?)",
        (DUSK_S - 13 * 3600.0, json.dumps(body)),
    )

    def site(offset_k: float) -> Site:
        probes = tuple(each.model_copy(update={"offset_k": offset_k}) for each in curlew_yard.probes)
        return curlew_yard.model_copy(update={"probes": probes})

    def read(given: Site) -> list[float]:
        path = tmp_path / "journal.db"
        record = record_of_journal(path, given).record
        lemon = [tree.name for tree in given.trees].index("lemon")
        return [
            float(np.nanmean(record.house_temp_c)),
            float(np.nanmean(record.tree_temp_c[:, lemon])),
            float(record.inputs.outside_temp_c[0]),
            float(np.nanmean(pairs_in(path, given).observed_c)),
            latest_readings(journal, given.probes, NOW)["air-lemon"],
            history_of(path, given, NOW).probes_c["house"][0][1],
        ]

    assert read(site(0.0)) == pytest.approx([2.0] * 6)
    assert read(site(-0.5)) == pytest.approx([1.5] * 6)
