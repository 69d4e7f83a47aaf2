"""OFF is never granted without the evidence: an independent oracle against random states (``off_states``)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.guard import evidence, lease, tree, witness
from controller.guard.evidence import Evidence
from tests.guard.off_states import play

# All that can speak against OFF; each must stand alone in some of the states, or nothing tests it.
AGAINST = {
    "no number", "impossible", "silent", "dated long ago", "from the future", "first words", "zeros",
    "another unit", "noise", "frozen", "far off", "the model", "past days", "a person", "fruit would be lost",
    "cold", "not yet warm", "just begun",
    "a board that is silent", "a board that is slow", "a board that is unsteady",
}  # fmt: skip


@settings(max_examples=40, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**32 - 1))
def test_off_is_never_granted_without_the_evidence(seed):
    tally = play(seed, 12)
    assert not tally.wrong, (seed, tally.wrong[0])


def test_the_states_put_every_rule_to_the_test_and_often_justify_off():
    tally = play(7, 400)
    assert not tally.wrong
    assert tally.offs > 0.2 * tally.states
    assert tally.offs > 0.9 * tally.justified, "a guard that always heats would pass as well"
    assert set(tally.alone) == AGAINST


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_a_million_states():
    tally = play(2027, 200_000)
    assert tally.states == 1_000_000
    print(
        f"{tally.states} states, {tally.justified} justify OFF, {tally.offs} given, {len(tally.wrong)} wrong"
    )
    print({name: tally.alone[name] for name in sorted(tally.alone, key=tally.alone.get)})
    assert not tally.wrong, tally.wrong[0]
    assert min(tally.alone.values()) > 1000
    assert set(tally.alone) == AGAINST


def _believes(*names):
    """Return a judge that lets these faults pass."""
    judge = evidence.judge

    def lenient(probe, memory, *rest):
        seen = judge(probe, memory, *rest)
        return Evidence(probe=probe, temp_c=seen.temp_c) if seen.fault in names else seen

    return lenient


def _soundest_then_warmest(seen):
    return seen.fault is None, seen.temp_c


BROKEN = {
    "staleness": (evidence, "STALE_PERIODS", 1e9),
    "range": (evidence, "HIGHEST_TEMP_C", 1e9),
    "stamps": (evidence, "CLOCK_SLACK_S", 1e9),
    "first words": (evidence, "FIRST_WORDS", -1),
    "noise": (evidence, "ROUGH_K2", 1e9),
    "frozen": (evidence, "FROZEN_AFTER_S", 1e9),
    "not a number": (evidence, "judge", _believes("probe-not-a-number")),
    "zeros": (evidence, "judge", _believes("probe-zeros")),
    "another unit": (evidence, "judge", _believes("probe-far-off")),
    "far off": (evidence, "far_off", lambda seen: seen),
    "the coldest decides": (evidence, "coldest", lambda seen: max(seen, key=_soundest_then_warmest)),
    "the model": (witness.Word, "contradicts", lambda *_: False),
    "past days": (witness.Word, "is_sure_above", lambda *_: True),
    "the band": (tree, "BAND_K", -1e9),
    "the minimum time": (tree, "MINIMUM_ON_S", -1e9),
    "silent boards": (lease, "SILENT_PERIODS", 1e9),
    "slow boards": (lease, "LAG_S", 1e9),
    "unsteady boards": (lease.BoardMemory, "is_leased", lease.BoardMemory.is_heard),
}  # fmt: skip


@pytest.mark.parametrize("guard", BROKEN)
def test_each_guard_broken_on_purpose_is_found(guard, monkeypatch):
    monkeypatch.setattr(*BROKEN[guard])
    for seed in range(60):
        if play(seed, 25).wrong:
            return
    pytest.fail(f"{guard} can be taken away, and nothing notices")
