"""`rimeward fit` and `rimeward predict`, from file to words, on houses whose truth is known."""

import dataclasses
import json
import sys
from pathlib import Path

import numpy as np
import pytest
import synthetic
from click.testing import CliRunner
from simulated import ODD, SITE, own_logbook, simulated_rows, write

from controller.cli import main
from controller.errors import RimewardError
from controller.learn import ahead
from controller.learn.logbook import read_logbook
from controller.learn.picture import draw_learnt
from controller.learn.words import learnt_json, learnt_text
from controller.site.load import example_site
from controller.thermal.noise import Noise

SITE_FILE = str(example_site("curlew-yard"))
PRIOR = synthetic.house(1)
TRUE = dataclasses.replace(
    PRIOR,
    house_loss_w_per_k=1.3 * PRIOR.house_loss_w_per_k,
    sky_loss_w_per_k=0.6 * PRIOR.sky_loss_w_per_k,
    fleece_loss_w_per_k=0.65 * PRIOR.fleece_loss_w_per_k,
)
NOISE = Noise(house_k_per_root_h=0.2, tree_k_per_root_h=0.1, offset_k=0.3)


@pytest.fixture(scope="module")
def logbook_file(tmp_path_factory):
    return str(own_logbook(tmp_path_factory.mktemp("log") / "own.csv", 8, TRUE, NOISE))


def run(*args):
    return CliRunner().invoke(main, list(args))


def test_a_fit_finds_the_house_and_says_how_sure_it_is(logbook_file):
    result = run("fit", "--site", SITE_FILE, "--logbook", logbook_file, "--json")
    assert result.exit_code == 0, result.output
    found = json.loads(result.output)
    rows = {row["name"]: row for row in found["parameters"]}
    for name, truth in (
        ("fleece loss of satsuma-door", TRUE.fleece_loss_w_per_k[0]),
        ("house loss", TRUE.house_loss_w_per_k),
    ):
        row = rows[name]
        assert abs(np.log(row["learnt"] / truth)) < 3.0 * row["relative_error"], name
    assert rows["fleece loss of satsuma-door"]["relative_error"] < 0.08
    assert rows["fleece loss of satsuma-door"]["unit"] == "W/K"
    assert rows["house capacity"]["unit"] == "kJ/K"
    assert found["converged"]
    assert found["trial"]["lead_h"] == 12.0
    assert found["trial"]["rmse_k"][1] < found["trial"]["handbook_rmse_k"][1]
    assert not any("string watts" in warning for warning in found["not_known_yet"])


def test_a_fit_in_words(logbook_file, tmp_path):
    pytest.importorskip("matplotlib")
    picture = tmp_path / "fit.png"
    result = run("fit", "--site", SITE_FILE, "--logbook", logbook_file, "--picture", str(picture))
    assert result.exit_code == 0, result.output
    for words in (
        "Curlew Yard, as own.csv shows it",
        "fleece loss of satsuma-door",
        "Twelve hours ahead into nights it had not seen",
        "no column of lemon: it is left out",
    ):
        assert words in result.output
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_a_short_record_without_heat_is_told_as_such(logbook_file, tmp_path):
    pytest.importorskip("matplotlib")
    lines = Path(logbook_file).read_text().splitlines()[: 2 * 288]
    short = tmp_path / "short.csv"
    short.write_text("\n".join(lines))
    result = run("fit", "--site", SITE_FILE, "--logbook", str(short))
    assert "Too short a record" in result.output
    assert "string watts and fleece loss cannot be told apart yet" in result.output
    assert "run the 6 h heater step" in result.output
    assert (
        json.loads(run("fit", "--site", SITE_FILE, "--logbook", str(short), "--json").output)["trial"] is None
    )
    draw_learnt(ahead.learn(read_logbook(short, SITE)), tmp_path / "short.svg")
    with pytest.raises(RimewardError, match="cannot be written"):
        draw_learnt(ahead.learn(read_logbook(short, SITE)), tmp_path / "none" / "short.svg")


def test_a_prediction_knows_nothing_measured_after_its_start(logbook_file, tmp_path):
    args = ("predict", "--site", SITE_FILE, "--from", "2027-01-16T18:00Z", "--hours", "10", "--json")
    whole = json.loads(run(*args, "--logbook", logbook_file).output)
    lines = Path(logbook_file).read_text().splitlines()
    for k in range(1 + 6 * 288 + 18 * 12 + 1, len(lines)):
        cells = lines[k].split(",")
        cells[6] = cells[7] = "31.0"
        lines[k] = ",".join(cells)
    changed = tmp_path / "changed.csv"
    changed.write_text("\n".join(lines))
    other = json.loads(run(*args, "--logbook", str(changed)).output)
    for name in ("house", "satsuma-door"):
        assert whole["columns"][name]["predicted_c"] == other["columns"][name]["predicted_c"]
        assert whole["columns"][name]["sd_k"] == other["columns"][name]["sd_k"]
        assert whole["columns"][name]["rmse_k"] < 1.0
        assert other["columns"][name]["rmse_k"] > 10.0
    assert whole["learnt"]
    assert len(whole["at"]) == 10 * 12 + 1
    assert whole["at"][0] == "2027-01-16T18:00:00Z"


