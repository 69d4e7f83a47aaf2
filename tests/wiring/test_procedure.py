"""The procedure: what ends it, what it never does, and that it goes on from its record."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from controller.bus.messages import LeasePayload, read
from controller.wiring.check import Outcome, Scope, Stage
from controller.wiring.procedure import FRESH_S, handle, scope_of
from controller.wiring.stages.rest import LEASE_S
from controller.wiring.state import Answered, Question, Stopped
from controller.wiring.step import ANSWER_WITHIN_S, NO, YES, Ask, Stand
from controller.wiring.verdict import Verdict, report_of
from simulator.days import Day
from simulator.wires import as_declared
from simulator.wiring_rehearsal import Truthful, WiringRehearsal
from tests.wiring.conftest import away_from_rest, named, report, stages


class Silent(Truthful):
    """Somebody who goes away when the channels are tried."""

    def answer(self, ask):
        return None if self.world.turned_up else super().answer(ask)


class Refusing(Truthful):
    """Somebody who lets nothing be switched."""

    def answer(self, ask):
        return (NO,) if ask.confirms_switching else super().answer(ask)


def leases_heard(rehearsal):
    heard = []
    topics = rehearsal.session.hearing.filters[4]
    rehearsal.bus.connect("auditor", (topics,), heard.append)
    return heard


def test_a_site_wired_as_declared_passes_every_check(good):
    assert report(good).verdict is Verdict.GOOD
    assert {r.outcome for r in report(good).results} == {Outcome.GOOD}
    assert named(good) == set()


def test_everything_is_at_rest_at_the_end_and_every_frost_stat_turned_back(good):
    good.step(1.0)
    assert away_from_rest(good.world) == []
    assert good.world.turned_up == set()
    assert good.world.breakers_off == set()


def test_every_stage_is_made_in_order(good):
    made = [check.split("/")[0] for check in good.state.record]
    assert list(dict.fromkeys(made)) == [str(s) for s in Stage if s is not Stage.STEP]


def test_every_lease_is_short_and_the_last_permits_nothing(site):
    rehearsal = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)))
    heard = leases_heard(rehearsal)
    rehearsal.run()
    leases = [read(LeasePayload, message.payload) for message in heard]
    assert max(lease.ttl_s for lease in leases) <= LEASE_S
    assert any(lease.off for lease in leases)
    assert (leases[-1].off, leases[-1].vent) == ((), ())


def test_nothing_is_switched_before_somebody_agrees(site):
    rehearsal = WiringRehearsal(site, as_declared(site), person=Refusing)
    heard = leases_heard(rehearsal)
    rehearsal.run()
    assert [read(LeasePayload, m.payload) for m in heard if read(LeasePayload, m.payload).off] == []
    assert report(rehearsal).verdict is Verdict.INCOMPLETE


def test_the_stop_key_puts_everything_to_rest_at_once(site):
    rehearsal = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)))
    while not away_from_rest(rehearsal.world):
        rehearsal.step(2.0)
    rehearsal.stop()
    assert rehearsal.state.is_over
    rehearsal.step(1.0)
    assert away_from_rest(rehearsal.world) == []


def test_a_lost_connection_puts_everything_to_rest_within_a_lease(site):
    rehearsal = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)))
    while not away_from_rest(rehearsal.world):
        rehearsal.step(2.0)
    rehearsal.line.cut()
    for _ in range(int(LEASE_S / 2.0) + 1):
        rehearsal.step(2.0)
    assert away_from_rest(rehearsal.world) == []


@pytest.mark.fault("U05")
def test_a_question_that_nobody_answers_ends_the_test_at_rest(site, met):
    rehearsal = WiringRehearsal(site, as_declared(site), person=Silent)
    rehearsal.run()
    assert "no answer" in rehearsal.session.finished.because
    assert rehearsal.world.elapsed_s - rehearsal.state.began_s == pytest.approx(ANSWER_WITHIN_S, abs=10.0)
    ended_s = rehearsal.world.elapsed_s - rehearsal.state.began_s
    rehearsal.step(1.0)
    assert away_from_rest(rehearsal.world) == []
    met(reaction=ended_s, alarm=ended_s)  # the test says so on its screen as it ends


def test_nothing_is_switched_on_a_day_that_needs_heat(site):
    cold = Day(day=0, max_c=2.0, min_c=-4.0, dew_point_c=-4.0, cloud_frac=0.0, wind_m_s=1.0)
    rehearsal = WiringRehearsal(
        site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)), weather=cold
    )
    heard = leases_heard(rehearsal)
    rehearsal.run()
    assert "nothing is switched below" in rehearsal.session.finished.because
    assert heard == []


@pytest.mark.fault("U05", "P-28")
def test_frost_that_comes_while_the_test_runs_ends_it_at_rest(site, met):
    # a clear day that falls to frost; the test begins in the afternoon and is left waiting
    falling = Day(day=0, max_c=6.5, min_c=-4.0, dew_point_c=-3.0, cloud_frac=0.0, wind_m_s=1.0)
    afternoon = datetime(2026, 7, 20, 17, tzinfo=ZoneInfo(site.place.time_zone))
    rehearsal = WiringRehearsal(site, as_declared(site), weather=falling, day=afternoon)
    rehearsal.run()
    assert "nothing is switched below" in rehearsal.session.finished.because
    ended_s = rehearsal.world.elapsed_s
    rehearsal.step(1.0)
    assert away_from_rest(rehearsal.world) == []
    met(reaction=rehearsal.world.elapsed_s - ended_s, alarm=rehearsal.world.elapsed_s - ended_s)


def test_probes_that_fall_silent_while_strings_are_off_end_it(site):
    scope = Scope(site=site, stages=stages(Stage.CHANNELS, Stage.STRINGS))
    rehearsal = WiringRehearsal(site, as_declared(site), scope)
    while not away_from_rest(rehearsal.world):
        rehearsal.step(2.0)
    for board in rehearsal.world.boards.values():
        board._probes = []
    began_s = rehearsal.world.elapsed_s
    while not rehearsal.state.is_over and rehearsal.world.elapsed_s < began_s + 2.0 * FRESH_S:
        rehearsal.step(2.0)
    assert "neither outside nor house air was heard" in rehearsal.session.finished.because
    assert rehearsal.world.elapsed_s - began_s == pytest.approx(FRESH_S, abs=30.0)
    rehearsal.step(1.0)
    assert away_from_rest(rehearsal.world) == []


def test_another_controller_ends_it(site):
    rehearsal = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)))
    while not away_from_rest(rehearsal.world):
        rehearsal.step(2.0)
    lease = LeasePayload(session="daemon", boot="x", seq=1, ttl_s=300.0)
    rehearsal.line.publish("rimeward/1/tussock-bay/lease/shed", lease.to_json())
    rehearsal.step(1.0)
    assert "another controller" in rehearsal.session.finished.because


def test_it_goes_on_from_its_record_with_the_check_that_was_broken_off(site):
    first = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)))
    while "channels/shed/2" not in first.state.record:
        first.step(2.0)
    first.stop()
    second = WiringRehearsal(site, as_declared(site), first.state.scope, record=first.state.record, seed=1)
    # frost-stats may have been turned back: everything dark is looked at once more
    assert set(second.state.record) == {"boards/listen", "channels/shed/1"}
    second.run()
    assert report(second).verdict is Verdict.GOOD


def test_broken_off_again_before_all_was_dark_once_more_it_keeps_what_it_had(site):
    first = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.CHANNELS)))
    while "channels/shed/2" not in first.state.record:
        first.step(2.0)
    second = WiringRehearsal(site, as_declared(site), first.state.scope, record=first.state.record, seed=1)
    third = WiringRehearsal(site, as_declared(site), first.state.scope, record=second.state.record, seed=2)
    assert report(third).verdict is Verdict.INCOMPLETE  # a sheet can be made of it at any time
    assert set(third.state.record) == {"boards/listen", "channels/shed/1"}
    third.run()
    assert report(third).verdict is Verdict.GOOD


class OneCircuitLeft(Truthful):
    """Somebody who leaves the circuit to another day."""

    def answer(self, ask):
        return (NO,) if "circuit heat" in ask.text and ask.confirms_switching else super().answer(ask)


def test_what_was_declined_is_offered_again_and_every_frost_stat_turned_back_after_it(site):
    scope = Scope(site=site, stages=stages(Stage.CHANNELS, Stage.CIRCUITS, Stage.GUARDS))
    first = WiringRehearsal(site, as_declared(site), scope, person=OneCircuitLeft)
    first.run()
    assert report(first).verdict is Verdict.INCOMPLETE
    assert "The same command goes on with what is left" in report(first).sentence
    rehearsed = report_of(first.state.record, scope_of(first.state), goes_on=False)
    assert rehearsed.sentence.endswith("what was made passed.")  # nothing of a rehearsal is kept
    second = WiringRehearsal(site, as_declared(site), scope, record=first.state.record, seed=1)
    left = {"channels/dark", "circuits/heat", "guards/back"}
    assert set(first.state.record) - set(second.state.record) == left
    second.run()
    assert report(second).verdict is Verdict.GOOD
    assert second.world.turned_up == set()


def test_a_wrong_key_is_asked_again_and_changes_nothing(site):
    rehearsal = WiringRehearsal(site, as_declared(site))
    rehearsal.step(1.0)
    state = rehearsal.state
    assert isinstance(state.step, Ask)
    after, actions = handle(state, Answered(answer=("perhaps",)), rehearsal.now)
    assert after == state
    assert isinstance(actions[-1], Question)


def test_after_its_end_nothing_moves_it(good):
    state, actions = handle(good.state, Answered(answer=(YES,)), good.now)
    assert (state, actions) == (good.state, ())
    assert handle(good.state, Stopped(because="again"), good.now) == (good.state, ())


def test_a_tree_that_grows_hot_is_given_no_more_heat(site):
    wiring = as_declared(site)
    rehearsal = WiringRehearsal(site, wiring, Scope(site=site, stages=stages(Stage.CHANNELS)))
    while not (isinstance(rehearsal.state.step, Stand) and rehearsal.state.on == {"shed/1"}):
        rehearsal.step(2.0)
    rehearsal.world.held = "air-lemon"  # a hand's warmth stands for a hot tree
    while not (rehearsal.state.hot or rehearsal.state.is_over):
        rehearsal.step(2.0)
    rehearsal.step(2.0)
    assert rehearsal.state.hot == {"lemon"}
    assert "1" not in rehearsal.world.boards["shed"].on
