"""One run of a campaign, and what is shared between runs: a night up to an onset, and what rivals make of it.

A night is the same for every fault until the fault begins, so it is played that far once and forked.
"""

from functools import lru_cache

from simulator.campaign.outcome import Loss, Outcome, Task, onset_s
from simulator.campaign.rivals import (
    INSTEAD,
    SUFFERED_PLACES,
    Thermostats,
    always_on,
    lost_needlessly,
    no_heat,
    perfect_foresight,
    plain_thermostat,
)
from simulator.faults.setting import FaultSetting
from simulator.faults.stage import Stage
from simulator.night import load_night
from simulator.rehearsal import Rehearsal
from simulator.world import Record

# A finding counts as the fault's own if it comes this much sooner than without the fault [s].
SOONER_S = 300.0


def play_task(task: Task) -> Outcome:
    """Return what becomes of one run."""
    quiet = _quiet(task.night, task.seed)
    if not task.fault:
        return _outcome(task, quiet, plain_thermostat_of(task), "")
    run = _until_onset(task.night, task.seed, task.onset).fork()
    run.suffer([_setting(task)])
    run.run()
    return _outcome(task, run, plain_thermostat_of(task), task.fault)


def plain_thermostat_of(task: Task) -> Record:
    """Return what a plain thermostat makes of a run; what it cannot suffer leaves it as it is without."""
    places = Stage.places_of(task.fault) if task.fault else frozenset()
    if not places & SUFFERED_PLACES:
        return _rival_thermostat(task.night, task.seed)
    setting = _setting(task).model_copy(update={"id": INSTEAD.get(task.fault, task.fault)})
    if not places <= SUFFERED_PLACES | {"boards", "people"}:
        return _rival_thermostat(task.night, task.seed)
    rival = _thermostat_until_onset(task.night, task.seed, task.onset).fork()
    rival.run.suffer([setting])
    return rival.follow().world.record


def _outcome(task: Task, run: Rehearsal, thermostat: Record, fault: str) -> Outcome:
    night, record = run.night, run.world.record
    oracle = _rival_always(task.night, task.seed)
    values = {tree.name: tree.crop_value for tree in run.site.trees}
    tariff = run.site.tariff
    avoidable = lost_needlessly(record, oracle)
    by_control = lost_needlessly(record, _all_on_from_onset(task)) if avoidable and fault else avoidable
    began_s = _began_s(task)
    quiet = _quiet(task.night, task.seed)
    news = {
        key: at_s
        for key, at_s in run.found_s.items()
        if fault and at_s >= began_s and at_s < quiet.found_s.get(key, float("inf")) - SOONER_S
    }
    found_s = min(news.values(), default=None)
    damaged_s = min((t.damaged_at_s for t in record.trees if t.name in avoidable), default=None)
    return Outcome(
        night=task.night,
        seed=task.seed,
        onset=task.onset,
        fault=fault,
        onset_s=began_s,
        ours=Loss.of(record, values, tariff),
        no_heat=Loss.of(_rival_none(task.night, task.seed), values, tariff),
        always_on=Loss.of(oracle, values, tariff),
        thermostat=Loss.of(thermostat, values, tariff),
        foresight=Loss.of(_rival_foresight(task.night, task.seed), values, tariff),
        avoidable=tuple(avoidable),
        by_control=tuple(by_control),
        thermostat_avoidable=tuple(lost_needlessly(thermostat, oracle)),
        unjustified_off=run.auditor.unjustified_off,
        found=tuple(sorted(news, key=lambda key: news[key])),
        found_after_s=None if found_s is None else found_s - began_s,
        warned_s=None if found_s is None or damaged_s is None else damaged_s - found_s,
        false_findings=() if fault or night.faults else tuple(sorted(run.found_s)),
        fruits=sum(tree.fruit_count for tree in run.site.trees),
        hours=night.hours,
        currency=tariff.currency,
        trace_sha256=run.trace_sha256,
    )


def _all_on_from_onset(task: Task) -> Record:
    """Return what comes of the same fault if the controller falls silent as it begins: everything heats."""
    run = _until_onset(task.night, task.seed, task.onset).fork()
    run.suffer([_setting(task)])
    run.run(_began_s(task))  # a night with faults of its own was forked at its start
    while run.world.elapsed_s < run.end_s:
        if run.controller.running:
            run.controller.end()
        run.step()
    return run.world.record


def _setting(task: Task) -> FaultSetting:
    """Return the fault of a run; probes of another tree at each onset."""
    target = ""
    if Stage.places_of(task.fault) == {"probes"}:
        trees = load_night(task.night).load_site().trees
        target = trees[sum(map(ord, task.onset)) % len(trees)].name
    return FaultSetting(id=task.fault, at=f"{_began_s(task):.0f}s", target=target)


@lru_cache
def _onset_s(night: str, seed: int, onset: str) -> float:
    what = load_night(night)
    return onset_s(onset, what, what.sky(what.load_site(), seed))


def _began_s(task: Task) -> float:
    return _onset_s(task.night, task.seed, task.onset) if task.onset else 0.0


@lru_cache(maxsize=2)
def _begun(night: str, seed: int) -> Rehearsal:
    return Rehearsal(night, load_night(night), seed, with_forecast=True)


@lru_cache(maxsize=2)
def _until_onset(night: str, seed: int, onset: str) -> Rehearsal:
    """Return a night played up to an onset; one with faults of its own forks only at its start."""
    begun = _begun(night, seed)
    return begun if begun.night.faults else begun.fork().run(_onset_s(night, seed, onset))


@lru_cache(maxsize=16)
def _quiet(night: str, seed: int) -> Rehearsal:
    return _begun(night, seed).fork().run()


@lru_cache(maxsize=64)
def _rival_none(night: str, seed: int) -> Record:
    return no_heat(load_night(night), seed)


@lru_cache(maxsize=64)
def _rival_always(night: str, seed: int) -> Record:
    return always_on(load_night(night), seed)


@lru_cache(maxsize=64)
def _rival_thermostat(night: str, seed: int) -> Record:
    return plain_thermostat(load_night(night), seed)


@lru_cache(maxsize=2)
def _thermostat_until_onset(night: str, seed: int, onset: str) -> Thermostats:
    """Return the thermostats' night up to an onset, as ``_until_onset`` does the controller's."""
    begun = Thermostats(load_night(night), seed)
    if not load_night(night).faults:
        begun.follow(_onset_s(night, seed, onset))
    return begun


@lru_cache(maxsize=64)
def _rival_foresight(night: str, seed: int) -> Record:
    return perfect_foresight(load_night(night), seed, _rival_always(night, seed))
