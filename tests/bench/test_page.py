"""The page as a process: what it weighs, what it stands, and that control does not notice its end."""

import hashlib
import itertools
import os
import signal
import socket
import threading
import time
from collections import Counter, deque
from contextlib import contextmanager, nullcontext
from pathlib import Path

import pytest
import requests
from hypothesis import HealthCheck, given, settings

from controller import daemon as module
from controller.bus.broker import find_mosquitto
from controller.daemon import Daemon
from controller.guard.decision import Reason
from controller.guard.events import Confirmed, Decide, HandOrdered
from controller.keeper import handle
from controller.phone.access import Limits
from controller.phone.api import TOKEN_HEADER, describe
from controller.phone.screen import MOST_STREAMS
from controller.phone.serve import STORE_FILE
from controller.phone.store import Store
from simulator.live import LiveRehearsal
from simulator.night import load_night
from tests.conftest import DUSK
from tests.phone.conftest import (  # noqa: F401 (fixtures)
    ACCEPTED,
    clock,
    page,
    say_done,
    served,
    status_for,
    with_alarms,
    with_outlook,
)

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]
CASES = 10_000


@contextmanager
def playing(live):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    thread = threading.Thread(target=live.run)
    thread.start()
    try:
        yield live
    finally:
        live.stopping.set()
        thread.join(60.0)
        assert not thread.is_alive()


def visitor(live, within_s=60.0):
    """Return somebody who has loaded the page; wait until it has heard the controller."""
    ends_s = time.monotonic() + within_s
    while True:
        try:
            somebody = requests.Session()
            address = f"http://127.0.0.1:{live.page_port}/"
            shown = somebody.get(address, timeout=5.0)
            if "tree" in shown.text and "Nothing has been heard" not in shown.text:
                return somebody, address
        except (AttributeError, requests.RequestException):
            pass
        assert time.monotonic() < ends_s, "the page did not come up"
        time.sleep(0.2)


