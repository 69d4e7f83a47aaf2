"""The monthly proof with the real keeper, simulated boards and the memory of it on disk."""

import math
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from controller.bus.inbound import Inbound
from controller.bus.memory import MemoryBus
from controller.bus.outbound import send
from controller.bus.topics import Topics
from controller.guard.events import BusUp, GiveLease, Tick
from controller.guard.now import Now
from controller.guard.state import begin
from controller.keeper import handle
from controller.proofs import FILE_NAME, Proofs
from simulator.days import Day, sky_of_days
from simulator.installation import Installation
from simulator.wires import as_declared


class Control:
    """The keeper with its proofs, as the daemon has them, on virtual time."""

    def __init__(self, site, folder, wiring, *, hour=11, max_c=13.0):
        self.site, self.topics = site, Topics(site.name)
        start = datetime(2026, 10, 20, hour, tzinfo=ZoneInfo(site.place.time_zone))
        day = Day(day=0, max_c=max_c, min_c=max_c - 4.0, dew_point_c=1.0, cloud_frac=1.0, wind_m_s=3.0)
        sky = sky_of_days([day], site.place, start, start - timedelta(days=8), start + timedelta(days=3), 0)
        self.bus = MemoryBus()
        self.world = Installation(site, sky, start, self.bus.connect, wiring)
        self.inbound = Inbound(site)
        self.heard = []
        self.line = self.bus.connect("controller", self.topics.heard_by_controller, self.heard.append)
        self.proofs = Proofs(site, folder)
        self.state = begin(site, "s1")
        self.made = []
        self.tell(BusUp())

    @property
    def now(self):
        return Now(mono_s=self.world.elapsed_s, utc=self.world.now_utc)

    def tell(self, event):
        self.state, actions = handle(self.state, event, self.now)
        for action in actions:
            sent = (
                self.proofs.pass_on(action, self.state, self.now) if isinstance(action, GiveLease) else action
            )
            send(sent, self.topics, self.line)

    def run(self, minutes):
        for _ in range(int(minutes * 12)):
            self.world.step(5.0)
            self.bus.advance(self.world.elapsed_s)
            self.bus.deliver()
            heard, self.heard[:] = tuple(self.heard), ()
            for message in heard:
                event = self.inbound.event(message)
                if event is not None:
                    self.tell(event)
            self.tell(Tick())
            proof = self.proofs.look(self.state, self.now)
            self.made += [] if proof is None else [proof]
            self.bus.deliver()


def test_sound_boards_pass_once_and_rest_again(curlew_yard, tmp_path):
    site = _without_thermostats(curlew_yard)
    control = Control(site, tmp_path, as_declared(site))
    control.run(30)
    assert {proof.board: proof.passed for proof in control.made} == {"east": True, "west": True}
    assert len(control.made) == 2
    assert all(proof.because.startswith("heat was echoed on 2") for proof in control.made)
    assert control.proofs.findings == ()
    assert all(board.on == () for board in control.world.boards.values())
    assert (tmp_path / FILE_NAME).exists()
    again = Control(site, tmp_path, as_declared(site))
    again.run(15)
    assert again.made == []


@pytest.mark.parametrize("factor", [3.0, math.inf])
def test_a_board_that_holds_heat_off_is_found_and_stays_found_over_a_restart(curlew_yard, tmp_path, factor):
    site = _without_thermostats(curlew_yard)
    wiring = as_declared(site).but("boards", "east", ttl_factor=factor)
    control = Control(site, tmp_path, wiring)
    control.run(30)
    assert {proof.board: proof.passed for proof in control.made} == {"east": False, "west": True}
    (found,) = control.proofs.findings
    assert (found.target, found.severity) == ("east", 4)
    assert Proofs(site, tmp_path).findings == control.proofs.findings


@pytest.mark.parametrize(("hour", "max_c"), [(17, 13.0), (11, 4.0)])
def test_nothing_is_tried_at_night_or_in_cold_air(curlew_yard, tmp_path, hour, max_c):
    site = _without_thermostats(curlew_yard)
    control = Control(site, tmp_path, as_declared(site), hour=hour, max_c=max_c)
    control.run(15)
    assert control.made == []


def test_a_board_with_its_own_thermostat_is_left_out(curlew_yard, tmp_path):
    boards = tuple(b.model_copy(update={"own_thermostat": True}) for b in curlew_yard.boards)
    site = curlew_yard.model_copy(update={"boards": boards})
    control = Control(site, tmp_path, as_declared(site))
    control.run(15)
    assert control.made == []


@pytest.mark.parametrize("body", ["", "[]", '{"east": 3}', '{"east": {"passed": true}}'])
def test_a_damaged_memory_counts_as_never_proved(curlew_yard, tmp_path, body):
    (tmp_path / FILE_NAME).write_text(body)
    assert Proofs(curlew_yard, tmp_path).findings == ()


def _without_thermostats(site):
    boards = tuple(b.model_copy(update={"own_thermostat": False}) for b in site.boards)
    return site.model_copy(update={"boards": boards})
