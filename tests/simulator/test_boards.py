import json
from datetime import UTC, datetime, timedelta

import pytest

from controller.bus.memory import MemoryBus
from controller.bus.messages import AlivePayload, EchoPayload, LeasePayload, ProbePayload, read
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.site.model import Probe
from simulator.boards import SimBoard, _payload_writer
from simulator.probes import SimProbe

START = datetime(2027, 1, 15, 15, tzinfo=UTC)


class Bench:
    """One board of the example site on a bus in memory, with everything it says."""

    def __init__(self, site, name="east"):
        self.topics = Topics(site.name)
        self.bus = MemoryBus()
        self.said = []
        self.bus.connect("spy", (f"{self.topics.root}/#",), self.said.append)
        probes = [(probe, SimProbe(probe.name, 1)) for probe in site.probes[:3]]
        for _, sim in probes:
            sim.follow(3.0, 60.0)
        board = next(board for board in site.boards if board.name == name)
        self.controller = self.bus.connect("controller", (), lambda _: None)
        self.board = SimBoard(board, site, probes, 1, self.bus.connect)
        self.mono_s = 0.0
        self.go(0.0)

    def go(self, seconds, dt_s=10.0):
        self.tick()
        end_s = self.mono_s + seconds
        while self.mono_s < end_s:
            self.mono_s += dt_s
            self.bus.advance(self.mono_s)
            self.tick()

    def tick(self):
        self.board.tick(self.mono_s, START + timedelta(seconds=self.mono_s))
        self.bus.deliver()

    def heard(self, topic, kind):
        return [read(kind, message.payload) for message in self.said if message.topic == topic]

    @property
    def echoes(self):
        return self.heard(self.topics.echo("east"), EchoPayload)

    def lease(self, off=(), vent=(), seq=1, boot=None, retain=False, ttl_s=300.0):
        boot = boot or self.echoes[-1].boot
        payload = LeasePayload(session="s", boot=boot, seq=seq, ttl_s=ttl_s, off=off, vent=vent)
        self.controller.publish(self.topics.lease("east"), payload.to_json(), retain=retain)
        self.bus.deliver()


@pytest.fixture
def bench(curlew_yard):
    return Bench(curlew_yard)


def test_it_announces_itself_and_heats_from_the_start(bench):
    births = bench.heard(bench.topics.alive("east"), AlivePayload)
    assert [birth.alive for birth in births] == [True]
    assert bench.echoes[0].boot == births[0].session
    assert bench.echoes[0].on == ("1", "2", "3", "4", "5")
    assert bench.echoes[0].reset_reason == "power-on"
    assert bench.echoes[0].at == START


def test_it_echoes_every_half_minute(bench):
    bench.go(600)
    assert len(bench.echoes) == 21
    assert bench.echoes[-1].uptime_s == 600.0


def test_it_reads_its_probes_every_twenty_seconds(bench):
    bench.go(600)
    readings = bench.heard(bench.topics.probe("outside"), ProbePayload)
    assert len(readings) == 31
    assert readings[-1].at == START + timedelta(seconds=600)
    assert readings[-1].temp_c == pytest.approx(3.0, abs=0.8)


def test_a_lease_is_echoed_at_once_and_obeyed_after_the_least_time_on(bench):
    before = len(bench.echoes)
    bench.go(60)
    bench.lease(off=("1", "2"))
    assert len(bench.echoes) == before + 3  # two by the clock and one that answers
    assert bench.echoes[-1].seq == 1
    assert bench.echoes[-1].on == ("1", "2", "3", "4", "5")
    bench.go(60)
    assert bench.board.on == ("3", "4", "5")
    assert bench.echoes[-1].on == ("3", "4", "5")


def test_a_lease_that_is_not_renewed_runs_out_by_the_boards_own_timer(bench):
    bench.go(200)
    bench.lease(off=("1", "2", "3", "4", "5"), vent=("6",), ttl_s=285.0)
    assert bench.board.on == ("6",)
    bench.go(280)
    assert bench.board.on == ("6",)
    count = len(bench.echoes)
    bench.go(10)  # 290 s after the lease was echoed: nothing is due before 300 s
    assert bench.board.on == ("1", "2", "3", "4", "5")
    assert len(bench.echoes) == count + 1