def test_a_prediction_in_words(logbook_file, tmp_path):
    pytest.importorskip("matplotlib")
    picture = tmp_path / "predicted.png"
    args = ("--from", "2027-01-17T18:00Z", "--hours", "12", "--picture", str(picture))
    result = run("predict", "--site", SITE_FILE, "--logbook", logbook_file, *args)
    assert result.exit_code == 0, result.output
    assert "Sun 17 18:00" in result.output
    assert "the logbook ends 5.9 h after that time" in result.output
    assert "chance of going below 0 °C" in result.output
    assert "RMSE" in result.output
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_too_little_before_the_start_leaves_the_handbook_and_says_so(logbook_file, tmp_path):
    pytest.importorskip("matplotlib")
    args = ("--from", "2027-01-10T22:00+01:00", "--hours", "3", "--picture", str(tmp_path / "x.svg"))
    result = run("predict", "--site", SITE_FILE, "--logbook", logbook_file, *args)
    assert result.exit_code == 0, result.output
    assert "nothing is learnt" in result.output


@pytest.mark.parametrize(
    ("begin", "words"),
    [
        ("tonight", "expected a time with its zone"),
        ("2027-01-16T18:00", "expected a time with its zone"),
        ("2028-01-16T18:00Z", "expected a time between 2027-01-10T00:00Z and 2027-01-17T23:55Z"),
    ],
)
def test_a_start_that_is_none_is_refused(logbook_file, begin, words):
    result = run("predict", "--site", SITE_FILE, "--logbook", logbook_file, "--from", begin)
    assert result.exit_code == 1
    assert words in result.stderr


def test_nothing_measured_before_the_start_is_refused(tmp_path):
    head = ["time", "outside_c", "house_c"]
    rows = [[f"2027-01-10T{k:02d}:00Z", 3.0, "" if k < 6 else 4.0] for k in range(24)]
    file = str(write(tmp_path / "late.csv", head, rows))
    result = run("predict", "--site", SITE_FILE, "--logbook", file, "--from", "2027-01-10T05:00Z")
    assert "nothing was measured inside before that time" in result.stderr
    result = run(
        "predict", "--site", SITE_FILE, "--logbook", file, "--from", "2027-01-10T12:00Z", "--hours", "2"
    )
    assert "[4.0]" in result.output  # an hourly record is predicted too
    result = run("fit", "--site", SITE_FILE, "--logbook", file)
    assert result.exit_code == 0, result.output


def test_readings_that_end_early_leave_no_trial(logbook_file, tmp_path):
    lines = Path(logbook_file).read_text().splitlines()
    for k in range(5 * 288, len(lines)):
        cells = lines[k].split(",")
        cells[6] = cells[7] = ""
        lines[k] = ",".join(cells)
    file = tmp_path / "ends.csv"
    file.write_text("\n".join(lines))
    assert (
        "Too short a record, or too few readings"
        in run("fit", "--site", SITE_FILE, "--logbook", str(file)).output
    )


def test_a_house_finer_than_the_model_is_foretold_better_than_by_the_handbook(tmp_path):
    small = SITE.model_copy(update={"trees": SITE.trees[:2]})
    head, rows = simulated_rows(16, site=small, variation=ODD)
    logbook = read_logbook(write(tmp_path / "sim.csv", head, rows), small)
    learnt = ahead.learn(logbook)
    assert (learnt.trial.rmse_k[1:] < 0.85 * learnt.handbook_trial.rmse_k[1:]).all()
    assert learnt.trial.rmse_k.max() < 0.5
    assert (learnt.trial.covered() > 0.85).all()


def test_an_unsettled_search_and_far_numbers_are_pointed_out(logbook_file):
    learnt = ahead.learn(read_logbook(Path(logbook_file), SITE))
    theta = np.where(np.arange(len(learnt.fit.theta)) == 0, 1.0, learnt.fit.theta)
    odd = dataclasses.replace(learnt, fit=dataclasses.replace(learnt.fit, theta=theta, converged=False))
    text = learnt_text(odd, SITE, "own.csv")
    assert "The search did not settle" in text
    assert "+3.3 !" in text
    assert learnt_json(odd, SITE)["converged"] is False


def test_without_matplotlib_the_reason_is_told(logbook_file, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(RimewardError, match="a picture needs matplotlib"):
        draw_learnt(ahead.learn(read_logbook(Path(logbook_file), SITE)), tmp_path / "x.png")
