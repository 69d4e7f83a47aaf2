"""A board that knows only texts, under the lease contract, on a bus in memory."""

from datetime import UTC, datetime

import pytest

from controller.bus.memory import MemoryBus
from controller.bus.messages import AlivePayload, EchoPayload, LeasePayload, read
from controller.bus.plain import PlainBoard, plain_boards
from controller.bus.topics import Topics
from controller.site.load import example_site, parse_site
from simulator.plain_board import SimPlainBoard

START = datetime(2027, 1, 15, 15, tzinfo=UTC)
ALL = ("1", "2", "3", "4", "5")
# Inverted sense on every second channel: its coil is energised by the text "off".
SENSES = {n: ("on", "off") if int(n) % 2 else ("off", "on") for n in "123456"}


def plain_site(*, echo=True, cut_off="keeps", will_proven=True):
    """Return Curlew Yard with an east board that knows only texts."""
    text = example_site("curlew-yard").read_text()
    head, _, tail = text.partition('name = "east"\nchannel = [')
    _, _, tail = tail.partition("]\n")
    channels = []
    for number, (energise, release) in SENSES.items():
        contact = "working" if number == "6" else "resting"
        more = f', echo_topic = "shed/is/{number}"' if echo else ""
        channels.append(
            f'  {{ id = "{number}", contact = "{contact}", contact_a = 10.0, plain = {{ topic = '
            f'"shed/do/{number}", energise = "{energise}", release = "{release}", '
            f"will_proven = {str(will_proven).lower()}{more} }} }},"
        )
    board = f'name = "east"\ncut_off = "{cut_off}"\nchannel = [\n' + "\n".join(channels) + "\n]\n"
    return parse_site(head + board + tail)


class Bench:
    def __init__(self, site):
        self.bus, self.topics = MemoryBus(), Topics(site.name)
        self.said = []
        self.bus.connect("spy", ("#",), self.said.append)
        self.controller = self.bus.connect("controller", (), lambda _: None)
        (described,) = plain_boards(site)
        self.real = SimPlainBoard(described, site, [], 1, self.bus.connect)
        self.clients = []
        self.side = PlainBoard(described, site, "boot-1", self._connect)
        self.mono_s, self.seq = 0.0, 0
        self.go(0.0)

    def _connect(self, *args, **more):
        self.clients.append(self.bus.connect(*args, **more))
        return self.clients[-1]

    def go(self, seconds, *, side=True, dt_s=1.0):
        end_s = self.mono_s + seconds
        while True:
            self.bus.advance(self.mono_s)
            for _ in range(2):
                if side:
                    self.side.tick(self.mono_s, None)
                self.real.tick(self.mono_s, START)
                self.bus.deliver()
            if self.mono_s >= end_s:
                return self.real.on
            self.mono_s += dt_s

    @property
    def echoes(self):
        return [read(EchoPayload, m.payload) for m in self.said if m.topic == self.topics.echo("east")]

    def lease(self, off=ALL, vent=(), **more):
        self.seq += 1
        lease = LeasePayload(
            session="s", boot="boot-1", seq=self.seq, **{"ttl_s": 300.0, "off": off, "vent": vent, **more}
        )
        self.controller.publish(self.topics.lease("east"), lease.to_json())
        return self.go(1.0)

    def texts(self, number="1"):
        return [m.payload.decode() for m in self.said if m.topic == f"shed/do/{number}" and m.payload]

    def kill(self):
        for client in self.clients:
            client.kill()
        self.bus.deliver()


@pytest.fixture
def bench():
    made = Bench(plain_site())
    made.go(130.0)
    return made


def test_it_says_heat_from_the_start_and_again_every_half_minute(bench):
    assert bench.real.on == ALL
    assert set(bench.texts("1")) == {"off"}  # the coil released: the resting contact heats
    assert set(bench.texts("2")) == {"on"}  # of inverted sense
    assert 5 <= len(bench.texts("1")) <= 6
    assert not any(m.retained for m in bench.said)


def test_a_lease_becomes_texts_and_its_end_becomes_heat(bench):
    assert bench.lease(off=ALL, vent=("6",), ttl_s=60.0) == ("6",)
    assert bench.texts("1")[-1] == "on"
    assert bench.texts("2")[-1] == "off"
    bench.go(58.0)
    assert bench.real.on == ("6",)
    assert bench.go(7.0) == ALL


def test_heaters_come_on_one_after_another(bench):
    bench.lease()
    bench.lease(off=())
    assert bench.real.on == ("1", "2")
    assert bench.go(3.0) == ALL


def test_it_echoes_what_the_board_echoes(bench):
    bench.lease(off=("1",))
    assert bench.echoes[-1].on == bench.real.on == ("2", "3", "4", "5")
    assert bench.echoes[-1].seq == 1
    bench.real._contract.hear = lambda *_: None  # it confirms nothing and switches nothing any more
    bench.lease(off=ALL)
    bench.go(5.0)
    assert bench.echoes[-1].on == ("2", "3", "4", "5")


@pytest.mark.fault("M02", "M06")
def test_when_this_side_is_killed_the_broker_says_heat_at_once(bench):
    assert bench.lease() == ()
    bench.kill()
    bench.go(0.0, side=False)
    assert bench.real.on == ALL


