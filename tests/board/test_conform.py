"""Every conformance case against the simulated board and the board process; broken boards fail them."""

import time
from dataclasses import replace
from itertools import count

import pytest
from click.testing import CliRunner

from controller.board import conform_live
from controller.board.conform import Can, all_cases, run_case
from controller.board.conform_live import LiveBench
from controller.board.file import example_board, load_board
from controller.bus.board import BoardContract, Refusal
from controller.bus.broker import find_mosquitto, start_broker
from controller.bus.plain import plain_boards
from controller.cli import main
from controller.errors import ConformityError
from controller.site.load import example_site
from simulator.plain_board import LastTexts
from tests.board.benches import PlainBench, ProcessBench, SimBench
from tests.board.conftest import HandClock, until
from tests.bus.test_plain import plain_site

pytestmark = pytest.mark.broker
CASES = {case.name: case for case in all_cases()}
_RUNS = count()
# Faults that a case injects by itself.
INJECTS = {
    "start-heats": ("B01",),
    "lease-of-an-earlier-boot": ("N03",),
    "numbers-only-rise": ("N03",),
    "retained-lease-at-the-start": ("M08",),
    "retained-lease-on-reconnecting": ("M08",),
    "garbage": ("M10",),
    "message-is-too-large": ("M12",),
    "parts-are-wrong": ("M27",),
    "flood": ("M13",),
    "wall-clock-jumps": ("B12",),
    "network-is-gone": ("M07",),
    "vent-waits-for-heat-to-end": ("V02",),
}


@pytest.fixture(scope="module")
def port(tmp_path_factory):
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with start_broker(tmp_path_factory.mktemp("broker"), kind="mosquitto") as running:
        yield running.port


@pytest.fixture(scope="module")
def benches(port, curlew_yard):
    made = {
        "process": ProcessBench(port, "conform-process", load_board(example_board("east"))),
        "simulated": SimBench(port, "conform-simulated", curlew_yard),
    }
    yield made
    for bench in made.values():
        bench.close()


@pytest.mark.parametrize("kind", ["simulated", "process"])
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.fault(*INJECTS.get(name, ()))) for name in CASES]
)
def test_the_board_conforms(benches, kind, name):
    run_case(CASES[name], benches[kind], f"run-{next(_RUNS)}")


NO_CUT = [name for name, each in CASES.items() if Can.CUT not in each.needs]


@pytest.mark.parametrize("echo", [True, False], ids=["echoes", "silent"])
@pytest.mark.parametrize("name", NO_CUT)
def test_a_board_that_knows_only_texts_conforms_with_our_side_before_it(name, echo):
    run_case(CASES[name], PlainBench(plain_site(echo=echo)), "run")


def test_one_that_does_not_follow_its_texts_is_found_by_its_echo(monkeypatch):
    monkeypatch.setattr(LastTexts, "hear", lambda *_: Refusal.GARBLED)
    with pytest.raises(ConformityError, match="every heater may be off by its lease"):
        run_case(CASES["lease-runs-out"], PlainBench(plain_site()), "run")


def test_a_real_one_is_under_the_contract_while_it_is_tried(monkeypatch):
    lived = []

    class Side:
        def __init__(self, *_):
            lived.append("made")

        def start(self):
            lived.append("started")

        def stop(self, _):
            lived.append("stopped")

    def nobody(self):
        raise ConformityError("a fault put in by the test")

    monkeypatch.setattr(conform_live, "PlainThread", Side)
    monkeypatch.setattr(LiveBench, "running", nobody)
    site = plain_site()
    (board,) = plain_boards(site)
    with pytest.raises(ConformityError):
        conform_live.conform(site, board, lambda _: None, lambda _: None)
    assert lived == ["made", "started", "stopped"]
    bench = LiveBench(site, board, lambda _: None, lambda _: None)
    assert bench.can == frozenset(), "no hands reach our side"


def test_there_are_enough_cases_each_with_its_own_name():
    assert len(all_cases()) == len(CASES) >= 25


def lets_through(refusal):
    """Break a board so that it obeys leases that it should refuse for one reason."""

    def spoil(monkeypatch):
        weigh = BoardContract._refusal

        def weighed(self, lease, mono_s):
            found = weigh(self, lease, mono_s)
            return None if found is refusal else found

        monkeypatch.setattr(BoardContract, "_refusal", weighed)

    return spoil


def obeys_retained(monkeypatch):
    hear = BoardContract.hear
    monkeypatch.setattr(BoardContract, "hear", lambda self, m, s: hear(self, replace(m, retained=False), s))


def never_lets_a_lease_end(monkeypatch):
    monkeypatch.setattr(BoardContract, "is_leased", lambda self, _: self._expires_s > 0.0)


def begins_with(**options):
    def spoil(monkeypatch):
        begin = BoardContract.__init__
        monkeypatch.setattr(
            BoardContract, "__init__", lambda self, *args, **more: begin(self, *args, **{**more, **options})
        )

    return spoil


def starts_cold(monkeypatch):
    outputs = BoardContract.outputs
    monkeypatch.setattr(BoardContract, "outputs", lambda self, s: outputs(self, s) if self.session else ())


def lies(monkeypatch):
    echo = BoardContract.echo
    monkeypatch.setattr(BoardContract, "echo", lambda self, *a, **k: echo(self, *a, **{**k, "on": ("1",)}))
    monkeypatch.setattr(SimBench, "on", lambda self: frozenset(self.board._contract.outputs(self.now_s)))