def held_mb(pid):
    """Return the memory a process holds [MB of 2^20 bytes], shared libraries included whole (proc(5))."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024.0 for line in lines if line.startswith("VmRSS"))


LOOKS = ("", "api/status", "api/session", "api/openapi.json", "metrics", "well", "login", "tap/x", "nowhere")
PASSWORD = "satsumas in snow"


def use_everything(address, live, times):
    """Ask for everything the page has, and order and say things, as many a phone and program might."""
    for _ in range(times):
        with requests.Session() as phone:
            for path in LOOKS:
                assert phone.get(f"{address}{path}", timeout=30.0).status_code < 500
            token = phone.get(f"{address}api/session", timeout=10.0).json()["form"]
            until = int(live.clock.utc().timestamp()) + 7200
            form = {"form": token, "target": "all", "order": "hand-on", "until": str(until)}
            own = {"Origin": address.rstrip("/")}
            shown = phone.post(f"{address}hand", form, headers=own, timeout=30.0)
            assert "Done" in shown.text
            off = form | {"target": "tree:lemon", "order": "hand-off"}
            assert "this can cost fruit" in phone.post(f"{address}hand", off, headers=own, timeout=30.0).text
            said = {"form": token, "target": "all", "what": "covered"}
            assert "Noted" in phone.post(f"{address}confirm", said, headers=own, timeout=30.0).text
            back = {"form": token, "target": "all", "order": "auto"}
            assert phone.post(f"{address}hand", back, headers=own, timeout=30.0).ok


def log_in(address, live):
    """Set a password while the page runs; try a wrong one and the right one by turns."""
    store = Store(live._folder / "state" / STORE_FILE)  # (as the command sets it)
    store.set_password(PASSWORD)
    store.close()
    for password, status in [("guessed", 403), (PASSWORD, 200)] * 2:
        wish = {"who": "Nora", "password": password}
        assert requests.post(f"{address}api/login", json=wish, timeout=30.0).status_code == status


def test_what_page_and_controller_weigh():
    """After everything was used a hundred times, passwords checked, and with all the streams there may be."""
    night = load_night("clear-calm")
    live = LiveRehearsal(night, night.load_site(), 1, pace=60.0, say=lambda _: None)
    with playing(live):
        somebody, address = visitor(live)
        weights = [("at first", held_mb(live.page.pid), held_mb(live.daemon.pid))]
        use_everything(address, live, 100)
        weights += [("all used", held_mb(live.page.pid), held_mb(live.daemon.pid))]
        streams = [somebody.get(f"{address}events", stream=True, timeout=10.0) for _ in range(MOST_STREAMS)]
        time.sleep(10.0)
        weights += [(f"{len(streams)} streams", held_mb(live.page.pid), held_mb(live.daemon.pid))]
        for stream in streams:
            stream.close()
        sent = somebody.get(address, timeout=10.0)
        log_in(address, live)
        time.sleep(10.0)
        weights += [("logged in", held_mb(live.page.pid), held_mb(live.daemon.pid))]
    for when, page_mb, daemon_mb in weights:
        print(f"{when}: page {page_mb:.1f} MB, controller {daemon_mb:.1f} MB resident")
    print(f"page: {sent.headers['content-length']} bytes compressed, {len(sent.content)} bytes plain")
    assert int(sent.headers["content-length"]) < 30_000
    assert max(page_mb for _, page_mb, _ in weights) < 50.0
    assert max(daemon_mb for *_, daemon_mb in weights) < 80.0


class InThisProcess:
    """The daemon as a thread of this process, so that what it is told and decides can be written down."""

    def __init__(self, site, folder, at):
        self.daemon, self.pid = Daemon(site, folder, at), os.getpid()
        self.thread = threading.Thread(target=self.daemon.run)
        self.thread.start()

    def poll(self):
        return None if self.thread.is_alive() else 0

    def send_signal(self, _):
        self.daemon.stopping.set()

    def wait(self, timeout):
        self.thread.join(timeout)


class Overheard(LiveRehearsal):
    """A live rehearsal whose daemon runs in this process."""

    def _start_daemon(self):
        state = self._folder / "state"
        state.mkdir(exist_ok=True)
        site = self._rehearsal_site(self._forecast_url, "5")
        self.daemon = InThisProcess(site, state, self.clock)

    def _rehearsal_site(self, forecast_url, protocol):
        self._forecast_url = forecast_url
        return super()._rehearsal_site(forecast_url, protocol)


def trace_of(actions):
    return hashlib.sha256("\n".join(map(repr, actions)).encode()).hexdigest()


def slow_sockets(port):
    """Return 400 connections that each begin to ask and never end."""
    slow = [socket.create_connection(("127.0.0.1", port), timeout=10.0) for _ in range(400)]
    for each in slow:
        each.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
    return slow


def test_a_page_that_hangs_and_dies_on_a_cold_night_changes_no_decision(monkeypatch):
    """Every decision is the one that the pure loop takes from the same events without any page."""
    told = []

    def overheard(state, event, now):
        after = handle(state, event, now)
        told.append((state, event, now, after[1]))
        return after

    monkeypatch.setattr(module, "handle", overheard)
    night = load_night("clear-calm")
    live = Overheard(night, night.load_site(), 1, pace=400.0, say=lambda _: None)
    with playing(live):
        somebody, address = visitor(live)
        with somebody.get(f"{address}events", stream=True, timeout=10.0):
            heats = wait_for_heat(told, begin=0)
            slow = slow_sockets(live.page_port)
            assert somebody.get(f"{address}well", timeout=10.0).ok, "400 slow sockets keep nobody out"
            live.page.send_signal(signal.SIGSTOP)
            hung_at = len(told)
            with pytest.raises(requests.RequestException):
                somebody.get(address, timeout=2.0)
            time.sleep(15.0)  # well over an hour of the night
            killed_at = len(told)
            for each in slow:
                each.close()
            live.page.kill()
            live.page.wait(10.0)
            time.sleep(5.0)
    assert heats
    decided = [action for *_, actions in told[hung_at:killed_at] for action in actions]
    assert any(isinstance(action, Decide) and action.changed for action in decided), "it went on deciding"
    assert not any(isinstance(event, HandOrdered | Confirmed) for _, event, _, _ in told)
    state, again = told[0][0], []
    for _, event, now, _ in told:
        state, actions = handle(state, event, now)
        again += actions
    live_trace = trace_of(action for *_, actions in told for action in actions)
    print(f"{len(told)} events, {killed_at - hung_at} of them while the page hung; trace {live_trace[:16]}")
    assert trace_of(again) == live_trace


def wait_for_heat(told, begin, within_s=240.0):
    """Wait until a tree was heated because it was cold; tell whether it was."""
    ends_s = time.monotonic() + within_s
    while time.monotonic() < ends_s:
        new, begin = told[begin:], len(told)
        for *_, actions in new:
            for action in actions:
                if isinstance(action, Decide) and action.decision.reason is Reason.COLD:
                    return True
        time.sleep(0.2)
    return False


class Program:
    """Whoever is logged in and asks what schemathesis makes up, now and then with something wrong on purpose.

    What is made up hits upon no tree's name and no alarm's key, and what is refused at the first look shows
    little: so names, keys, ids and the password are mostly put right, and the session's own token is sent.
    """

    def __init__(self, address, make_session):
        self.address, self.make_session = address, make_session
        self.asked, self.statuses, self.ids = Counter(), Counter(), deque(["w1"], maxlen=20)
        self.log_in()

    def log_in(self):
        self.session = self.make_session()
        wish = {"who": "logger", "password": PASSWORD}
        answer = self.session.post(f"{self.address}/api/login", json=wish, timeout=10.0)
        self.token = answer.json()["form"]

    def put_right(self, body, n):
        """Return a body with what exists in place of what was made up."""
        right = {
            "key": ("all", "board-silent.east")[n % 2],
            "of": ("w1", self.ids[n % len(self.ids)])[n % 2],  # the page forgets ids, the status no word
            "password": PASSWORD,
            "target": ("all", "tree:lemon", "tree:yuzu", "vent:gable-fan")[n % 4],
            "until": int(DUSK.timestamp()) + 3600 * (n % 9 + 1),
        }
        if body.get("what") == "vents-shut":
            right["target"] = ("all", "vent:gable-fan")[n % 2]
        named = {*body, "until"} if "order" in body else {*body}
        return body | {name: value for name, value in right.items() if name in named}

    def ask(self, case):
        label = case.operation.label
        n = self.asked[label] = self.asked[label] + 1
        if isinstance(case.body, dict) and n % 6:
            case.body = self.put_right(case.body, n)
        headers = {TOKEN_HEADER: self.token} if n % 10 else {}
        stranger = n % 25 == 0 or "/login" in label  # logging in anew would leave our own token behind
        with self.make_session() if stranger else nullcontext(self.session) as session:
            answer = case.call(base_url=self.address, session=session, headers=headers)
        self.statuses[label, answer.status_code] += 1
        made = label in {"POST /api/orders", "POST /api/confirmations"} and answer.status_code == 200
        self.ids.extend([answer.json()["id"]] if made else [])
        return answer

    def told(self):
        """Return how often each operation gave each status."""
        return {
            label: {status: n for (of, status), n in sorted(self.statuses.items()) if of == label}
            for label in self.asked
        }


def test_schemathesis_finds_no_fault_of_ours(page, drive, monkeypatch):  # noqa: F811 (fixtures)
    """At least 10,000 cases made by schemathesis from our own description, over HTTP, behind the log-in."""
    schemathesis = pytest.importorskip("schemathesis")
    from schemathesis.checks import not_a_server_error  # noqa: PLC0415
    from schemathesis.specs.openapi.checks import response_schema_conformance  # noqa: PLC0415

    monkeypatch.setattr("controller.phone.access.is_password", lambda _, given: given == PASSWORD)
    monkeypatch.setattr("controller.phone.courier.ANSWER_WITHIN_S", 0.05)
    with_outlook(drive)
    say_done(drive, "covered", name="w1")
    page.hear(with_alarms(status_for(drive)))
    refused = ACCEPTED.model_copy(update={"accepted": False, "because": "no"})
    answers = itertools.cycle([ACCEPTED] * 10 + [refused, None])

    def answer_in_turn(*_):
        page.guard_says = next(answers)

    page.guard = answer_in_turn
    page.store.set_password(PASSWORD)
    page.limits = Limits(logins=10**9, logins_together=10**9, orders=10**9)
    page.__post_init__()  # the limits are read when the page is made
    operations = [found.ok() for found in schemathesis.openapi.from_dict(describe()).get_all_operations()]
    changing = [each for each in operations if each.method.upper() == "POST"]
    modes = schemathesis.GenerationMode
    with served(page) as address:
        program = Program(address, requests.Session)

        def ask(case):
            answer = program.ask(case)
            case.validate_response(answer, checks=[not_a_server_error, response_schema_conformance])

        for operation, mode in itertools.product(operations, (modes.POSITIVE, modes.NEGATIVE)):
            if operation not in changing and mode is modes.NEGATIVE:
                continue  # there is nothing to get wrong
            share = {modes.POSITIVE: 0.8, modes.NEGATIVE: 0.25}[mode]
            bounds = settings(
                max_examples=round(CASES * share / len(changing)) if operation in changing else 100,
                deadline=None,
                suppress_health_check=list(HealthCheck),
                derandomize=True,
                database=None,
            )
            bounds(given(operation.as_strategy(generation_mode=mode))(ask))()
    asked = sum(program.asked.values())
    done = {label: by.get(200, 0) for label, by in program.told().items()}
    print(f"{asked} cases, {sum(done.values())} answered 200")
    for label, by in program.told().items():
        print(f"  {label}: {by}")
    assert asked >= CASES
    assert max(status for _, status in program.statuses) < 500
    assert sum(done.values()) > 0.4 * asked
    assert all(done[operation.label] >= 500 for operation in changing)
    assert all("/hand/" in t or "/confirm/" in t or "/acknowledge/" in t for t, _ in page.published)
