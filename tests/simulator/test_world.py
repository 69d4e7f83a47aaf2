from datetime import UTC, datetime, time, timedelta

import numpy as np
import pytest

from controller.bus.memory import MemoryBus
from controller.bus.messages import LeasePayload, ProbePayload, read
from controller.bus.topics import Topics
from controller.errors import RehearsalError
from controller.site.handbook import CROPS
from controller.site.load import example_site, load_site
from simulator.materials import Variation
from simulator.night import Covering, load_night
from simulator.world import World, _covered, baseline
from tests.simulator.conftest import BEGIN, steady_sky

START = BEGIN + timedelta(days=8)


def play(world, bus, hours, dt_s=60.0):
    for _ in range(round(hours * 3600 / dt_s)):
        world.step(dt_s)
        bus.advance(world.elapsed_s)
        bus.deliver()


class Stage:
    """A world of the example site in steady weather, with somebody who can give leases."""

    def __init__(self, site, *, outside_c=-4.0, seed=1, wind_m_s=0.5, **world):
        self.bus, self.said = MemoryBus(), []
        self.topics = Topics(site.name)
        self.controller = self.bus.connect("controller", (f"{self.topics.root}/#",), self.said.append)
        sky = steady_sky(hours=20 * 24, temp_c=outside_c, wind_m_s=wind_m_s)
        self.world = World(site, sky, START, seed=seed, connect=self.bus.connect, **world)
        self.seq = 0

    def play(self, hours, dt_s=60.0):
        play(self.world, self.bus, hours, dt_s)

    def open_vent(self, board, channel):
        """Rest every heater of a board for as long as it must have been on, then move its vent."""
        heaters = self.world.boards[board].heaters
        self.lease(board, off=heaters)
        self.play(0.05)
        self.lease(board, off=heaters, vent=(channel,))

    def lease(self, board, off=(), vent=()):
        self.seq += 1
        boot = self.world.boards[board]._boot
        lease = LeasePayload(session="s", boot=boot, seq=self.seq, ttl_s=300.0, off=off, vent=vent)
        self.controller.publish(self.topics.lease(board), lease.to_json())
        self.bus.deliver()


@pytest.fixture
def stage(curlew_yard):
    return Stage(curlew_yard)


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
    assert world.record.kwh == pytest.approx(sum(tree.kwh for tree in world.record.trees))
    assert world.record.outside_min_c < -6.0
    assert world.record.house_min_c < world.record.house_max_c


def test_without_heat_the_same_night_takes_the_fruit_with_or_without_fleece():
    lows_c = []
    for fleece in (True, False):
        record = baseline(load_night("clear-calm"), 1, fleece=fleece)
        assert all(tree.is_damaged and tree.fruit_damage_k_h > 1.0 for tree in record.trees)
        assert record.kwh == 0.0
        lows_c.append(record.trees[0].air_min_c)
    assert lows_c[1] < lows_c[0] - 0.5  # fleece helps, but not enough


def test_damage_is_counted_in_kelvin_hours_below_the_kinds_own_temperature(curlew_yard):
    sky = steady_sky(hours=20 * 24, temp_c=-9.0)
    world = World(curlew_yard, sky, START)
    sums = [0.0] * 5
    for _ in range(60):
        world.step(60.0)
        for index, (tree, fruit_c) in enumerate(zip(curlew_yard.trees, world.plant.fruit_c, strict=True)):
            sums[index] += max(0.0, CROPS[tree.kind].fruit_damage_c - fruit_c) / 60.0
    assert [tree.fruit_damage_k_h for tree in world.record.trees] == pytest.approx(sums)
    assert min(sums) > 1.0


def test_its_clock_is_the_callers(stage):
    stage.play(1.5)
    assert stage.world.elapsed_s == 5400.0
    assert stage.world.now_utc == START + timedelta(hours=1.5)


def test_probes_tell_what_is_true_where_they_hang(stage, curlew_yard):
    stage.play(3.0)
    plant, truth = stage.world.plant, {"outside": -4.0, "house": stage.world.plant.house_c}
    truth |= {tree.probes[0]: c for tree, c in zip(curlew_yard.trees, plant.tree_air_c, strict=True)}
    last = {
        message.topic: read(ProbePayload, message.payload).temp_c
        for message in stage.said
        if "/probe/" in message.topic
    }
    assert len(last) == len(curlew_yard.probes)
    for name, temp_c in truth.items():
        assert last[stage.topics.probe(name)] == pytest.approx(temp_c, abs=0.75)  # ±0.5 K, noise and lag


def test_a_probe_goes_silent_with_the_board_it_is_wired_to(stage):
    stage.world.boards["east"].power(on=False)
    stage.play(0.1)
    stage.said.clear()
    stage.play(0.1)
    assert not [message for message in stage.said if "/probe/" in message.topic]


