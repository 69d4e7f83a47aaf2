"""What several tests share: the example site, times, and a keeper that is easy to drive."""

import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest

from controller.bus.broker import find_mosquitto, start_broker
from controller.guard.decision import Decision
from controller.guard.events import Action, Decide, EchoHeard, Event, GiveLease, ProbeHeard, Tick
from controller.guard.now import Now
from controller.guard.state import State, begin
from controller.keeper import handle
from controller.site.load import example_site, load_site
from controller.site.model import Site

pytest_plugins = ["tests.faults.ledger"]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item):
    """Keep coverage from watching whole nights: it triples their time, and each part has tests of its own."""
    if item.get_closest_marker("untraced") is None:
        return (yield)
    tracer = sys.gettrace()
    sys.settrace(None)
    try:
        return (yield)
    finally:
        sys.settrace(tracer)


DUSK = datetime(2027, 1, 14, 17, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def mosquitto(tmp_path_factory):
    """A broker that the tests of a module share."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with start_broker(tmp_path_factory.mktemp("broker"), kind="mosquitto") as running:
        yield running


@pytest.fixture(scope="session")
def curlew_yard() -> Site:
    return load_site(example_site("curlew-yard"))


def at(mono_s: float, *, clock_trusted: bool = True) -> Now:
    """Return the present, ``mono_s`` after dusk."""
    return Now(mono_s=mono_s, utc=DUSK + timedelta(seconds=mono_s), clock_trusted=clock_trusted)


@dataclass
class Drive:
    """A keeper with its probes and boards, driven by a test step by step."""

    site: Site
    state: State = field(init=False)
    mono_s: float = 0.0
    temps_c: dict[str, float] = field(default_factory=dict)
    boards_answer: bool = True
    actions: list[Action] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.state = begin(self.site, "s1")
        self.temps_c = {probe.name: 8.0 for probe in self.site.probes}

    @property
    def now(self) -> Now:
        return at(self.mono_s)

    def tell(self, event: Event) -> tuple[Action, ...]:
        self.state, actions = handle(self.state, event, self.now)
        self.actions += actions
        return actions

    def step(self, seconds: float = 10.0, *, silent: Iterable[str] = ()) -> tuple[Action, ...]:
        """Let time pass: probes report, boards echo the last lease, the keeper ticks.

        Before the first step the probes have already said their first words, which do not count.
        """
        if not self.state.probes:
            for ago_s in (2.0, 1.0):
                for probe, temp_c in self.temps_c.items():
                    if probe not in silent:
                        then = self.now.utc - timedelta(seconds=ago_s)
                        self.tell(ProbeHeard(probe=probe, temp_c=temp_c, at=then))
        self.mono_s += seconds
        for probe, temp_c in self.temps_c.items():
            if probe not in silent:
                self.tell(ProbeHeard(probe=probe, temp_c=temp_c, at=self.now.utc))
        if self.boards_answer:
            for board in self.site.boards:
                self.echo(board.name)
        return self.tell(Tick())

    def echo(self, board: str, *, boot: str = "b1", on: tuple[str, ...] = ()) -> None:
        seq = self.state.boards[board].seq
        self.tell(EchoHeard(board=board, boot=boot, session="s1", seq=seq, on=on, uptime_s=self.mono_s))

    def tree(self, name: str) -> Decision:
        return self.state.heat[name]

    def vent(self, name: str) -> Decision:
        return self.state.vent[name]

    def leases(self) -> list[GiveLease]:
        return [action for action in self.actions if isinstance(action, GiveLease)]

    def decided(self) -> list[Decision]:
        return [action.decision for action in self.actions if isinstance(action, Decide)]


def rest(drive: Drive, minutes: float = 2.0) -> None:
    """Let time pass at the control loop's period, with nothing new."""
    for _ in range(int(minutes * 6)):
        drive.step(10.0)


@pytest.fixture
def drive(curlew_yard: Site) -> Drive:
    return Drive(curlew_yard)
