import pytest

from controller.bus.memory import MemoryBus
from simulator.night import load_night
from simulator.world import World, baseline


def play(world, bus, hours, dt_s=60.0):
    for _ in range(round(hours * 3600 / dt_s)):
        world.step(dt_s)
        bus.advance(world.elapsed_s)
        bus.deliver()


def test_without_a_controller_every_string_heats_and_every_fruit_lives():
    bus = MemoryBus()
    night = load_night("clear-calm")
    world = World.of_night(night, 1, bus.connect)
    play(world, bus, night.hours)
    for tree, record in zip(world.site.trees, world.record.trees, strict=True):
        assert not record.is_damaged
        assert record.fruit_damage_k_h == 0.0
        assert record.string_on_s == pytest.approx(night.hours * 3600)
        assert record.kwh == pytest.approx(tree.power_w * night.hours / 1000)
    assert world.record.outside_min_c < -6.0


def test_without_heat_the_same_night_takes_the_fruit_with_or_without_fleece():
    for fleece in (True, False):
        record = baseline(load_night("clear-calm"), 1, fleece=fleece)
        assert all(tree.is_damaged and tree.fruit_damage_k_h > 1.0 for tree in record.trees)
        assert record.kwh == 0.0
