"""The journal as a record, and the whole way from it to a model in use and back."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from simulated import ODD, SITE, simulated_rows, write, write_journal

from controller.cli import main
from controller.errors import LogbookError
from controller.journal.store import open_for_writing
from controller.learn.from_journal import record_of_journal
from controller.learn.logbook import read_logbook
from controller.learn.models import Models

SMALL = SITE.model_copy(update={"trees": SITE.trees[:1], "probes": SITE.probes[:3], "vents": SITE.vents})


@pytest.fixture(scope="module")
def simulated():
    return simulated_rows(14, site=SMALL, variation=ODD)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, simulated):
    folder = tmp_path_factory.mktemp("state")
    write_journal(folder, SMALL, *simulated)
    (folder / "site.json").write_text(SMALL.model_dump_json(by_alias=True))
    return folder


def fit(folder, *args):
    site = ("--site", str(folder / "site.json"), "--state", str(folder))
    return CliRunner().invoke(main, ["fit", *site, *args])


def test_the_journal_holds_what_a_logbook_would(folder, simulated, tmp_path):
    journal = record_of_journal(folder / "journal.db", SMALL).record
    logbook = read_logbook(write(tmp_path / "log.csv", *simulated), SMALL).record
    shift = round((journal.inputs.start_s - logbook.inputs.start_s) / 300.0)
    logbook = logbook.part(shift, logbook.steps)
    steps = min(journal.steps, logbook.steps)
    assert steps > 13.9 * 288
    for ours, theirs, near in (
        (journal.readings_c, logbook.readings_c, 1e-9),
        (journal.inputs.string_w, logbook.inputs.string_w, 1e-9),
        (journal.inputs.outside_temp_c, logbook.inputs.outside_temp_c, 1e-9),
    ):
        assert ours[: steps - 1] == pytest.approx(theirs[: steps - 1], abs=near, nan_ok=True)
    for name, near in (("wind_m_s", 0.3), ("sky_depression_k", 0.6)):
        ours, theirs = getattr(journal.inputs, name), getattr(logbook.inputs, name)
        assert np.abs(ours[:steps] - theirs[:steps]).mean() < near
    # sunshine: the forecast's stamp is the end of its hour, so half an hour's shift is in it here
    ours, theirs = journal.inputs.sun_w_m2, logbook.inputs.sun_w_m2
    assert np.corrcoef(ours[:steps], theirs[:steps])[0, 1] > 0.9


def test_a_better_model_is_kept_with_its_evidence_used_and_taken_back(folder):
    first = json.loads(fit(folder, "--json").output)
    assert first["verdict"]["accepted"], first["verdict"]
    assert first["before"] == "handbook"
    assert first["verdict"]["rmse_k"] < first["verdict"]["champion_rmse_k"]
    models = Models(folder)
    assert models.in_use(SMALL).name == first["in_use"]
    kept = json.loads((folder / "models" / f"{first['in_use']}.json").read_text())
    assert kept["evidence"]["verdict"] == first["verdict"]
    # the same record again is no worse: a model that ties is accepted, and follows the first
    words = fit(folder).output
    assert "a model learnt from the journal is" in words
    assert "Go back to the one before with: rimeward fit --back" in words
    for _ in range(2):
        if models.in_use(SMALL).name == "handbook":
            break
        assert "is no longer in use" in fit(folder, "--back").output
    assert "nothing to go back to" in fit(folder, "--back").stderr


def test_a_picture_needs_a_logbook(folder):
    result = fit(folder, "--picture", "x.png")
    assert result.exit_code == 2
    assert "--picture needs --logbook" in result.stderr


def test_a_young_journal_is_told_to_be_too_short(tmp_path, simulated):
    head, rows = simulated
    write_journal(tmp_path, SMALL, head, rows[: 3 * 288])
    (tmp_path / "site.json").write_text(SMALL.model_dump_json(by_alias=True))
    result = fit(tmp_path)
    assert result.exit_code == 1
    assert "less than 6 days of readings" in result.stderr


def test_an_empty_journal_and_one_without_the_inside_are_refused(tmp_path):
    connection, _ = open_for_writing(tmp_path / "journal.db")
    with pytest.raises(LogbookError, match="no readings of any length"):
        record_of_journal(tmp_path / "journal.db", SMALL)
    connection.executemany(
        "INSERT INTO reading VALUES ('outside', ?, 1.0)", [(k * 300.0,) for k in range(50)]
    )
    with pytest.raises(LogbookError, match="nothing measured inside"):
        record_of_journal(tmp_path / "journal.db", SMALL)
    connection.executemany("INSERT INTO reading VALUES ('house', ?, 1.0)", [(k * 300.0,) for k in range(50)])
    connection.execute("DELETE FROM reading WHERE probe = 'outside'")
    with pytest.raises(LogbookError, match="'outside_c' holds no number"):
        record_of_journal(tmp_path / "journal.db", SMALL)
    for hours, extra in ((1, {}), (9, {"dew_point_c": [None] * 9})):
        body = {"at_s": [3600.0 * h for h in range(hours)], "outside_temp_c": [2.0] * hours, **extra}
        connection.execute(
            "INSERT INTO forecast (fetched_s, source, body) VALUES (?, 'x', ?)", (-60.0, json.dumps(body))
        )
    connection.execute(
        "INSERT INTO forecast (fetched_s, source, body) VALUES (1e9, 'x', ?)",
        (json.dumps({"at_s": [1e9, 1e9 + 3600.0]}),),
    )
    # without an outside probe the forecast stands in
    record = record_of_journal(tmp_path / "journal.db", SMALL.model_copy(update={"vents": ()})).record
    assert record.inputs.outside_temp_c == pytest.approx(np.full(record.steps, 2.0))
    connection.close()