def test_a_lease_rests_a_string_and_the_tree_cools(stage, curlew_yard):
    stage.play(2.0)
    warm_c = stage.world.plant.tree_air_c
    for _ in range(15):
        stage.lease("east", off=("1",))
        stage.lease("west", off=("1",))
        stage.play(4 / 60)
    assert stage.world.strings_w() == [0.0, *(tree.power_w for tree in curlew_yard.trees[1:])]
    change_k = [now - then for now, then in zip(stage.world.plant.tree_air_c, warm_c, strict=True)]
    assert change_k[0] < -2.0
    assert all(abs(k) < 0.5 for k in change_k[1:])
    assert stage.world.record.trees[0].string_on_s < stage.world.record.trees[1].string_on_s


def test_a_circuit_without_power_heats_nothing_whatever_the_relays_do(stage, curlew_yard):
    stage.world.mains["a"] = False
    assert stage.world.strings_w() == [
        sum(string.power_w for string in tree.strings if string.circuit == "b") for tree in curlew_yard.trees
    ]
    stage.world.mains["b"] = False
    assert stage.world.strings_w() == [0.0] * 5
    before = stage.world.record.kwh
    stage.play(0.5)
    assert stage.world.record.kwh == before


def test_a_fan_moves_its_air_only_while_a_lease_lets_it(stage):
    assert stage.world.vent_m3_s() == 0.0
    stage.lease("east", vent=("6",))
    assert stage.world.vent_m3_s() == 0.0  # never while a string of its board heats
    stage.open_vent("east", "6")
    assert stage.world.vent_m3_s() == 1.2
    stage.play(0.1)
    assert stage.world.vent_m3_s() == 0.0  # the lease ran out


@pytest.mark.parametrize(("wind_m_s", "share"), [(0.0, 0.33), (3.0, 1.0), (6.0, 2.0)])
def test_a_flap_moves_more_air_in_wind(wind_m_s, share):
    site = load_site(example_site("tussock-bay"))
    stage = Stage(site, wind_m_s=wind_m_s)
    stage.open_vent("shed", "4")
    assert stage.world.vent_m3_s() == pytest.approx(0.5 * share)


def test_a_vent_that_rests_open_is_open_without_a_lease_and_shut_by_one(curlew_yard):
    vents = tuple(vent.model_copy(update={"rest": "open"}) for vent in curlew_yard.vents)
    stage = Stage(curlew_yard.model_copy(update={"vents": vents}))
    assert stage.world.vent_m3_s() == 1.2
    stage.lease("east", vent=("6",))
    assert stage.world.vent_m3_s() == 0.0


def test_the_same_seed_says_the_same_bytes_and_another_seed_others(curlew_yard):
    said = {}
    for run, seed in (("first", 1), ("again", 1), ("other", 2)):
        stage = Stage(curlew_yard, seed=seed)
        stage.play(1.0)
        said[run] = [(message.topic, message.payload) for message in stage.said]
    assert said["first"] == said["again"] != said["other"]


def test_step_lengths_agree_on_what_a_night_does(curlew_yard):
    night = load_night("clear-calm")
    lows_c = []
    for dt_s in (10.0, 60.0):
        bus = MemoryBus()
        world = World.of_night(night, 1, bus.connect)
        play(world, bus, 6.0, dt_s)
        lows_c.append([world.plant.house_c, *world.plant.tree_air_c, *world.plant.fruit_c])
    assert lows_c[0] == pytest.approx(lows_c[1], abs=0.05)


def test_a_house_that_varies_draws_other_power(curlew_yard):
    variation = Variation.drawn(3)
    stage = Stage(curlew_yard, variation=variation)
    assert stage.world.strings_w()[0] == pytest.approx(350.0 * variation.power)


def test_people_put_fleece_on_at_their_hour_and_take_it_off(curlew_yard):
    # a long sunless frost from midnight: covered until nine, bare until half past four, covered again
    covering = Covering(on=time(16, 30), off=time(9, 0))
    sky = steady_sky(hours=20 * 24, temp_c=-4.0)
    world = World(curlew_yard, sky, START, covering=covering)
    gains_k = {}
    for hour in range(1, 25):
        for _ in range(12):
            world.step(300.0)
        gains_k[hour] = world.plant.tree_air_c[0] - world.plant.house_c
    assert gains_k[8] > 0.4
    assert gains_k[15] < 0.1
    assert gains_k[24] > 0.4


