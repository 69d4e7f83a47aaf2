"""The daily fit as a child: whatever it does, it ends, and only a model is lost."""

import subprocess
import sys
import threading
import time

import pytest
from simulated import SITE

from controller.clock import SystemClock
from controller.daemon import Daemon
from controller.errors import ModelError
from controller.guard.events import OutlookMade
from controller.learn.models import Model
from controller.learn.nightly import resident_bytes, run_fit
from controller.plan.outlook import outlook_of
from controller.thermal.doubt import doubt_of_handbook
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from tests.conftest import DUSK


def child(code):
    return (sys.executable, "-c", code)


def test_what_it_said_is_returned(tmp_path):
    code = "import os, sys; print(sys.argv[1:], os.environ['OPENBLAS_NUM_THREADS'])"
    said = run_fit(SITE, tmp_path, threading.Event(), command=child(code))
    assert str(tmp_path / "fit-site.json") in said
    assert said.endswith("1")


def test_a_real_fit_without_a_journal_fails_in_words(tmp_path):
    with pytest.raises(ModelError, match="no journal can be read here"):
        run_fit(SITE, tmp_path, threading.Event())


def test_a_crash_is_told(tmp_path):
    with pytest.raises(ModelError, match="ZeroDivisionError"):
        run_fit(SITE, tmp_path, threading.Event(), command=child("1/0"))


@pytest.mark.parametrize(
    ("code", "limits", "words"),
    [
        ("import time; time.sleep(60)", {"longest_s": 0.5}, "ended after 0.5 s"),
        ("x = b'1' * 200_000_000\nimport time; time.sleep(60)", {"most_bytes": 100_000_000}, "MB of memory"),
    ],
)
def test_one_that_hangs_or_swells_is_ended(tmp_path, code, limits, words):
    began_s = time.monotonic()
    with pytest.raises(ModelError, match=words):
        run_fit(SITE, tmp_path, threading.Event(), command=child(code), **limits)
    assert time.monotonic() - began_s < 20.0


def test_it_ends_with_the_daemon(tmp_path):
    stop = threading.Event()
    stop.set()
    with pytest.raises(ModelError, match="the daemon stops"):
        run_fit(SITE, tmp_path, stop, command=child("import time; time.sleep(60)"))


def test_memory_of_a_process_that_is_gone_is_none():
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    assert resident_bytes(done.pid) == 0


def test_the_daemon_s_outlook_uses_the_accepted_model_and_a_failed_fit_changes_nothing(
    tmp_path, monkeypatch, capsys
):
    from tests.plan.test_outlook import forecast  # noqa: PLC0415 (a helper of another room's tests)

    daemon = Daemon(SITE, tmp_path, SystemClock())
    leaky = parameters_of(
        SITE.model_copy(update={"house": SITE.house.model_copy(update={"air_changes_per_h": 9.0})})
    )
    model = Model(
        name="20270120T030000Z",
        parameters=leaky,
        noise=Noise(),
        doubt=doubt_of_handbook(leaky.tree_count),
        remark="a word",
    )
    monkeypatch.setattr(daemon.ahead.models, "in_use", lambda _: model)
    monkeypatch.setattr("controller.clock.SystemClock.utc", lambda _: DUSK)
    expected = forecast(-6.0)
    monkeypatch.setattr(daemon.ahead.foresight, "expected", lambda *_: (expected, None))
    daemon.ahead.pull_forecast()
    (made,) = [item for item in daemon.inbox.take_all() if isinstance(item, OutlookMade)]
    handbook = outlook_of(SITE, expected, {}, DUSK)
    learnt = outlook_of(SITE, expected, {}, DUSK, parameters=leaky)
    assert made.outlook.house_min_c == learnt.house_min_c != handbook.house_min_c
    assert daemon.ahead.model_trouble == "a word"
    daemon.ahead.fit_model()  # there is no journal: told, and no exception
    monkeypatch.setattr("controller.look_ahead.run_fit", lambda *_: "a model is accepted")
    daemon.ahead.fit_model()
