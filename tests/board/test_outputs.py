import pytest

from controller.board.outputs import Outputs
from controller.bus.messages import LeasePayload
from controller.bus.transport import Message

ALL = ("1", "2", "3", "4", "5")


class Bench:
    def __init__(self, board):
        self.outputs = Outputs(board, "b", 0.0)
        self.mono_s = 0.0
        self.temps_c = {}
        self.seq = 0

    def go(self, seconds, *, dt_s=10.0):
        end_s = self.mono_s + seconds
        while self.mono_s < end_s:
            self.mono_s += dt_s
            for number, (probe, temp_c) in enumerate(self.temps_c.items()):
                said_c = temp_c + 0.0625 * ((self.mono_s // 10 + number) % 2)
                self.outputs.hear_probe(probe, said_c, self.mono_s)
            self.outputs.step(self.mono_s)
        return self.outputs.on

    def lease(self, off=(), vent=(), ttl_s=300.0):
        self.seq += 1
        lease = LeasePayload(session="s", boot="b", seq=self.seq, ttl_s=ttl_s, off=off, vent=vent)
        assert self.outputs.contract.hear(Message("t", lease.to_json()), self.mono_s) is None
        return self.outputs.step(self.mono_s)


@pytest.fixture
def bench(east):
    return Bench(east)


def test_it_heats_from_the_start_and_for_ever_without_probes_and_leases(bench):
    assert bench.outputs.on == ALL
    assert bench.go(86400.0, dt_s=600.0) == ALL


def test_when_the_controller_is_silent_only_heaters_with_a_warm_probe_of_their_own_rest(bench):
    bench.temps_c = {"air-satsuma-door": 8.0, "air-satsuma-middle": 3.0, "outside": 9.0}
    assert bench.go(290.0) == ALL
    assert bench.go(60.0) == ("2", "3", "4", "5")  # 2 is cold, 3 gives nothing, 4 and 5 have no probe
    bench.temps_c["air-satsuma-door"] = 3.5
    assert bench.go(10.0) == ALL


def test_a_controller_that_speaks_has_the_word_whatever_the_board_s_own_probe_says(bench):
    bench.temps_c = {"air-satsuma-door": 8.0}
    bench.go(400.0)
    assert bench.lease(off=()) == ALL
    assert bench.go(290.0) == ALL
    assert bench.go(20.0) == ("2", "3", "4", "5")  # silent again


def test_when_a_lease_runs_out_heaters_come_on_one_after_another_within_seconds(bench):
    bench.go(200.0)
    bench.lease(off=ALL, ttl_s=60.0)
    assert bench.go(59.0, dt_s=1.0) == ()
    counts = [len(bench.go(1.0, dt_s=1.0)) for _ in range(6)]
    assert counts == [1, 2, 3, 4, 5, 5]


def test_no_vent_while_a_heater_heats_or_a_probe_is_cold(bench):
    bench.go(200.0)
    assert bench.lease(off=ALL[:4], vent=("6",)) == ("5",)
    assert bench.lease(off=ALL, vent=("6",)) == ("6",)
    bench.temps_c = {"outside": 4.0}
    assert bench.go(10.0) == ()
    bench.temps_c = {"outside": 6.0}
    assert bench.go(10.0) == ("6",)
    bench.temps_c = {"outside": float("nan")}  # the controller's own rules stand against a probe that is gone
    assert bench.go(10.0) == ("6",)
    assert bench.lease(off=ALL[:4], vent=("6",)) == ("5",)
