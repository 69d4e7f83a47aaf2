"""Boards that know only texts: their wills proved, their claims tried, what is wrong with them named."""

import pytest

from controller.bus.messages import AlivePayload, read
from controller.bus.plain import PlainBoards
from controller.wiring.cause import Cause
from controller.wiring.check import Outcome, Scope, Stage
from controller.wiring.stages.plain import WILL_WITHIN_S
from controller.wiring.state import CutOff, Rejoin
from controller.wiring.step import NO, YES, Stand
from simulator.mistakes import MISTAKES, mistake
from simulator.wires import as_declared
from simulator.wiring_rehearsal import Truthful, WiringRehearsal
from tests.bus.test_plain import plain_site
from tests.wiring.conftest import away_from_rest, named, rehearse, report, stages


@pytest.fixture(scope="module")
def passed(plain_boards):
    return rehearse(plain_boards, as_declared(plain_boards))


def result(rehearsal, check):
    (found,) = [r for r in report(rehearsal).results if r.check == check]
    return found


def to_the_cut(site, wiring, **more):
    """A test up to the moment when our own connections to the board are cut."""
    rehearsal = WiringRehearsal(site, wiring, Scope(site=site, stages=stages(Stage.REST)), **more)
    while not (isinstance(rehearsal.state.step, Stand) and rehearsal.state.step.cut):
        rehearsal.step(2.0)
    return rehearsal


def test_one_that_is_wired_as_declared_passes_every_check(passed):
    assert named(passed) == set()
    assert {r.outcome for r in report(passed).results} == {Outcome.GOOD}
    assert "said rest on 6 topics" in result(passed, "rest/will-east").evidence
    assert "and the board echoed it" in result(passed, "rest/will-east").evidence
    assert "seen on: lemon-1" in result(passed, "rest/alone-east").evidence
    assert "nobody speaking to it: lemon-1" in result(passed, "rest/supply-east").evidence


def test_the_cut_says_no_goodbye_and_the_wills_come_within_the_stated_time(plain_boards):
    heard = []
    rehearsal = to_the_cut(plain_boards, as_declared(plain_boards))
    while rehearsal.state.step.key != "cut":  # the first one is at the board's own start
        rehearsal.step(2.0)
    rehearsal.bus.connect("spy", ("shed/do/+", "rimeward/1/curlew-yard/alive/east"), heard.append)
    assert len(away_from_rest(rehearsal.world)) >= 5
    rehearsal.step(1.0)
    rehearsal.step(1.0)
    assert not any(read(AlivePayload, m.payload).alive for m in heard if m.topic.endswith("alive/east"))
    assert {m.topic for m in heard if m.topic.startswith("shed")} == {f"shed/do/{n}" for n in "123456"}
    assert set(rehearsal.world.boards["east"].on) == set("12345")


def test_afterwards_it_is_joined_anew_and_holds_no_lease(passed):
    boots = [
        boot
        for notes in passed.state.record.values()
        for seen in notes.values()
        for boot in (seen.boards["east"].boots if "east" in seen.boards else ())
    ]
    assert len(set(boots)) == 3  # at first, after its start without us, after the cut
    assert passed.state.cut == ""
    for _ in range(4):  # the last lease has to become texts, one string after the other
        passed.step(2.0)
    assert away_from_rest(passed.world) == []


def test_stopped_in_the_midst_of_a_cut_it_connects_again_and_rests(plain_boards):
    said = []
    rehearsal = to_the_cut(plain_boards, as_declared(plain_boards))
    plain = rehearsal.session._plain
    rejoin = plain.rejoin
    plain.rejoin = lambda board: (said.append(Rejoin(board=board)), rejoin(board))
    rehearsal.stop()
    for _ in range(3):
        rehearsal.step(1.0)
    assert said == [Rejoin(board="east")]
    assert CutOff(board="east") not in said
    assert away_from_rest(rehearsal.world) == []


