"""Wiring mistakes planted, and whether the test calls them by their names."""

import random
from collections import Counter
from contextlib import suppress

import pytest

from controller.errors import RehearsalError
from controller.wiring.cause import KNOWN, Cause
from controller.wiring.check import Scope, Stage
from controller.wiring.verdict import Verdict
from simulator.mistakes import MISTAKES, mistake
from simulator.wires import as_declared
from simulator.wiring_rehearsal import WiringRehearsal
from tests.wiring.conftest import away_from_rest, named, rehearse, report

# The quick ones: a mistake, and the stage that shows it.
QUICK = (
    ("board-clock-an-hour-off", ()),
    ("board-without-network", ()),
    ("two-boards-one-name", ()),
    ("probe-unplugged", (Stage.PROBES,)),
    ("one-sensor-two-names", (Stage.PROBES,)),
    ("probes-exchanged", (Stage.PROBES,)),
    ("channels-exchanged", (Stage.CHANNELS,)),
    ("two-strings-one-channel", (Stage.CHANNELS,)),
    ("coil-dead", (Stage.CHANNELS,)),
    ("string-dead", (Stage.CHANNELS,)),
    ("frost-stat-broken", (Stage.CHANNELS,)),
    ("contact-burnt", (Stage.CHANNELS,)),
    ("echo-lying", (Stage.CHANNELS,)),
    ("channel-active-low", (Stage.CHANNELS, Stage.REST)),
    ("string-on-working-contact", (Stage.CHANNELS, Stage.REST)),
    ("board-holds-last", (Stage.CHANNELS, Stage.REST)),
    ("neutral-shared", (Stage.CHANNELS, Stage.CIRCUITS)),
    ("cut-out-bridged", (Stage.CHANNELS, Stage.GUARDS)),
    ("frost-stat-bridged", (Stage.CHANNELS, Stage.GUARDS)),
    ("frost-stat-at-minus-one", (Stage.CHANNELS, Stage.GUARDS)),
    ("strings-exchanged-at-trees", (Stage.CHANNELS, Stage.STRINGS)),
)


# What the catalogue of faults calls these.
FAULTS = {
    "probes-exchanged": ("S17",),
    "channels-exchanged": ("B06",),
    "channel-active-low": ("B05",),
    "board-holds-last": ("B11",),
    "frost-stat-bridged": ("H09",),
    "frost-stat-at-minus-one": ("U06",),
    "strings-exchanged-at-trees": ("U07",),
}


@pytest.mark.parametrize(
    ("name", "needs"),
    [pytest.param(*each, id=each[0], marks=pytest.mark.fault(*FAULTS.get(each[0], ()))) for each in QUICK],
)
def test_a_mistake_is_called_by_its_name(site, name, needs, met):
    wiring, expected = mistake(name).plant(site, as_declared(site))
    rehearsal = rehearse(site, wiring, Stage.BOARDS, *needs)
    assert named(rehearsal) == {expected}
    assert report(rehearsal).verdict is Verdict.FAULTY
    assert away_from_rest(rehearsal.world) == []
    tested_s = rehearsal.world.elapsed_s - rehearsal.state.began_s
    met(reaction="none: no site is handed over that is wired so", alarm=tested_s)


def test_there_are_enough_mistakes_and_each_cause_is_met():
    assert len(MISTAKES) >= 40
    assert len({each.name for each in MISTAKES}) == len(MISTAKES)
    # the one left out is what others are called where nobody measures
    assert {each.cause for each in MISTAKES} == set(Cause) - {Cause.STRING_STAYS_DARK}


@pytest.mark.parametrize("name", [each.name for each in MISTAKES])
def test_a_mistake_is_planted_or_says_why_it_cannot_be(site, two_boards, plain_boards, name):
    planted = 0
    for at in (site, two_boards, plain_boards):
        declared = as_declared(at, meters=True)
        with suppress(RehearsalError):
            wiring, _ = mistake(name).plant(at, declared)
            planted += wiring != declared
    assert planted


def test_a_site_with_one_circuit_says_that_no_other_feeds_a_string(site):
    with pytest.raises(RehearsalError, match="cannot be planted at Tussock Bay: a string is fed by another"):
        mistake("string-on-other-circuit").plant(site, as_declared(site))


def metered(site, *names):
    """Return a site whose file declares a power meter on these circuits."""
    circuits = tuple(c.model_copy(update={"meter": c.name in names}) for c in site.circuits)
    return site.model_copy(update={"circuits": circuits})


def test_meters_are_exchanged_only_where_there_are_meters(two_boards):
    """Without them nothing was planted, and the test passed."""
    exchanged = mistake("meters-exchanged")
    names = [circuit.name for circuit in two_boards.circuits]
    for at in (two_boards, metered(two_boards, names[0])):
        with pytest.raises(RehearsalError, match="not every circuit has a power meter; give --meters"):
            exchanged.plant(at, as_declared(at))
    assert exchanged.plant(two_boards, as_declared(two_boards, meters=True))


def test_meters_that_a_site_file_declares_speak_as_they_are_wired(two_boards):
    at = metered(two_boards, *(circuit.name for circuit in two_boards.circuits))
    wiring, expected = mistake("meters-exchanged").plant(at, as_declared(at))
    assert named(rehearse(at, wiring, Stage.CHANNELS, Stage.CIRCUITS)) == {expected}


def test_every_cause_says_what_it_is_and_what_to_do():
    assert set(KNOWN) == set(Cause)


