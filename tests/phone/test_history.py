"""What the page takes from the journal."""

from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from controller.journal.spans import season_begin
from controller.journal.store import open_for_writing
from controller.phone.history import NOTHING, Ledger, history_of, ledger_of
from tests.conftest import DUSK

NOW = DUSK + timedelta(hours=10)


def write(path, readings=(), decisions=(), kind="tree"):
    connection, _ = open_for_writing(path)
    with closing(connection):
        for probe, hours, temp_c in readings:
            at_s = DUSK.timestamp() + 3600.0 * hours
            connection.execute("INSERT INTO reading VALUES (?, ?, ?)", (probe, at_s, temp_c))
        for name, hours, active in decisions:
            at_s = DUSK.timestamp() + 3600.0 * hours
            connection.execute(
                "INSERT INTO decision (at_s, kind, name, active, reason, because) "
                "VALUES (?, ?, ?, ?, '', '')",
                (at_s, kind, name, active),
            )


def test_no_journal_is_no_history(curlew_yard, tmp_path):
    assert history_of(tmp_path / "journal.db", curlew_yard, NOW) == NOTHING


def test_a_broken_journal_is_no_history(curlew_yard, tmp_path):
    (tmp_path / "journal.db").write_bytes(b"no database" * 100)
    assert history_of(tmp_path / "journal.db", curlew_yard, NOW) == NOTHING


def test_readings_are_means_of_ten_minutes_of_the_last_hours(curlew_yard, tmp_path):
    readings = [
        ("outside", 9.0, 1.0),
        ("outside", 9.05, 3.0),
        ("outside", 9.5, -1.0),
        ("outside", -20.0, 9.0),
    ]
    write(tmp_path / "journal.db", [*readings, ("unknown", 9.0, 5.0)])
    history = history_of(tmp_path / "journal.db", curlew_yard, NOW)
    assert [temp_c for _, temp_c in history.probes_c["outside"]] == [2.0, -1.0]
    assert set(history.probes_c) == {"outside"}


def test_a_rise_within_twenty_minutes(curlew_yard, tmp_path):
    write(tmp_path / "journal.db", [("air-lemon", 10 - 20 / 60, 1.0), ("air-lemon", 10 - 1 / 60, 1.6)])
    history = history_of(tmp_path / "journal.db", curlew_yard, NOW)
    assert history.rise_k == {"air-lemon": pytest.approx(0.6)}


def test_heat_and_what_it_used(curlew_yard, tmp_path):
    decisions = [
        ("lemon", 1.0, 1),
        ("lemon", 1.25, 1),
        ("lemon", 3.0, 0),
        ("lemon", 9.0, 1),
        ("yuzu", -20.0, 1),
    ]
    write(tmp_path / "journal.db", decisions=decisions)
    history = history_of(tmp_path / "journal.db", curlew_yard, NOW)
    spans = [
        ((a - DUSK.timestamp()) / 3600, (b - DUSK.timestamp()) / 3600) for a, b in history.heated["lemon"]
    ]
    assert spans == [(1.0, 3.0), (9.0, 10.0)]
    assert history.heated["yuzu"][0][0] == NOW.timestamp() - 86400.0, "heat that began before is cut off"
    # by hand: lemon 0.35 kW x 3 h, yuzu 0.35 kW x 24 h
    assert history.energy_kwh == pytest.approx(0.35 * 3 + 0.35 * 24)


def test_when_vents_were_open(curlew_yard, tmp_path):
    write(tmp_path / "journal.db", decisions=[("gable-fan", 1.0, 1), ("gable-fan", 2.5, 0)], kind="vent")
    history = history_of(tmp_path / "journal.db", curlew_yard, NOW)
    assert history.aired == {"gable-fan": ((DUSK.timestamp() + 3600.0, DUSK.timestamp() + 9000.0),)}
    assert history.heated["lemon"] == ()


def test_the_season_so_far_counts_nights_from_noon_to_noon(curlew_yard, tmp_path):
    decisions = [
        ("lemon", 2.0, 1),
        ("lemon", 5.0, 0),  # one night
        ("yuzu", 4.0, 1),
        ("yuzu", 6.0, 0),  # the same
        ("lemon", 26.0, 1),
        ("lemon", 38.0, 0),  # the next
        ("lemon", 60.0, 0),
        ("lemon", -24 * 365, 1),  # the winter before, without an end
        ("lemon", -24 * 364, 0),
    ]
    write(tmp_path / "journal.db", decisions=decisions)
    found = ledger_of(tmp_path / "journal.db", curlew_yard, DUSK + timedelta(hours=61))
    # by hand: 0.35 kW for 3 + 2 + 12 hours
    assert found == Ledger(
        since=DUSK + timedelta(hours=2),
        nights=2,
        energy_kwh=pytest.approx(0.35 * 17),
        cost=pytest.approx(0.35 * 17 * 0.30),
    )


def test_a_season_begins_in_summer_on_either_half_of_the_earth(curlew_yard):
    south = curlew_yard.model_copy(
        update={"place": curlew_yard.place.model_copy(update={"latitude_deg": -46.0})}
    )
    for site, now, begin in (
        (curlew_yard, "2027-01-14", "2026-07-01"),
        (curlew_yard, "2027-07-01", "2027-07-01"),
        (south, "2027-01-14", "2027-01-01"),
        (south, "2027-08-14", "2027-01-01"),
    ):
        found = season_begin(site.place, datetime.fromisoformat(now).replace(tzinfo=UTC))
        assert f"{found:%Y-%m-%d}" == begin


def test_without_decisions_there_is_no_ledger(curlew_yard, tmp_path):
    assert ledger_of(tmp_path / "journal.db", curlew_yard, NOW) is None
    write(tmp_path / "journal.db")
    assert ledger_of(tmp_path / "journal.db", curlew_yard, NOW) is None
