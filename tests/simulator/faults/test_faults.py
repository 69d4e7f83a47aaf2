"""What single faults do to a night, told by what the boards do and what the fruit feels."""

import pytest

from controller.bus.inbound import Inbound
from controller.bus.transport import Message
from simulator.faults.setting import FaultSetting
from simulator.night import load_night
from simulator.rehearsal import Rehearsal

pytestmark = pytest.mark.untraced

NIGHT = load_night("clear-calm")


@pytest.fixture(scope="module")
def evening():
    return Rehearsal("clear-calm", NIGHT, 1, with_forecast=True).run(5 * 3600.0)


def suffer(evening, *faults, hours):
    run = evening.fork()
    run.suffer([FaultSetting.read(fault) for fault in faults])
    return run.run(hours * 3600.0)


def readings(run, probe, minutes=2):
    said = []
    topic = run.controller.topics.probe(probe)
    run.bus.connect("listener", (topic,), lambda message: said.append(message.payload))
    for _ in range(6 * minutes):
        run.step()
    return said


def test_a_stuck_probe_says_the_same_for_ever(evening):
    said = readings(suffer(evening, "S01:lemon@5h", hours=6.0), "air-lemon")
    values = {payload.split(b",")[0] for payload in said}
    assert len(values) == 1
    assert float(values.pop().split(b":")[1]) >= 4.0


def test_a_lost_probe_is_silent_and_the_others_speak(evening):
    run = suffer(evening, "S24:lemon@5h", hours=5.1)
    assert readings(run, "air-lemon") == []
    assert len(readings(run, "air-yuzu")) == 6


def test_payloads_that_are_no_reading_reach_nobody_as_one(evening):
    for fault in ("S03", "S05", "S06", "M10"):
        run = suffer(evening, f"{fault}:lemon@5h", hours=5.2)
        assert str(run.controller.state.heat["lemon"].reason) == "probe-stale"
        refused = []
        inbound = Inbound(run.site, lambda message, _because, to=refused: to.append(message.payload))
        said = readings(run, "air-lemon", minutes=10)
        for payload in said:
            inbound.event(Message(run.controller.topics.probe("air-lemon"), payload))
        assert refused == said
        assert len(refused) > 20


def test_a_broker_that_dies_has_every_string_on_within_a_lease_and_a_reporting_period(evening):
    run = suffer(evening, "M02@5h", hours=5.0 + 310.0 / 3600.0)
    assert not any(run.world.resting())
    assert all(power_w > 0.0 for power_w in run.world.strings_w())
    assert run.auditor.unjustified_off == 0


def test_mains_come_back_with_heat_first_and_the_controller_after(evening):
    dark = suffer(evening, "H06@5h+1h", hours=5.5)
    assert dark.world.strings_w() == [0.0] * 5
    assert not dark.controller.running
    dark.run(6 * 3600.0 + 20.0)
    assert all(power_w > 0.0 for power_w in dark.world.strings_w())
    dark.run(6 * 3600.0 + 120.0)
    assert dark.controller.running
    assert set(dark.controller.state.heat) == {tree.name for tree in dark.site.trees}


def test_a_low_mains_costs_a_filament_a_quarter_of_its_watts(evening):
    # -15 % of voltage is about -23 % of a filament lamp's power: lighting handbooks, from memory
    before_w = sum(sum(s.power_w for s in tree.strings) for tree in evening.site.trees)
    run = suffer(evening, "H07@5h", "M02@5h", hours=5.2)
    assert sum(run.world.strings_w()) == pytest.approx(0.77 * before_w, rel=0.01)


def test_swapped_channels_heat_the_neighbour(evening):
    run = suffer(evening, "B06:east/1@5h", hours=5.1)
    board = run.world.boards["east"]
    assert set(board.on) & {"1"} == {"1" for name in board.closed if name == "2"}


@pytest.mark.parametrize("fault", ["M08", "M09", "N03"])
def test_what_lies_on_a_lease_topic_rests_nothing(evening, fault):
    run = suffer(evening, f"{fault}@5h", "M06@5h", hours=5.2)
    assert not any(run.world.resting())
    assert sum(run.world.boards["east"].refusals.values()) > 0


def test_an_order_refused_is_no_excuse_and_one_accepted_is(evening):
    for fault in ("U04", "N04"):
        run = suffer(evening, f"{fault}@5h", hours=6.5)
        assert run.auditor.unjustified_off == 0, fault


def test_a_clock_set_back_keeps_the_trees_warm(evening):
    run = suffer(evening, "C02@5h", hours=6.0)
    assert not any(run.world.resting())
    assert not any(tree.is_damaged for tree in run.world.record.trees)


def test_a_tree_whose_strings_are_dead_is_the_only_one_to_suffer(evening):
    run = suffer(evening, "H01:lemon@5h", hours=16.0)
    assert [tree.name for tree in run.world.record.trees if tree.is_damaged] == ["lemon"]


def test_two_faults_together_are_both_there(evening):
    run = suffer(evening, "P-16@5h", hours=5.1)
    assert run.world.boards["east"].relays
    assert run.world.strings.conducts[0] == [0.0, 0.0]


def test_a_night_s_file_can_hold_its_faults():
    night = NIGHT.model_copy(update={"faults": (FaultSetting(id="S28", at="1m"),), "hours": 1.0})
    run = Rehearsal("own", night, 1).run()
    assert {str(d.reason) for d in run.controller.state.heat.values()} == {"probe-stale"}