def test_an_inverted_channel_whose_board_was_not_pulled_names_the_next_look(site):
    wiring, _ = mistake("channel-active-low").plant(site, as_declared(site))
    rehearsal = rehearse(site, wiring, Stage.CHANNELS)
    (found,) = report(rehearsal).diagnoses
    assert "pull the board's supply" in found.because


def can_be_planted(each, *, plain, meters):
    """Whether a site has what a mistake is made at: to exchange names, two boards that obey leases."""
    if each.name == "board-names-exchanged" and plain:
        return False
    return (plain or not each.needs_plain) and (meters or not each.needs_meters)


class Tally:
    """What was planted, and what it was called."""

    def __init__(self):
        self.right, self.wrong, self.passed = [], [], []

    def note(self, what, expected, found, verdict):
        (self.right if found == expected else self.wrong).append((what, expected, found))
        if verdict is Verdict.GOOD:
            self.passed.append(what)

    @property
    def share(self):
        return len(self.right) / (len(self.right) + len(self.wrong))

    def show(self, title):
        planted = len(self.right) + len(self.wrong)
        print(f"\n{title}: {len(self.right)} of {planted} named right, {self.share:.1%}")
        for what, expected, found in self.wrong:
            print(f"  {what}: {_words(expected - found)} missed, {_words(found - expected)} called instead")


def _words(pairs):
    return ", ".join(f"{cause} {'+'.join(targets)}" for cause, targets in sorted(pairs)) or "nothing"


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("plain", "meters"), [(False, False), (False, True), (True, False)])
def test_each_mistake_alone(two_boards, plain_boards, plain, meters):
    site = plain_boards if plain else two_boards
    tally, table = Tally(), Counter()
    for number, each in enumerate(MISTAKES):
        if not can_be_planted(each, plain=plain, meters=meters):
            continue
        wiring, expected = each.plant(site, as_declared(site, meters=meters), number % 5)
        rehearsal = rehearse(site, wiring, seed=number)
        found = named(rehearsal)
        tally.note(each.name, {expected}, found, report(rehearsal).verdict)
        table.update((each.name, str(cause)) for cause, _ in found)
    print("\nplanted                        called")
    for (name, cause), _ in sorted(table.items()):
        print(f"{name:30} {cause}")
    boards = "one of two boards knows only texts" if plain else "boards that obey leases"
    tally.show(f"alone, {boards}, {'with' if meters else 'without'} meters")
    assert tally.passed == []
    assert tally.share >= 0.95


PAIRS = 80


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_random_pairs(two_boards, plain_boards):
    """Right: nothing is called that was not planted; what one mistake hides comes out once that is mended."""
    choose = random.Random(20261020)
    tally, at_once = Tally(), 0
    for number in range(PAIRS):
        meters, plain = number % 2 == 1, number % 4 >= 2
        site = plain_boards if plain else two_boards
        pair = choose.sample([m for m in MISTAKES if can_be_planted(m, plain=plain, meters=meters)], 2)
        picks = choose.sample(range(5), 2)
        left = list(zip(pair, picks, strict=True))
        first, all_found, expected = True, set(), set()
        for _ in range(3):
            wiring, due = as_declared(site, meters=meters), []
            for each, pick in left:
                wiring, wanted = each.plant(site, wiring, pick)
                due.append(wanted)
            expected |= set(due)
            rehearsal = rehearse(site, wiring, seed=number)
            found = named(rehearsal)
            all_found |= found
            if first:
                at_once += found == expected
                verdict = report(rehearsal).verdict
            first = False
            left = [part for part, wanted in zip(left, due, strict=True) if wanted not in found]
            if not left or not found:
                break
        tally.note(" and ".join(each.name for each in pair), expected, all_found, verdict)
    print(f"\nboth named in the first round: {at_once} of {PAIRS}")
    tally.show("pairs, mended as named")
    assert tally.passed == []
    assert tally.share >= 0.95


def unattended(site, wiring):
    scope = Scope(site=site, attended=False)
    rehearsal = WiringRehearsal(site, wiring, scope)
    rehearsal.world.turned_up = set(wiring.strings)
    rehearsal.run()
    return rehearsal


def test_with_nobody_there_a_good_site_is_never_called_complete(site):
    rehearsal = unattended(site, as_declared(site, meters=True))
    assert named(rehearsal) == set()
    assert report(rehearsal).verdict is Verdict.INCOMPLETE
    sentence = report(rehearsal).sentence
    assert sentence.startswith("Not complete, as no test can be with nobody there: ")
    assert "The whole test is the same command without --unattended" in sentence


@pytest.mark.parametrize(
    "name", ["string-dead", "string-half-dead", "board-holds-last", "string-on-other-tree"]
)
def test_with_nobody_there_meters_and_probes_tell_what_they_can(site, name):
    wiring, (cause, targets) = mistake(name).plant(site, as_declared(site, meters=True))
    likely = {
        Cause.STRING_DEAD: Cause.STRING_STAYS_DARK,
        Cause.STRING_PARTLY_DEAD: Cause.STRING_OF_OTHER_POWER,
    }
    assert named(unattended(site, wiring)) == {(likely.get(cause, cause), targets)}


def test_the_growers_short_form_asks_for_no_tool_and_calls_for_an_electrician(site):
    wiring, (_, targets) = mistake("contact-burnt").plant(site, as_declared(site))
    rehearsal = WiringRehearsal(site, wiring, Scope(site=site, short=True))
    rehearsal.run()
    assert named(rehearsal) == {(Cause.STRING_STAYS_DARK, targets)}
    asked = {key for notes in rehearsal.state.record.values() for key in notes}
    assert asked & {"mains", "relay", "clamp", "pull", "bath"} == set()