def test_a_whole_site_of_them_is_cut_one_board_at_a_time():
    cut = []

    class Line:
        def __init__(self, client):
            self.client = client

        def publish(self, *_args, **_more):
            pass

        def kill(self):
            cut.append(self.client)

    site = plain_site()
    boards = PlainBoards(site, lambda client, *_args, **_more: Line(client), lambda: "boot")
    boards.tick(0.0, None)
    boards.tick(1.0, None, {"west"})  # no plain board: nothing of it is cut
    assert cut == []
    boards.tick(2.0, None, {"east"})
    boards.tick(3.0, None, {"east"})
    assert sorted(cut) == [*["plain east"], *[f"plain east {n}" for n in "123456"]]
    assert boards.joined == ()
    boards.tick(4.0, None)
    assert [board.name for board in boards.joined] == ["east"]


def test_with_nobody_there_its_own_echo_proves_the_will(plain_boards):
    scope = Scope(site=plain_boards, stages=stages(Stage.REST), attended=False)
    rehearsal = WiringRehearsal(plain_boards, as_declared(plain_boards), scope)
    rehearsal.run()
    assert result(rehearsal, "rest/will-east").outcome is Outcome.GOOD
    assert result(rehearsal, "rest/alone-east").outcome is Outcome.NOT_DONE


def test_with_nobody_there_and_no_echo_a_will_that_was_said_proves_too_little():
    site = plain_site(echo=False)
    scope = Scope(site=site, stages=stages(Stage.REST), attended=False)
    rehearsal = WiringRehearsal(site, as_declared(site), scope)
    rehearsal.run()
    found = result(rehearsal, "rest/will-east")
    assert found.outcome is Outcome.NOT_DONE
    assert "nobody looked and the board echoes nothing" in found.evidence


def test_the_growers_short_form_proves_the_wills_and_pulls_no_plug(plain_boards):
    scope = Scope(site=plain_boards, short=True)
    rehearsal = WiringRehearsal(plain_boards, as_declared(plain_boards), scope)
    rehearsal.run()
    made = set(rehearsal.state.record)
    assert "rest/will-east" in made
    assert not made & {"rest/supply-east", "rest/alone-east"}
    assert result(rehearsal, "rest/will-east").outcome is Outcome.GOOD


@pytest.mark.parametrize("name", [each.name for each in MISTAKES if each.needs_plain])
def test_what_is_wrong_with_one_is_called_by_its_name(plain_boards, name):
    wiring, expected = mistake(name).plant(plain_boards, as_declared(plain_boards))
    rehearsal = rehearse(plain_boards, wiring, Stage.CHANNELS, Stage.REST)
    assert named(rehearsal) == {expected}


@pytest.mark.parametrize("pick", range(6))
def test_each_channel_s_own_will_is_missed_and_said(plain_boards, pick):
    wiring, expected = mistake("plain-will-on-wrong-topic").plant(
        plain_boards, as_declared(plain_boards), pick
    )
    rehearsal = rehearse(plain_boards, wiring, Stage.REST)
    (found,) = report(rehearsal).diagnoses
    assert (found.cause, found.targets) == expected
    assert f"east/{pick + 1}" in found.because
    assert f"within {WILL_WITHIN_S:.0f} s" in found.because


def test_one_that_echoes_nothing_and_hears_nothing_is_told_by_its_strings():
    site = plain_site(echo=False)
    wiring = as_declared(site).but("boards", "east", deaf=True)
    assert named(rehearse(site, wiring, Stage.CHANNELS)) == {(Cause.TEXTS_UNHEARD, ("east",))}


class Stubborn(Truthful):
    """Somebody who will not touch the network."""

    def answer(self, ask):
        return (NO,) if ask.key == "off" else (YES,) if ask.key == "on" else super().answer(ask)


def test_a_network_that_nobody_cut_is_no_proof(plain_boards):
    rehearsal = rehearse(plain_boards, as_declared(plain_boards), Stage.REST, person=Stubborn)
    assert result(rehearsal, "rest/alone-east").outcome is Outcome.NOT_DONE