def test_a_vent_stays_at_rest_while_a_heater_of_its_board_heats(bench):
    bench.go(200)
    bench.lease(off=("1",), vent=("6",))
    assert bench.board.on == ("2", "3", "4", "5")


def test_retained_old_and_foreign_leases_change_nothing_and_are_counted(bench):
    bench.go(200)
    boot = bench.echoes[-1].boot
    bench.lease(off=("1",), seq=5)
    bench.lease(off=("1", "2"), seq=5)
    bench.lease(off=("1", "2"), seq=6, boot="0123")
    bench.controller.publish(bench.topics.lease("east"), b"{}")
    bench.bus.deliver()
    assert bench.board.on == ("2", "3", "4", "5")
    bench.lease(off=("1", "2", "3"), seq=7, boot=boot, retain=True)
    bench.board.reboot()
    bench.tick()
    assert bench.board.on == ("1", "2", "3", "4", "5")
    assert bench.board.refusals == {"old-sequence": 1, "other-boot": 1, "garbled": 1, "retained": 1}


def test_after_a_restart_it_has_a_new_name_and_no_lease(bench):
    bench.go(200)
    bench.lease(off=("1",))
    old = bench.echoes[-1].boot
    bench.board.reboot("brown-out")
    bench.tick()
    assert bench.echoes[-1].boot != old
    assert bench.echoes[-1].reset_reason == "brown-out"
    assert bench.board.on == ("1", "2", "3", "4", "5")
    births = bench.heard(bench.topics.alive("east"), AlivePayload)
    assert [birth.alive for birth in births] == [True, False, True]  # its will, then its new birth


def test_without_supply_it_is_silent_and_its_contacts_rest_closed(bench):
    bench.go(200)
    bench.lease(off=("1",), vent=("6",))
    bench.board.power(on=False)
    bench.said.clear()
    bench.go(120)
    bench.lease(off=("1",), seq=2, boot="x")
    assert bench.board.on == ("1", "2", "3", "4", "5")
    bench.board.reboot()
    bench.board.power(on=False)
    assert bench.echoes == []
    bench.board.power(on=True)
    bench.board.power(on=True)
    bench.tick()
    assert len(bench.echoes) == 1


def test_boot_names_go_by_the_seed(curlew_yard):
    assert Bench(curlew_yard).echoes[0].boot == Bench(curlew_yard).echoes[0].boot
    assert Bench(curlew_yard).echoes[0].boot != Bench(curlew_yard, "west").board._boot


def test_payloads_are_what_the_contract_reads():
    write = _payload_writer(Probe(name="a", measures="outside"))
    for temp_c in (-7.8125, 0.0, 25.0625):
        payload = read(ProbePayload, write(temp_c, START.isoformat()))
        assert (payload.temp_c, payload.at) == (temp_c, START)


def test_a_board_of_another_make_sends_what_its_pointer_says():
    write = _payload_writer(Probe(name="a", measures="outside", topic="shed/3", pointer="/DS/t~1c"))
    assert json.loads(write(1.25, "ignored")) == {"DS": {"t/c": 1.25}}


class BareTransport:
    """What a bus must offer, and no more."""

    def __init__(self, listener):
        self.listener, self.topics = listener, []

    def publish(self, topic, *_payload, **_options):
        self.topics.append(topic)


def test_any_transport_will_do_and_a_dead_board_hears_nothing(curlew_yard):
    lines = []

    def connect(_client, _filters, listener, _will, *, on_up):
        del on_up
        lines.append(BareTransport(listener))
        return lines[-1]

    board = SimBoard(curlew_yard.boards[0], curlew_yard, [], 1, connect)
    board.tick(0.0, START)
    board.power(on=False)
    lines[0].listener(Message("rimeward/1/curlew-yard/lease/east", b"{}"))
    assert board.refusals == {}
    board.power(on=True)
    board.tick(30.0, START)
    assert [line.topics[-1].rsplit("/", 2)[1] for line in lines] == ["echo", "echo"]
