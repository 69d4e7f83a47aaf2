"""A small campaign with real nights: in processes, kept, taken up again; and what rivals make of a night."""

from dataclasses import replace

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.guard.tree import decide_tree
from simulator.campaign import play, rivals
from simulator.campaign.campaign import RESULTS, _chunks, run_campaign
from simulator.campaign.outcome import Task, tasks_of
from simulator.campaign.play import play_task
from simulator.faults.setting import FaultSetting
from simulator.night import load_night

# whole nights, which a busy machine may draw out
pytestmark = [pytest.mark.timeout(1800), pytest.mark.untraced]
NIGHT = load_night("clear-calm")


@pytest.fixture(scope="module")
def oracle():
    return rivals.always_on(NIGHT, 1)


def test_the_oracle_keeps_everything_and_a_thermostat_less(oracle):
    assert not any(tree.is_damaged for tree in oracle.trees)
    assert oracle.kwh == pytest.approx(sum(t.power_w for t in NIGHT.load_site().trees) * NIGHT.hours / 1000)
    plain = rivals.plain_thermostat(NIGHT, 1)
    assert plain.kwh < 0.5 * oracle.kwh
    # a tree-ripe lemon begins to freeze at -0.8 °C (FAO ENRS 10, from memory): 0 °C of air is too tight
    assert rivals.lost_needlessly(plain, oracle) == ["lemon"]


def test_a_thermostat_believes_a_probe_that_sticks_warm(oracle):
    stuck = [FaultSetting(id="S01", target="yuzu", at="5h")]
    assert "yuzu" in rivals.lost_needlessly(rivals.plain_thermostat(NIGHT, 1, stuck), oracle)


def test_a_thermostat_played_up_to_the_onset_once_suffers_as_one_played_from_the_beginning():
    stuck = FaultSetting(id="S01", target="yuzu", at="5h")
    until = rivals.Thermostats(NIGHT, 1)
    until.follow(5 * 3600.0)
    suffering = until.fork()
    suffering.run.suffer([stuck])
    forked, quiet = suffering.follow().world.record, until.follow().world.record
    assert forked == rivals.plain_thermostat(NIGHT, 1, [stuck])
    assert quiet == rivals.plain_thermostat(NIGHT, 1) != forked


def test_foresight_loses_nothing_and_needs_the_least(oracle):
    foreseen = rivals.perfect_foresight(NIGHT, 1, oracle)
    assert rivals.lost_needlessly(foreseen, oracle) == []
    assert foreseen.kwh < rivals.plain_thermostat(NIGHT, 1).kwh


@pytest.mark.long
def test_a_campaign_goes_on_where_it_was_stopped(tmp_path):
    tasks = tasks_of(("clear-calm",), (1,), singles=True, pairs=False, only=("S24", "F01", "F02"))
    tasks = [task for task in tasks if task.onset in {"", "before the coldest"}]
    whole = run_campaign(tasks, tmp_path / "whole", processes=2)
    half = tmp_path / "half"
    half.mkdir()
    lines = (tmp_path / "whole" / RESULTS).read_text().splitlines()
    (half / RESULTS).write_text("\n".join([*lines[:3], lines[3][:50]]))
    told = []
    again = run_campaign(tasks, half, processes=1, on_progress=lambda done, of: told.append((done, of)))
    assert again == whole
    assert told[0] == (2, 4)
    assert told[-1] == (4, 4)
    same = {each.fault: each.trace_sha256 for each in whole if each.onset}
    assert same["F01"] == same["F02"] != same["S24"]


@pytest.mark.long
def test_a_tree_whose_probe_hangs_in_its_neighbour_s_fleece_is_kept():
    outcome = play_task(Task(night="clear-calm", seed=1, onset="before the coldest", fault="S17"))
    assert outcome.avoidable == ()
    assert "witness-colder.lemon" in outcome.found
    assert "lemon" in outcome.thermostat_avoidable


@pytest.mark.long
def test_a_night_with_a_fault_of_its_own_can_suffer_another():
    fault = Task(night="mains-cut", seed=1, onset="before the coldest", fault="S24")
    outcome = play_task(fault)
    assert outcome.onset_s > 9 * 3600.0
    assert any(key.startswith("probe-stale") for key in outcome.found)


@pytest.mark.long
def test_heat_before_a_fault_began_is_no_control_that_could_have_kept_a_tree():
    # no string can heat any more; warmed since dusk the lemon would have lived
    outcome = play_task(Task(night="forecast-bust", seed=1, onset="before the coldest", fault="H03"))
    assert outcome.avoidable == ("lemon",)
    assert outcome.by_control == ()


@pytest.mark.long
def test_a_guard_that_rests_in_the_cold_is_found_to_lose_what_it_could_have_kept(monkeypatch):
    def rest_always(*args):
        decision, memory = decide_tree(*args)
        return replace(decision, active=False), memory

    caches = (play._begun, play._until_onset, play._quiet)
    for cache in caches:
        cache.cache_clear()
    try:
        task = Task(night="clear-calm", seed=1, onset="dusk", fault="F01")
        assert play_task(task).by_control == ()
        play._until_onset("clear-calm", 1, "dusk")  # the guard is sound until then
        monkeypatch.setattr("controller.keeper.decide_tree", rest_always)
        outcome = play_task(task)
    finally:
        for cache in caches:
            cache.cache_clear()
    assert set(outcome.by_control) == {tree.name for tree in NIGHT.load_site().trees}
    assert outcome.unjustified_off > 100


def test_a_run_that_fails_ends_the_campaign_and_says_why(tmp_path):
    tasks = [Task(night="clear-calm", seed=1, onset="noon", fault="S24"), Task(night="clear-calm", seed=2)]
    with pytest.raises(KeyError, match="noon"):
        run_campaign(tasks, tmp_path, processes=1)


def test_runs_that_share_a_night_travel_together():
    tasks = tasks_of(("clear-calm",), (1,), singles=True, pairs=False)
    chunks = list(_chunks(tasks))
    assert sorted(task.key for chunk in chunks for task in chunk) == sorted(task.key for task in tasks)
    assert all(len({(task.night, task.onset) for task in chunk}) == 1 for chunk in chunks)


def test_an_unknown_fault_or_night_is_refused_before_anything_is_played(tmp_path):
    for option in (("--fault", "Z99"), ("--night", "noon")):
        done = CliRunner().invoke(main, ["campaign", str(tmp_path / "c"), *option])
        assert done.exit_code != 0
        assert not (tmp_path / "c").exists()
    done = CliRunner().invoke(main, ["campaign", str(tmp_path / "c"), "--scheduler", "tcp://127.0.0.1:1"])
    assert "pip install distributed" in done.output
