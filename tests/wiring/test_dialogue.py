"""A random walk over the dialogue: whatever is pressed, cut or begun anew, all is at rest in the end."""

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import RehearsalError
from controller.wiring.check import Scope, Stage
from controller.wiring.dialogue import answer_of, keys_of
from controller.wiring.keep import record_from_plain, record_to_plain
from controller.wiring.stages.rest import LEASE_S
from controller.wiring.step import NO, YES, Ask
from simulator.mistakes import MISTAKES
from simulator.wires import as_declared
from simulator.wiring_rehearsal import Truthful, WiringRehearsal
from tests.wiring.conftest import away_from_rest

SWITCHING = tuple(stage for stage in Stage if stage not in {Stage.CAUTIONS, Stage.PROBES, Stage.STRINGS})
WALKS = ("truth", "truth", "truth", "yes", "no", "rubbish", "wait", "cut", "restore", "again", "stop")


class Walker(Truthful):
    """Answers as the walk says; the truth once it has ended."""

    def __init__(self, world):
        super().__init__(world)
        self.next = "truth"

    def answer(self, ask):
        match self.next:
            case "yes" | "no":
                return (self.next,)
            case "rubbish":
                return ("\x00perhaps",)
            case "wait":
                return None
            case _:
                return super().answer(ask)


WALK = st.lists(st.tuples(st.sampled_from(WALKS), st.integers(1, 90)), min_size=1, max_size=25)
# boards that do not keep the contract are left out: they stay away from rest by themselves
PLANTED = st.none() | st.sampled_from(
    [
        m
        for m in MISTAKES
        if not m.name.startswith(("board", "echo", "plain"))
        and not m.needs_meters
        and "exchanged" not in m.name
    ]
)


@given(walk=WALK, mistake=PLANTED, seed=st.integers(0, 3), plain=st.booleans())
@settings(max_examples=8, deadline=None, derandomize=True)
def test_no_walk_leaves_a_channel_away_from_rest(site, plain_boards, walk, mistake, seed, plain):
    check_walk(plain_boards if plain else site, walk, mistake, seed)


@pytest.mark.long
@pytest.mark.timeout(3600)
@given(walk=WALK, mistake=PLANTED, seed=st.integers(0, 3), plain=st.booleans())
@settings(max_examples=600, deadline=None)
def test_no_walk_of_many_leaves_a_channel_away_from_rest(site, plain_boards, walk, mistake, seed, plain):
    check_walk(plain_boards if plain else site, walk, mistake, seed)


def check_walk(site, walk, mistake, seed):
    wiring = as_declared(site)
    if mistake is not None:
        with suppress(RehearsalError):  # the small site has only one circuit
            wiring, _ = mistake.plant(site, wiring)
    scope = Scope(site=site, stages=SWITCHING)
    rehearsal = WiringRehearsal(site, wiring, scope, seed=seed, person=Walker)
    for what, steps in walk:
        rehearsal.session._person.next = what
        if what == "cut":
            rehearsal.cut()
        elif what == "restore":
            rehearsal.restore()
        elif what == "stop":
            rehearsal.stop()
        elif what == "again":
            rehearsal = _again(rehearsal, seed)
        for _ in range(steps):
            rehearsal.step(3.0)
    # the process ends: killed, as by a power cut
    rehearsal.kill()
    for _ in range(int(LEASE_S / 5.0) + 2):
        rehearsal.world.step(5.0)
        rehearsal.bus.advance(rehearsal.world.elapsed_s)
        rehearsal.bus.deliver()
    assert away_from_rest(rehearsal.world) == []


def _again(rehearsal, seed):
    """Begin anew in the same world from what was kept, as after a power cut of the installer's computer."""
    kept = record_from_plain(record_to_plain(rehearsal.state.record))
    rehearsal.kill()
    anew = WiringRehearsal(
        rehearsal.site,
        rehearsal.world.wiring,
        rehearsal.state.scope,
        seed=seed + 10,
        person=Walker,
        record=kept,
    )
    anew.world.turned_up = rehearsal.world.turned_up
    return anew


def test_keys_mean_what_they_say():
    ask = Ask(key="x", text="?")
    assert answer_of("y", ask) == answer_of("Yes", ask) == (YES,)
    assert answer_of("N", ask) == (NO,)
    assert answer_of("q", ask) == ("q",)
    which = Ask(key="x", text="?", choices=("lemon-1", "yuzu-1", "nothing"), several=True)
    assert answer_of("1, 3", which) == ("lemon-1", "nothing")
    assert answer_of("9", which) == ("9",)
    assert answer_of("", which) == ("",)
    assert "[2] yuzu-1" in keys_of(which)
    assert "Y  yes" in keys_of(ask)
