import pytest

from controller.site.model import Tariff
from simulator.campaign.outcome import ONSETS, Loss, Outcome, Task, onset_s, tasks_of
from simulator.faults.catalogue import catalogue
from simulator.faults.stage import happening, injections
from simulator.kept import Kept
from simulator.night import load_night
from simulator.world import Record, TreeRecord


def loss(money=0.0, **changes):
    usual = {"damage_k_h": 0.0, "kwh": 10.0, "cost": 3.0, "switchings": 4, "trees": ()}
    return Loss(money=money, **(usual | changes))


def outcome(**changes):
    usual = {
        "night": "clear-calm",
        "seed": 1,
        "onset": "dusk",
        "fault": "S01",
        "onset_s": 5400.0,
        "ours": loss(),
        "no_heat": loss(300.0, trees=("lemon",)),
        "always_on": loss(kwh=27.0),
        "thermostat": loss(50.0, trees=("lemon",)),
        "foresight": loss(kwh=6.0),
        "avoidable": (),
        "by_control": (),
        "thermostat_avoidable": ("lemon",),
        "unjustified_off": 0,
        "found": ("probe-frozen.air-lemon",),
        "found_after_s": 120.0,
        "warned_s": None,
        "false_findings": (),
        "fruits": 500,
        "hours": 16.0,
        "currency": "EUR",
        "trace_sha256": "ab",
    }
    return Outcome(**(usual | changes))


def test_an_outcome_is_the_same_after_it_was_kept(tmp_path):
    one = outcome(avoidable=("lemon", "yuzu"), found_after_s=None)
    Kept(tmp_path / "runs.jsonl", Outcome).add([one])
    key = Task(night="clear-calm", seed=1, onset="dusk", fault="S01").key
    assert Kept(tmp_path / "runs.jsonl", Outcome).results == {key: one}


def test_every_night_is_played_sound_and_with_every_fault_at_each_onset():
    tasks = tasks_of(("clear-calm", "windy-frost"), (1, 2), singles=True, pairs=False)
    assert len(tasks) == 4 + 4 * len(ONSETS) * len(injections())
    assert len({task.key for task in tasks}) == len(tasks)


def test_pairs_are_played_in_place_of_single_faults_and_chosen_ones_alone():
    pairs = {task.fault for task in tasks_of(("clear-calm",), (1,), singles=False, pairs=True)} - {""}
    assert pairs <= {fault.id for fault in catalogue().values() if fault.of}
    assert {"P-03", "P-10", "P-16"} <= pairs
    chosen = tasks_of(("clear-calm",), (1,), singles=True, pairs=False, only=("H01",))
    assert {task.fault for task in chosen} == {"", "H01"}


def test_faults_begin_in_order_and_before_the_coldest_hour():
    night = load_night("clear-calm")
    site = night.load_site()
    sky = night.sky(site, 1)
    dusk_s, deep_s, late_s = (onset_s(onset, night, sky) for onset in ONSETS)
    # mid January at 52° north and 6.4° west the sun sets at about 16:40 UTC (almanac, from memory)
    assert dusk_s == pytest.approx((17.0 + 40.0 / 60.0 - 16.0) * 3600.0, abs=900.0)
    assert dusk_s < deep_s < late_s < night.hours * 3600.0 - 5400.0


def test_the_loss_of_a_night_is_counted_only_where_fruit_froze():
    trees = (
        TreeRecord("kept", -2.2, fruit_min_c=-1.9, dose_k_h=2.0, kwh=1.0, switchings=3),
        TreeRecord("lost", -2.2, fruit_min_c=-3.0, dose_k_h=12.5, fruit_damage_k_h=4.0, kwh=2.0),
    )
    tariff = Tariff(currency="EUR", price_per_kwh=0.5)
    counted = Loss.of(Record(trees), {"kept": 100.0, "lost": 60.0}, tariff)
    # 12.5 K·h takes nine tenths (``crop.dose``)
    assert counted.money == pytest.approx(54.0)
    assert (counted.trees, counted.kwh, counted.cost, counted.switchings) == (("lost",), 3.0, 1.5, 3)
    assert counted.damage_k_h == 4.0


def test_faults_that_are_one_to_a_simulated_night_are_known_as_one():
    assert happening("F01") == happening("F29") != happening("F13")
    assert happening("") == ""