def test_when_this_side_s_network_is_cut_the_broker_says_heat_after_one_and_a_half_keepalives(bench):
    bench.lease()
    for client in bench.clients:
        client.cut()
    bench.go(14.0, side=False)
    assert bench.real.on == ()
    bench.go(2.0, side=False)
    assert bench.real.on == ALL


def test_when_the_loop_that_decides_stands_still_the_leases_run_out_here(bench):
    bench.lease()
    bench.go(298.0)
    assert bench.real.on == ()
    assert bench.go(10.0) == ALL


@pytest.mark.fault("B01")
def test_a_board_that_restarts_in_a_lease_heats_and_is_told_again_when_it_echoes(bench):
    bench.lease()
    bench.real.power(on=False)
    bench.go(5.0)
    assert bench.real.on == ALL
    bench.real.power(on=True)
    assert bench.go(6.0) == ()


def test_a_board_without_echo_that_restarts_in_a_lease_is_told_again_within_half_a_minute():
    bench = Bench(plain_site(echo=False))
    bench.go(130.0)
    bench.lease()
    bench.real.power(on=False)
    bench.real.power(on=True)
    bench.go(0.0)
    # after its start its coils are dead: of whatever sense, a released coil heats on the resting contact
    assert bench.real.on == ALL
    assert bench.go(30.0) == ()


@pytest.mark.fault("N01")
def test_a_stranger_s_text_is_answered_within_a_second_or_two_and_counted(bench):
    before = len(bench.texts("1"))
    bench.go(15.0)
    stranger = bench.bus.connect("stranger", (), lambda _: None)
    stranger.publish("shed/do/1", b"on")
    bench.go(2.0)
    assert bench.real.on == ALL
    assert bench.side.outputs[0].strangers == 1
    for _ in range(200):
        stranger.publish("shed/do/1", b"on")
    bench.go(3.0)
    assert bench.real.on == ALL
    assert len(bench.texts("1")) - before - 201 < 8  # they cannot make it shout


@pytest.mark.fault("M08")
def test_what_somebody_left_retained_is_cleared_and_a_board_that_obeyed_it_is_put_right():
    site = plain_site()
    bus = MemoryBus()
    bus.connect("somebody", (), lambda _: None).publish("shed/do/1", b"on", retain=True)
    (described,) = plain_boards(site)
    real = SimPlainBoard(described, site, [], 1, bus.connect)
    bus.deliver()
    real.tick(0.0, START)
    assert "1" not in real.on  # such a board believes a retained text
    side = PlainBoard(described, site, "boot-1", bus.connect)
    for mono_s in (0.0, 1.0, 2.0):
        bus.advance(mono_s)
        bus.deliver()
        side.tick(mono_s, None)
        bus.deliver()
        real.tick(mono_s, START)
    assert real.on == ALL
    assert bus.retained("shed/do/1") is None
    assert side.outputs[0].strangers == 1


def test_a_silent_board_is_not_spoken_for_so_it_gets_no_lease(bench):
    bench.real.power(on=False)
    bench.go(91.0)
    count = len(bench.echoes)
    bench.go(120.0)
    assert len(bench.echoes) == count
    bench.real.power(on=True)
    bench.go(40.0)
    assert len(bench.echoes) > count


def test_a_board_without_echo_is_spoken_for():
    bench = Bench(plain_site(echo=False))
    bench.go(130.0)
    bench.lease(off=("1", "2"))
    assert bench.echoes[-1].on == bench.real.on == ("3", "4", "5")


def test_nothing_said_while_the_broker_is_away_comes_later(bench):
    bench.lease()
    for client in bench.clients:
        client.cut()
    bench.go(20.0)
    for _ in range(20):
        bench.lease()  # heard by nobody
    before = len(bench.texts("1"))
    for client in bench.clients:
        client.restore()
    bench.go(1.0)
    assert len(bench.texts("1")) - before <= 2


def test_its_birth_and_its_will_are_those_of_a_board(bench):
    alives = [read(AlivePayload, m.payload) for m in bench.said if m.topic == bench.topics.alive("east")]
    assert [a.alive for a in alives] == [True]
    bench.kill()
    alives = [read(AlivePayload, m.payload) for m in bench.said if m.topic == bench.topics.alive("east")]
    assert [a.alive for a in alives] == [True, False]


def test_a_clean_end_says_heat_first(bench):
    bench.lease()
    bench.side.close(bench.mono_s)
    bench.go(0.0, side=False)
    assert bench.real.on == ALL


@pytest.mark.fault("B10")
def test_a_board_whose_echo_says_otherwise_is_told_again(bench):
    bench.lease()
    bench.real._contract.energised.clear()  # it forgot, without a word
    bench.real._echo()
    bench.go(7.0)
    assert bench.real.on == ()


def test_texts_it_does_not_know_are_no_echo(bench):
    board = bench.bus.connect("odd", (), lambda _: None)
    board.publish("shed/is/1", b"perhaps")
    board.publish("shed/is/1", b"\xff\xfe")
    bench.go(1.0)
    assert bench.echoes[-1].on == ALL