@pytest.mark.parametrize(
    ("spoil", "name"),
    [
        (starts_cold, "start-heats"),
        pytest.param(never_lets_a_lease_end, "lease-runs-out", marks=pytest.mark.fault("B11")),
        (never_lets_a_lease_end, "network-is-gone"),
        (obeys_retained, "retained-lease-on-reconnecting"),
        (lets_through(Refusal.OTHER_BOOT), "lease-of-an-earlier-boot"),
        (lets_through(Refusal.REPLACED_SESSION), "sessions-replace-one-another"),
        (lets_through(Refusal.OLD_SEQUENCE), "numbers-only-rise"),
        (lets_through(Refusal.OLD_ECHO), "echo-answered-is-too-old"),
        (begins_with(minimum_on_s=0.0), "least-time-on"),
        (begins_with(interlocked=()), "vent-waits-for-heat-to-end"),
        (lies, "echo-is-true"),
    ],
)
def test_a_board_that_breaks_the_contract_fails_its_case(port, curlew_yard, monkeypatch, spoil, name):
    spoil(monkeypatch)
    bench = SimBench(port, f"spoiled-{next(_RUNS)}", curlew_yard)
    try:
        with pytest.raises(ConformityError):
            run_case(CASES[name], bench, "run")
    finally:
        bench.close()


def test_a_board_that_counts_by_its_wall_clock_fails_its_case(port, monkeypatch):
    monkeypatch.setattr(HandClock, "mono_s", lambda self: self.now_s + self.wall_jump_s)
    bench = ProcessBench(port, f"spoiled-{next(_RUNS)}", load_board(example_board("east")))
    try:
        with pytest.raises(ConformityError, match="jump of its wall clock"):
            run_case(CASES["wall-clock-jumps"], bench, "run")
    finally:
        bench.close()


class HandTime:
    """Stands in for ``time``: sleeping moves the board's clock, once both sides have heard one another."""

    def __init__(self, bench, live):
        self.bench, self.live = bench, live
        self.monotonic, self.time = time.monotonic, time.time

    def sleep(self, seconds):
        for live in self.live:
            until(lambda live=live: live._ours <= set(self.bench.taken))
        self.bench.wait(seconds)
        for live in self.live:
            until(lambda live=live: live._client.connected)
            until(lambda live=live: not live._echoes or live._echoes[-1] == self.bench.echoes()[-1])


@pytest.fixture
def real(port, curlew_yard, monkeypatch):
    """Make a board that the live bench takes for a real one."""
    name = f"live-{next(_RUNS)}"
    bench, live = ProcessBench(port, name, load_board(example_board("east"))), []
    begin = LiveBench.__init__
    monkeypatch.setattr(LiveBench, "__init__", lambda self, *args: (begin(self, *args), live.append(self))[0])
    monkeypatch.setattr(conform_live, "time", HandTime(bench, live))
    site = curlew_yard.model_copy(update={"name": name, "broker": bench._broker})
    yield bench, site
    bench.close()


def test_an_installer_s_run_with_a_person_at_the_board(real):
    bench, site = real
    said, asked = [], []

    def hands(what):
        asked.append(what)
        if "off the network" in what:
            bench.cut()
        elif "connect" in what:
            bench.mend()
        else:
            bench.restart()

    names = ("start-is-announced", "lease-runs-out", "network-blinks", "vent-moves-by-lease", "echo-is-true")
    assert conform_live.conform(site, site.boards[0], said.append, hands, names) == 0, said
    results = [line.split()[:2] for line in said if line.startswith(("ok ", "FAILED ", "not shown "))]
    assert sorted(results) == sorted([*(["ok", f"{n}:"] for n in names[:4]), ["not", "shown"]])
    assert asked[0] == "cut the power of board east, wait 20 s, and give it back"


def test_nobody_is_there_and_a_board_fails_a_case(real, monkeypatch):
    _, site = real
    said, names = [], ("lease-runs-out", "start-heats")
    sees = LiveBench.on
    monkeypatch.setattr(LiveBench, "on", lambda self: sees(self) | {"5"})  # a relay that never lets go
    assert conform_live.conform(site, site.boards[0], said.append, None, names) == 1
    assert any(line.startswith("FAILED     lease-runs-out") for line in said)
    assert any(line.startswith("not shown  start-heats: needs to cut the board's power") for line in said)


def test_while_a_controller_is_at_work_nothing_begins(real):
    bench, site = real
    wait = bench.wait

    def renewed(seconds):
        wait(seconds / 2)
        bench.send(b'{"session":"the-controller","boot":"b","seq":1,"ttl_s":300.0}')
        wait(seconds / 2)

    conform_live.time.sleep = renewed
    with pytest.raises(ConformityError, match="stop it first"):
        conform_live.conform(site, site.boards[0], lambda _: None, None)


def test_a_board_that_is_not_there_is_named(real):
    _, site = real
    with pytest.raises(ConformityError, match="board west has sent no echo"):
        conform_live.conform(site, site.boards[1], lambda _: None, None)


def test_the_command_lists_its_cases_and_wants_its_caution_read():
    site = str(example_site("curlew-yard"))
    listed = CliRunner().invoke(main, ["conform", "--site", site, "--board", "east", "--list"])
    assert len(listed.output.splitlines()) == len(CASES)
    told = CliRunner().invoke(main, ["conform", "--site", site, "--board", "east"], input="n\n")
    assert "never do this on a day before a frost" in told.output
    assert told.exit_code == 1
    wrong = CliRunner().invoke(main, ["conform", "--site", site, "--board", "north"])
    assert "there is no board 'north'" in wrong.output
    wrong = CliRunner().invoke(main, ["conform", "--site", site, "--board", "east", "--case", "x"])
    assert "there is no case x" in wrong.output