@pytest.mark.parametrize(
    ("hour", "on", "off", "covered", "until_h"),
    [
        (3, 16, 9, True, 6),
        (9, 16, 9, False, 7),
        (12, 16, 9, False, 4),
        (16, 16, 9, True, 17),
        (23, 16, 9, True, 10),
        (3, 1, 9, True, 6),
        (0, 1, 9, False, 1),
        (12, 1, 9, False, 13),
    ],
)
def test_when_fleece_is_on(hour, on, off, covered, until_h):
    local = datetime(2027, 1, 15, hour, tzinfo=UTC)
    is_on, turns = _covered(local, Covering(on=time(on), off=time(off)))
    assert is_on is covered
    assert turns - local == timedelta(hours=until_h)


def test_a_site_without_boards_has_no_strings_at_work(curlew_yard):
    bus = MemoryBus()
    site = curlew_yard.model_copy(update={"boards": ()})
    world = World(site, steady_sky(hours=20 * 24, temp_c=0.0), START, connect=bus.connect)
    world.step(60.0)
    assert world.boards == {}
    assert world.strings_w() == [0.0] * 5


def test_a_sky_that_begins_too_late_is_refused(curlew_yard):
    with pytest.raises(RehearsalError, match="6 days earlier"):
        World(curlew_yard, steady_sky(temp_c=0.0), BEGIN + timedelta(days=5))


def test_open_blossom_is_lost_sooner_than_fruit_and_is_as_cold_as_its_leaves(curlew_yard):
    # open blossom of any fruit tree dies at -0.6 °C in 30 min: Morris, named beside the limit
    world = World(curlew_yard, steady_sky(hours=20 * 24, temp_c=-4.0), START, blossom=True, fleece=False)
    world.step(60.0)
    for tree, leaf_c in zip(world.record.trees, world.plant.leaf_c, strict=True):
        assert tree.fruit_damage_c == -0.6
        assert tree.fruit_min_c == pytest.approx(leaf_c, abs=0.5)
        assert tree.is_damaged


def test_wet_fleece_shuts_the_sky_out_and_dries(curlew_yard):
    # wet fleece is opaque (own computation, +-30 %): less is lost to the sky, while what evaporates cools
    sky = steady_sky(hours=20 * 24, temp_c=-2.0, dew_c=-8.0)
    dry, wet = (World(curlew_yard, sky, START, fleece_water_kg_per_m2=kg) for kg in (0.0, 0.3))
    before_kg = wet.plant.fleece_water_kg[0]
    assert before_kg == pytest.approx(0.3 * curlew_yard.trees[0].fleece_area_m2)
    for _ in range(180):
        dry.step(60.0)
        wet.step(60.0)
    assert wet.plant.fleece_water_kg[0] < before_kg
    assert wet.plant.fleece_c[0] != pytest.approx(dry.plant.fleece_c[0], abs=0.05)


def test_the_share_of_a_crop_that_is_lost_follows_the_dose(curlew_yard):
    # the two anchors of the dose: 2 K·h takes a tenth, 12.5 K·h nine tenths (``crop.dose`` names them)
    world = World(curlew_yard, steady_sky(hours=20 * 24, temp_c=-4.0), START)
    tree = world.record.trees[0]
    tree.dose_k_h = 2.0
    assert tree.lost_share == pytest.approx(0.1)
    tree.dose_k_h = 12.5
    assert tree.lost_share == pytest.approx(0.9)


def test_probes_that_are_not_screened_feel_the_sky_and_those_under_fleece_hardly(curlew_yard):
    def felt_c(screening):
        world = World(curlew_yard, steady_sky(temp_c=-4.0), START, screening=screening)
        said_c = {
            name: np.mean([probe.reading_c() for _ in range(400)]) - probe.offset_k
            for name, probe in world.probes.items()
        }
        return world, said_c

    (world, bare_c), (_, true_c) = felt_c(0.0), felt_c(1.0)
    below_k = 0.5 * (-4.0 - world.weather.sky_temp_c)
    assert true_c["outside"] - bare_c["outside"] == pytest.approx(4.6 / 16.6 * below_k, abs=0.05)
    tree = curlew_yard.trees[0].probes[0]
    assert abs(bare_c[tree] - true_c[tree]) < 0.3 * (true_c["outside"] - bare_c["outside"])


def test_a_night_s_file_says_how_strings_and_probes_are(clear_calm):
    night = clear_calm.model_copy(update={"frost_stat_c": 4.0, "screening": 0.5, "lamps_burnt_h": 2500.0})
    worn, usual = World.of_night(night, 1), World.of_night(clear_calm, 1)
    assert all(stat is not None for stat in worn.strings.stats)
    assert all(stat is None for stat in usual.strings.stats)
    assert worn.probes["outside"].reading_c() != usual.probes["outside"].reading_c()
