"""`rimeward diagnose`: from a logbook or the journal to a sentence and what to look at."""

import dataclasses
import json
from datetime import UTC, datetime

import numpy as np
import pytest
import synthetic
from click.testing import CliRunner
from simulated import SITE, own_rows, write

from controller.cli import main
from controller.clock import SystemClock
from controller.daemon import Daemon
from controller.guard.events import Found
from controller.guard.finding import KNOWN, Finding, FindingCode
from controller.learn.findings import _MEANT, _finding
from controller.learn.logbook import read_logbook
from controller.learn.models import Model, Models
from controller.site.load import example_site
from controller.thermal.diagnosis import Suspected
from controller.thermal.doubt import doubt_of_handbook
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from controller.thermal.suspicion import Fault, hypotheses

SITE_FILE = str(example_site("curlew-yard"))
PRIOR = synthetic.house(1)
NOISE = Noise(house_k_per_root_h=0.2, tree_k_per_root_h=0.1, offset_k=0.3)
DAYS, DEAD_FROM = 9, 8 * 288 + 16 * 12


@pytest.fixture(scope="module")
def logbook_file(tmp_path_factory):
    """A logbook of nine days whose string has heated each evening, and on the last was dead."""
    path = tmp_path_factory.mktemp("log") / "dead.csv"
    head, rows = own_rows(DAYS, PRIOR, NOISE)
    evening = (np.arange(len(rows)) % 288 >= 16 * 12) & (np.arange(len(rows)) % 288 < 22 * 12)
    for row, on in zip(rows, evening, strict=True):
        row[8] = PRIOR.string_w[0] * on
    inputs = read_logbook(write(path, head, rows), SITE).record.inputs
    lived = dataclasses.replace(
        inputs, string_w=inputs.string_w * (np.arange(inputs.steps) < DEAD_FROM)[:, np.newaxis]
    )
    record, _ = synthetic.played(PRIOR, NOISE, lived, 1)
    for row, house_c, tree_c in zip(rows, record.house_temp_c, record.tree_temp_c[:, 0], strict=True):
        row[6], row[7] = round(house_c, 3), round(tree_c, 3)
    return str(write(path, head, rows))


def run(*args):
    return CliRunner().invoke(main, ["diagnose", "--site", SITE_FILE, *args])


def test_a_dead_string_is_told_with_what_to_look_at(logbook_file):
    said = run("--logbook", logbook_file)
    assert said.exit_code == 0, said.output
    assert "satsuma-door: since Mon 18" in said.output
    assert "no string of satsuma-door heats when told to" in said.output
    assert KNOWN[FindingCode.STRING_DEAD].look_at in said.output
    (found,) = json.loads(run("--logbook", logbook_file, "--json").output)["findings"]
    assert (found["code"], found["target"], found["severity"]) == ("string-dead", "satsuma-door", 4)


def test_before_it_died_nothing_is_told(logbook_file):
    said = run("--logbook", logbook_file, "--until", "2027-01-18T15:00Z")
    assert "nothing that the readings of the last days speak for" in said.output


@pytest.mark.parametrize(
    ("until", "words"),
    [
        ("2027-01-15T15:00Z", "expected at least 8 days before that time"),
        ("tomorrow", "--until: expected a time with its zone"),
    ],
)
def test_too_little_or_no_time_is_refused(logbook_file, until, words):
    said = run("--logbook", logbook_file, "--until", until)
    assert said.exit_code == 1
    assert words in said.stderr


def test_the_journal_is_judged_by_a_learnt_model_only(tmp_path):
    said = run("--state", str(tmp_path))
    assert said.exit_code == 1
    assert "no model learnt of this house is in use" in said.stderr


@pytest.fixture
def learnt(tmp_path):
    """A state folder with a model in use and a journal of a quiet day and a half."""
    from simulated import simulated_rows, write_journal  # noqa: PLC0415 (heavier than the rest)

    small = SITE.model_copy(update={"trees": SITE.trees[:1]})
    head, rows = simulated_rows(1.5, site=small)
    write_journal(tmp_path, small, head, rows)
    prior = parameters_of(SITE)
    Models(tmp_path).accept(
        datetime(2027, 1, 9, tzinfo=UTC), prior, prior, Noise(), doubt_of_handbook(prior.tree_count), {}
    )
    return tmp_path


def test_the_journal_is_judged_by_the_model_in_use(learnt):
    said = run("--state", str(learnt))
    assert said.exit_code == 0, said.output
    assert said.output.startswith("Curlew Yard: ")
    early = run("--state", str(learnt), "--until", "2027-01-10T06:00Z")
    assert "less than a day of readings" in early.stderr


def test_the_daemon_leaves_what_it_found_for_the_keeper(tmp_path, learnt, monkeypatch):
    daemon = Daemon(SITE, tmp_path, SystemClock())
    one = Finding(
        code=FindingCode.FLEECE_OFF, target="lemon", severity=4, because="a test", look_at="the fleece"
    )
    monkeypatch.setattr("controller.look_ahead.findings_of", lambda *_: (one,))
    daemon.ahead.diagnose()
    assert daemon.inbox.take_all() == [Found(source="model", findings=(one,))]

    def fail(*_):
        raise ZeroDivisionError

    monkeypatch.setattr("controller.look_ahead.findings_of", fail)
    daemon.ahead.diagnose()  # told in the log; what was found before no longer stands
    assert daemon.inbox.take_all() == [Found(source="model", findings=())]
    empty = Daemon(SITE, tmp_path / "empty", SystemClock())
    monkeypatch.setattr(empty.ahead.models, "in_use", lambda _: _learnt_model())
    empty.ahead.diagnose()  # no journal yet
    assert empty.inbox.take_all() == [Found(source="model", findings=())]


def _learnt_model():
    prior = parameters_of(SITE)
    return Model(name="20270109T000000Z", parameters=prior, noise=Noise(), doubt=doubt_of_handbook(5))


def test_every_fault_has_its_words_and_its_target():
    parameters = parameters_of(SITE)
    told = {}
    for one in hypotheses(parameters, (1.2,)):
        if one.fault is Fault.WEATHER:
            continue
        suspected = Suspected(hypothesis=one, since_s=1.8e9, evidence=46.0, runner_up=one)
        found = _finding(suspected, parameters, SITE)
        assert "10^20 times likelier if" in found.because
        assert "nearly as likely if" in found.because
        assert "{" not in found.because
        told.setdefault(one.fault, set()).add(found.target)
    assert set(told) == set(_MEANT)
    assert told[Fault.VENT_OPEN] == {"gable-fan"}
    assert "air-lemon" in told[Fault.PROBE_BY_LAMP]
    assert {"house", "air-lemon"} < told[Fault.PROBE_DRIFTED]
    assert "lemon" in told[Fault.FLEECE_OFF]
