"""The keeper's loop, as stories: situation, what happens, the reasons in order."""

import math
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest

from controller.guard.confirm import Confirmation, done
from controller.guard.decision import Reason
from controller.guard.events import (
    BoardGone,
    BusUp,
    Confirmed,
    Decide,
    EchoHeard,
    Found,
    HandOrdered,
    HouseKnown,
    Noted,
    OutlookMade,
    PlanMade,
    PowerHeard,
    ProbeHeard,
    Reply,
    Tick,
)
from controller.guard.finding import FindingCode, finding
from controller.guard.hand import HandOrder, Order
from controller.guard.state import begin
from controller.keeper import handle, outside_temp_c
from controller.plan.outlook import Outlook
from controller.plan.plan import plan_of
from controller.site.load import example_site, parse_site
from controller.site.work import Work
from controller.thermal.inputs import inputs_of
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from tests.conftest import DUSK, Drive, at
from tests.plan.test_outlook import forecast

TREES = ("satsuma-door", "satsuma-middle", "satsuma-back", "lemon", "yuzu")


def give(drive, position, *, target="lemon", kind="tree", hours=2.0, version=0, consent=""):
    until = drive.now.utc + timedelta(hours=hours)
    order = HandOrder(
        id="o1",
        who="Nora",
        target_kind=kind,
        target=target,
        order=position,
        until=until,
        version=version,
        consent=consent,
    )
    (reply,) = [a for a in drive.tell(HandOrdered(order=order)) if isinstance(a, Reply)]
    return reply.answer


def all_off(drive):
    return {board: set(memory.off) for board, memory in drive.state.boards.items()}


def test_nothing_heard_yet_means_heat_and_no_lease(drive):
    drive.tell(Tick())
    assert [drive.tree(name).reason for name in TREES] == [Reason.PROBE_MISSING] * 5
    assert all(drive.tree(name).active for name in TREES)
    assert drive.leases() == []


def test_warm_trees_rest_by_a_lease_of_at_most_300_s(drive):
    drive.step()
    assert all(not drive.tree(name).active for name in TREES)
    assert {given.lease.board: given.lease.off for given in drive.leases()} == {
        "east": ("1", "2", "3", "4", "5"),
        "west": ("1", "2", "3", "4", "5"),
    }
    assert all(given.lease.ttl_s == 300.0 and given.lease.boot == "b1" for given in drive.leases())


def test_a_lease_is_renewed_every_minute_and_numbered(drive):
    for _ in range(31):
        drive.step(10.0)
    east = [given.lease.seq for given in drive.leases() if given.lease.board == "east"]
    assert east == [1, 2, 3, 4, 5, 6]


def test_a_cold_tree_is_heated_at_once_and_the_others_are_not(drive):
    drive.step()
    drive.actions.clear()
    drive.temps_c["air-lemon"] = 0.9375
    drive.step()
    assert drive.tree("lemon").reason is Reason.COLD
    assert all_off(drive) == {"east": {"1", "2", "3", "5"}, "west": {"1", "2", "3", "5"}}
    assert [given.lease.board for given in drive.leases()] == ["east", "west"]


def test_a_silent_probe_means_heat_after_two_periods_and_rest_when_it_returns(drive):
    drive.step()
    for _ in range(12):
        drive.step(10.0, silent=["air-yuzu"])
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH
    drive.step(10.0, silent=["air-yuzu"])
    assert drive.tree("yuzu").reason is Reason.PROBE_STALE
    assert "5" not in all_off(drive)["east"]
    for _ in range(12):
        drive.step(10.0)
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH


def test_a_frozen_probe_is_found_by_the_others(drive):
    drive.step()
    for n in range(300):
        drive.temps_c = {
            p: c if p == "air-lemon" else 8.0 - 0.0625 * (n // 10) for p, c in drive.temps_c.items()
        }
        drive.step(10.0)
    assert drive.tree("lemon").reason is Reason.PROBE_FROZEN
    assert drive.tree("lemon").active


def test_a_probe_s_offset_from_the_ice_bath_is_added():
    text = example_site("curlew-yard").read_text()
    site = parse_site(text.replace('name = "air-lemon"\n', 'name = "air-lemon"\noffset_k = -0.5\n'))
    drive = Drive(site)
    drive.temps_c["air-lemon"] = 1.25
    drive.step()
    assert drive.tree("lemon").temp_c == 0.75
    assert drive.tree("lemon").active


def test_unknown_probes_and_boards_change_nothing(drive):
    drive.step()
    before = drive.state
    drive.tell(ProbeHeard(probe="stranger", temp_c=9.0))
    drive.tell(EchoHeard(board="stranger", boot="x", session=None, seq=0, on=()))
    drive.tell(BoardGone(board="stranger"))
    assert drive.state is before


def test_a_board_that_is_silent_gets_no_lease_and_its_tree_counts_as_heated(drive):
    drive.step()
    drive.boards_answer = False
    for _ in range(10):
        drive.step(10.0)
    assert drive.tree("lemon").reason is Reason.BOARD_SILENT
    assert drive.tree("lemon").active
    drive.actions.clear()
    drive.step(120.0)
    assert drive.leases() == []


def test_one_silent_board_of_two_leaves_the_other_its_lease(drive):
    drive.step()
    drive.boards_answer = False
    for _ in range(10):
        drive.echo("west")
        drive.step(10.0)
    assert drive.tree("lemon").reason is Reason.WARM_ENOUGH
    drive.actions.clear()
    drive.echo("west")
    drive.step(60.0)
    assert {given.lease.board for given in drive.leases()} == {"west"}


def test_a_board_that_was_gone_or_restarted_is_told_again_at_once(drive):
    drive.step()
    drive.tell(BoardGone(board="east"))
    assert drive.state.boards["east"].boot == ""
    seq = drive.state.boards["east"].seq
    drive.actions.clear()
    drive.echo("east", boot="b2")
    drive.tell(Tick())
    (given,) = drive.leases()
    assert (given.lease.board, given.lease.boot, given.lease.seq) == ("east", "b2", seq + 1)


def test_when_the_bus_returns_every_board_is_told_the_present_state(drive):
    drive.step()
    drive.actions.clear()
    drive.tell(BusUp())
    drive.tell(Tick())
    assert {given.lease.board for given in drive.leases()} == {"east", "west"}


def test_another_session_s_echo_confirms_nothing(drive):
    drive.step()
    drive.tell(EchoHeard(board="east", boot="b1", session="other", seq=99, on=()))
    assert drive.state.boards["east"].echoed_seq == 0
    drive.mono_s += 11.0
    assert not drive.state.boards["east"].is_confirmed(drive.now)


# ---- hand orders --------------------------------------------------------------------------------------


def test_heat_by_hand_ends_by_itself(drive):
    drive.step()
    assert give(drive, Order.HAND_ON, hours=1).accepted
    drive.step()
    assert drive.tree("lemon").reason is Reason.HAND_ON
    for _ in range(60):
        drive.step(60.0)
    assert drive.tree("lemon").reason is Reason.WARM_ENOUGH


@pytest.mark.parametrize(("kind", "target"), [("tree", "lemon"), ("vent", "gable-fan")])
def test_the_end_that_is_shown_is_the_one_that_stands_whatever_was_asked(drive, kind, target):
    drive.step()
    answer = give(drive, Order.HAND_ON, kind=kind, target=target, hours=30)
    assert "until 2027-01-15 05:00 UTC, the longest allowed (12 h)" in answer.because
    drive.step()
    decision = drive.tree(target) if kind == "tree" else drive.vent(target)
    assert "until 05:00 UTC" in decision.because


def test_an_order_for_all_covers_every_tree_and_one_for_a_tree_excepts_it(drive):
    drive.step()
    give(drive, Order.HAND_ON, kind="all", target="all")
    give(drive, Order.AUTO, target="yuzu")
    drive.step()
    reasons = {name: drive.tree(name).reason for name in TREES}
    assert reasons.pop("yuzu") is Reason.WARM_ENOUGH
    assert set(reasons.values()) == {Reason.HAND_ON}
    give(drive, Order.HAND_ON, kind="all", target="all")
    drive.step()
    assert drive.tree("yuzu").reason is Reason.HAND_ON


def test_off_by_hand_on_a_freak_night_is_overruled_before_fruit_is_lost(drive):
    drive.step()
    give(drive, Order.HAND_OFF, target="yuzu")
    reasons = []
    for temp_c in (0.5, 0.0, -0.5, -1.0, -1.25, -2.0):
        drive.temps_c["air-yuzu"] = temp_c
        drive.step()
        reasons.append(drive.tree("yuzu").reason)
    assert reasons == [Reason.HAND_OFF] * 4 + [Reason.HAND_OFF_OVERRULED] * 2


def test_off_by_hand_and_a_silent_probe_means_heat(drive):
    drive.step()
    give(drive, Order.HAND_OFF, target="yuzu")
    for _ in range(13):
        drive.step(10.0, silent=["air-yuzu"])
    assert drive.tree("yuzu").active


def test_refused_orders_are_answered_and_change_nothing(drive):
    drive.step()
    before = drive.state
    assert "there is no tree 'lime'" in give(drive, Order.HAND_ON, target="lime").because
    assert "there is no vent 'lime'" in give(drive, Order.HAND_ON, target="lime", kind="vent").because
    assert drive.state is before
    assert give(drive, Order.HAND_ON, version=2).accepted
    assert not give(drive, Order.HAND_ON, version=2).accepted


# ---- vents --------------------------------------------------------------------------------------------


def test_a_hot_house_is_vented_and_the_fan_s_channel_is_in_the_lease(drive):
    drive.temps_c = dict.fromkeys(drive.temps_c, 27.0)
    drive.step()
    assert drive.vent("gable-fan").reason is Reason.HOUSE_HOT
    assert drive.state.boards["east"].vent == ("6",)


def test_heat_and_vent_are_never_together(drive):
    drive.temps_c = dict.fromkeys(drive.temps_c, 27.0)
    drive.step()
    give(drive, Order.HAND_ON)
    drive.step()
    assert drive.tree("lemon").active
    assert drive.vent("gable-fan").reason is Reason.HEAT_ON
    assert drive.state.boards["east"].vent == ()


def test_a_vent_waits_until_the_board_says_the_string_is_off(drive):
    drive.temps_c = dict.fromkeys(drive.temps_c, 27.0)
    drive.boards_answer = False
    for board in ("east", "west"):
        drive.echo(board, on=("4",))
    drive.step()
    assert not drive.tree("lemon").active
    assert drive.vent("gable-fan").reason is Reason.HEAT_ON
    for board in ("east", "west"):
        drive.echo(board, on=())
    drive.step()
    assert drive.vent("gable-fan").active


def test_an_order_moves_a_vent(drive):
    drive.step()
    assert give(drive, Order.HAND_ON, target="gable-fan", kind="vent").accepted
    drive.step()
    assert drive.vent("gable-fan").reason is Reason.HAND_OPEN


def test_a_house_without_a_house_probe_keeps_its_vents_at_rest():
    text = example_site("curlew-yard").read_text()
    text = text.replace('[[probe]]\nname = "house"\nmeasures = "house"\n', "")
    text = text.replace('[[probe]]\nname = "outside"\nmeasures = "outside"\n', "")
    drive = Drive(parse_site(text))
    drive.step()
    assert drive.vent("gable-fan").reason is Reason.PROBE_MISSING
    assert not drive.vent("gable-fan").active


def test_a_site_without_vents_is_kept():
    text = example_site("tussock-bay").read_text()
    start = text.index("[[vent]]")
    drive = Drive(parse_site(text[:start] + text[text.index("[tariff]") :]))
    drive.step()
    assert drive.state.vent == {}


def test_a_tree_with_two_probes_goes_by_the_colder():
    text = example_site("curlew-yard").read_text()
    text = text.replace('probes = ["air-lemon"]', 'probes = ["air-lemon", "trunk-lemon"]')
    drive = Drive(parse_site(text + '\n[[probe]]\nname = "trunk-lemon"\nmeasures = "tree"\n'))
    drive.temps_c["trunk-lemon"] = 0.5
    drive.step()
    assert (drive.tree("lemon").active, drive.tree("lemon").probe) == (True, "trunk-lemon")


# ---- what is told -------------------------------------------------------------------------------------


def test_a_decision_is_told_when_it_changes_and_every_quarter_of_an_hour(drive):
    for _ in range(181):
        drive.step(10.0)
    lemon = [a for a in drive.actions if isinstance(a, Decide) and a.decision.name == "lemon"]
    assert [a.changed for a in lemon] == [True, False, False]
    assert [(a.decision.at - DUSK).total_seconds() for a in lemon] == [10.0, 910.0, 1810.0]


def test_an_outlook_is_kept_and_changes_no_decision(drive):
    drive.step()
    outlook = Outlook(
        made_at=DUSK,
        ends_at=DUSK,
        source="test",
        attribution="",
        outside_min_c=30.0,
        outside_min_at=DUSK,
        house_min_c=30.0,
        trees=(),
        energy_kwh=0.0,
        cost=0.0,
        currency="EUR",
    )
    heat = drive.state.heat
    assert drive.tell(OutlookMade(outlook=outlook)) == ()
    assert drive.state.outlook is outlook
    assert drive.state.heat is heat


@pytest.mark.parametrize("temp_c", [math.nan, math.inf, -math.inf, 85.0, -127.0])
def test_no_unsound_number_ever_rests_a_heater(drive, temp_c):
    drive.temps_c = dict.fromkeys(drive.temps_c, temp_c)
    for _ in range(30):
        drive.step(10.0)
    assert all(drive.tree(name).active for name in TREES)
    assert all(given.lease.off == () for given in drive.leases())


def test_the_outside_temperature_is_known_only_while_its_probe_is_believed(curlew_yard):
    state = begin(curlew_yard, "s1")
    assert math.isnan(outside_temp_c(state, at(0.0)))
    for second in (0.0, 1.0, 2.0):
        assert math.isnan(outside_temp_c(state, at(second))), "a probe's first two words do not count"
        heard = ProbeHeard(probe="outside", temp_c=-2.5, at=at(second).utc)
        state, _ = handle(state, heard, at(second))
    assert outside_temp_c(state, at(10.0)) == -2.5
    assert math.isnan(outside_temp_c(state, at(7200.0)))


def plan_asking(site, floor_c, slots=8):
    given = plan_of(site, forecast(-6.0), {}, DUSK)
    trees = {
        name: replace(tree, floor_c=(floor_c,) * slots, why="a test asks")
        for name, tree in given.trees.items()
    }
    return replace(given, trees=trees)


def test_a_plan_adds_heat_until_it_is_an_hour_old(drive, curlew_yard):
    for _ in range(3):
        drive.step(120.0)
    assert drive.tree("lemon").reason is Reason.WARM_ENOUGH
    drive.tell(PlanMade(plan=plan_asking(curlew_yard, 9.0)))
    came_s = drive.mono_s
    begun = []
    for _ in curlew_yard.trees:
        drive.step()
        begun.append(sum(decision.active for decision in drive.state.heat.values()))
    assert begun == [1, 2, 3, 4, 5], "one tree after the other, so that cold lamps do not all start at once"
    for _ in range(3):
        drive.step(60.0)
    assert (drive.tree("lemon").active, drive.tree("lemon").reason) == (True, Reason.PLANNED)
    lease = drive.leases()[-1].lease
    assert not {"1", "2", "3", "4", "5"} & set(lease.off), "no heater rests while the plan warms"
    while drive.mono_s - came_s <= 3600.0:
        drive.step(60.0)
    drive.step(60.0)
    assert (drive.tree("lemon").active, drive.tree("lemon").reason) == (False, Reason.PLAN_OLD)


def test_while_a_tree_loses_fruit_with_its_heat_on_the_others_heat_for_it(drive):
    for _ in range(3):
        drive.step(120.0)
    floor_c = next(rules.hand_off_floor_c for rules in drive.state.rules.trees if rules.name == "lemon")
    drive.temps_c["air-lemon"] = floor_c + 0.2
    drive.step()
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH, "its own heat may still hold it"
    drive.temps_c["air-lemon"] = floor_c
    begun = []
    for _ in range(6):
        drive.step()
        begun.append([name for name in TREES if drive.tree(name).active])
    assert [len(names) for names in begun] == [1, 2, 3, 4, 5, 5], "one after the other: cold lamps"
    drive.step(120.0)
    assert drive.tree("yuzu").reason is Reason.NEIGHBOUR_IN_DANGER
    assert drive.tree("yuzu").because == (
        "8.00 °C would do, but lemon is losing fruit with all its heat on: this warms the house"
    )
    assert drive.tree("lemon").reason is Reason.COLD
    assert not drive.leases()[-1].lease.off
    drive.temps_c["air-lemon"] = floor_c + 0.4  # not yet out of danger, or all would go on and off with it
    for _ in range(3):
        drive.step(120.0)
    assert drive.tree("yuzu").reason is Reason.NEIGHBOUR_IN_DANGER
    drive.temps_c["air-lemon"] = floor_c + 0.6
    for _ in range(2):
        drive.step()
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH
    assert drive.tree("lemon").active


def test_nobody_heats_for_a_tree_whose_fruit_was_let_go_or_whose_probe_tells_nothing(drive):
    for _ in range(3):
        drive.step(120.0)
    drive.temps_c["air-lemon"] = math.nan
    for _ in range(3):
        drive.step(120.0)
    assert drive.tree("lemon").active
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH
    assert give(drive, Order.HAND_OFF, consent="let the lemon go").accepted
    drive.temps_c["air-lemon"] = -4.0
    for _ in range(6):
        drive.step(60.0)
    assert drive.tree("lemon").reason is Reason.LET_GO
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH


def test_a_plan_that_asks_for_no_number_changes_nothing(drive, curlew_yard):
    drive.tell(PlanMade(plan=plan_asking(curlew_yard, math.nan)))
    for _ in range(3):
        drive.step(120.0)
    assert (drive.tree("lemon").active, drive.tree("lemon").reason) == (False, Reason.PLAN_ABSURD)
    drive.tell(PlanMade(plan=None))
    drive.step()
    assert drive.tree("lemon").reason is Reason.WARM_ENOUGH


def test_a_fan_opens_later_before_a_frost_night(drive, curlew_yard):
    drive.temps_c |= {"house": 27.0, "outside": 16.0}  # no house is 19 K warmer than the night outside
    for _ in range(4):
        drive.step(120.0)
    assert drive.vent("gable-fan").reason in {Reason.HOUSE_HOT, Reason.NOT_YET_COOL}
    drive.tell(PlanMade(plan=plan_of(curlew_yard, forecast(-6.0), {}, DUSK)))
    for _ in range(4):
        drive.step(120.0)
    assert (drive.vent("gable-fan").active, drive.vent("gable-fan").reason) == (False, Reason.BANK_HEAT)


def test_messages_leave_the_plan_in_place(drive, curlew_yard):
    plan = plan_asking(curlew_yard, 9.0)
    drive.tell(PlanMade(plan=plan))
    drive.step()
    assert drive.state.plan is plan


def test_a_person_s_word_is_answered_and_stands_and_switches_nothing(drive):
    drive.step()
    before = [(drive.tree(name).active, drive.tree(name).reason) for name in TREES]
    word = Confirmation(
        id="w1", who="Nora", what=Work.COVERED, target_kind="all", target="all", at=drive.now.utc
    )
    (noted,) = drive.tell(Confirmed(confirmation=word))
    assert noted == Noted(answer=noted.answer, confirmation=word)
    assert noted.answer.accepted
    assert done(drive.state.confirmed, drive.now) == {(Work.COVERED, name) for name in TREES}
    drive.tell(Tick())
    assert [(drive.tree(name).active, drive.tree(name).reason) for name in TREES] == before
    drive.step()
    assert done(drive.state.confirmed, drive.now) == {(Work.COVERED, name) for name in TREES}


def test_a_word_about_what_is_not_there_is_refused(drive):
    word = Confirmation(
        id="w1", who="Nora", what=Work.HARVESTED, target_kind="tree", target="lime", at=drive.now.utc
    )
    (noted,) = drive.tell(Confirmed(confirmation=word))
    assert not noted.answer.accepted
    assert drive.state.confirmed == {}


# ---- the model witness --------------------------------------------------------------------------------


def cold_house(drive, hours=3.0):
    """Let a house stand at -1 °C for some hours of night, its trees at what it leaves them."""
    drive.temps_c |= {name: 1.0 for name in drive.temps_c if name.startswith("air-")}
    drive.temps_c |= {"house": -1.0, "outside": -3.0}
    for _ in range(round(hours * 60)):
        drive.step(60.0)


def test_a_probe_warmer_than_anything_explains_cannot_keep_heat_off(drive):
    cold_house(drive)
    assert drive.tree("lemon").reason is Reason.COLD
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH
    drive.temps_c["air-yuzu"] = 7.0
    for _ in range(3):
        drive.step(60.0)
    decision = drive.tree("yuzu")
    assert (decision.active, decision.reason) == (True, Reason.WITNESS_COLDER)
    assert "air-yuzu reads 7.0 °C, but house, outside and heat explain" in decision.because

    def told():  # the boards of this drive say that nothing is on, which is told besides
        codes = [found.code for found in drive.state.found if found.target == "yuzu"]
        return [code for code in codes if code != "heat-not-on"]

    assert told() == [], "it may pass"
    for _ in range(11):
        drive.step(60.0)
    assert told() == ["witness-colder"]
    give(drive, Order.HAND_OFF, target="yuzu")
    drive.step(60.0)
    assert drive.tree("yuzu").active, "nor can a person by such a probe"


def test_a_doubt_that_came_back_for_ten_minutes_heats_for_half_an_hour_though_heat_explains_the_probe(drive):
    cold_house(drive)
    drive.temps_c["air-yuzu"] = 7.0
    reasons = []
    for _ in range(70):  # nothing is heated unless a board is told to; then a board says so
        drive.step(60.0)
        if drive.tree("yuzu").active:
            drive.temps_c["air-yuzu"] = 2.0  # within what the model explains
        reasons.append(drive.tree("yuzu").reason)
    first = reasons.index(Reason.WITNESS_COLDER)
    assert set(reasons[first + 11 : first + 25]) == {Reason.DOUBT_STANDS}
    assert Reason.WARM_ENOUGH in reasons[first + 32 :], "a doubt that does not come back is over"


def test_heat_just_begun_is_no_contradiction_until_the_witness_has_counted_it(drive):
    cold_house(drive)
    drive.boards_answer = False
    while drive.state.witness.stepped_s < drive.mono_s:
        for board in ("east", "west"):
            drive.echo(board, on=())
        drive.step(10.0)
    for _ in range(12):  # two minutes of heat, and the probe already 3 K warmer
        for board in ("east", "west"):
            drive.echo(board, on=("5",))
        drive.temps_c["air-yuzu"] += 0.25
        drive.step(10.0)
    assert drive.tree("yuzu").temp_c == 4.0
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH


def test_a_doubted_probe_is_not_believed_because_its_tree_is_heated_for_it(drive):
    cold_house(drive)
    drive.temps_c["air-yuzu"] = 7.0
    drive.boards_answer = False
    reasons = set()
    for minute in range(7):
        heated = "5" if minute > 2 else "4"
        for board in ("east", "west"):
            drive.echo(board, on=(heated,))
        drive.step(60.0)
        reasons.add(drive.tree("yuzu").reason if minute > 2 else Reason.WITNESS_COLDER)
    assert reasons == {Reason.WITNESS_COLDER}


def test_heat_that_the_boards_report_explains_a_warm_probe(drive):
    cold_house(drive)
    for minute in range(90):
        for board in ("east", "west"):
            drive.echo(board, on=("5",))
        drive.boards_answer = False
        drive.temps_c["air-yuzu"] = min(7.0, 1.0 + 0.3 * minute)
        drive.step(60.0)
    assert drive.state.witness.word(4).mean_c > 4.0
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH


def test_a_fleece_that_somebody_says_is_off_is_off_for_the_witness(drive):
    cold_house(drive)
    covered_c = drive.state.witness.word(4).mean_c
    word = Confirmation(
        id="w1", who="Nora", what=Work.UNCOVERED, target_kind="tree", target="yuzu", at=drive.now.utc
    )
    drive.tell(Confirmed(confirmation=word))
    for _ in range(90):
        drive.step(60.0)
    assert drive.state.witness.word(4).mean_c < covered_c - 0.5


def test_the_witness_is_told_the_model_in_use_and_the_weather(drive, curlew_yard):
    parameters = parameters_of(curlew_yard)
    weather = inputs_of(forecast(-6.0), curlew_yard, parameters, DUSK)
    drive.tell(HouseKnown(parameters=parameters, noise=Noise(), weather=weather))
    assert drive.state.witness.filter.parameters is parameters
    assert drive.state.witness.expected.row(drive.now) == 0


# ---- a probe's words ----------------------------------------------------------------------------------


def test_after_its_board_has_restarted_a_tree_s_probe_must_speak_thrice_before_heat_may_rest(drive):
    drive.step()
    reasons = []
    for _ in range(4):
        for board in drive.site.boards:
            drive.echo(board.name, boot="b2")
        drive.boards_answer = False
        drive.step(10.0)
        reasons.append(drive.tree("lemon").reason)
    # the first has come by the time of the first decision; heat once begun lasts two minutes
    assert reasons == [Reason.PROBE_NEW, Reason.PROBE_NEW, Reason.MINIMUM_ON_TIME, Reason.MINIMUM_ON_TIME]


def test_a_word_said_twice_or_late_changes_nothing(drive):
    drive.step()
    before = drive.state
    for ago_s in (0.0, 30.0, 299.0):
        then = drive.now.utc - timedelta(seconds=ago_s)
        drive.tell(ProbeHeard(probe="air-lemon", temp_c=20.0, at=then))
        assert drive.state is before
    drive.tell(ProbeHeard(probe="air-lemon", temp_c=7.0, at=drive.now.utc - timedelta(seconds=300.0)))
    assert drive.state.latest_c["air-lemon"] == 7.0, "a clock set back is another matter"
    drive.step()
    assert drive.tree("lemon").reason is Reason.WARM_ENOUGH


def test_a_leap_above_the_limit_does_not_rest_a_cold_tree_until_it_is_confirmed(drive):
    drive.temps_c["air-lemon"] = 0.5
    drive.step()
    reasons = []
    for temp_c in (9.0, 0.5, 9.0, 9.0, 9.0):
        drive.temps_c["air-lemon"] = temp_c
        for _ in range(5):
            drive.step(25.0, silent=["air-lemon"])
        drive.step(1.0)
        reasons.append((drive.tree("lemon").active, drive.state.latest_c["air-lemon"]))
    assert [c for _, c in reasons] == [0.5, 0.5, 0.5, 9.0, 9.0]
    assert [active for active, _ in reasons[:3]] == [True] * 3


def test_a_plan_moves_a_hold_temperature_by_risk_within_limits_and_while_fresh(curlew_yard):
    lemon = next(tree for tree in curlew_yard.trees if tree.name == "lemon")
    trees = tuple(
        tree.model_copy(update={"hold": "risk"}) if tree is lemon else tree for tree in curlew_yard.trees
    )
    drive = Drive(curlew_yard.model_copy(update={"trees": trees}))
    drive.temps_c["air-lemon"] = 0.9
    plan = plan_of(curlew_yard, forecast(-6.0), {}, DUSK)

    def limit_c(hold_c):
        moved = replace(plan, trees=plan.trees | {"lemon": replace(plan.trees["lemon"], hold_c=hold_c)})
        drive.tell(PlanMade(plan=moved))
        for _ in range(3):
            drive.step(120.0)
        return drive.tree("lemon").limit_c

    assert limit_c(1.5) == 1.5
    assert drive.tree("lemon").active
    assert limit_c(0.55) in {0.55, 1.05}, "the limit, or its band while it still heats"
    for absurd_c in (0.5, 3.1, math.nan, None):
        assert limit_c(absurd_c) == 1.0
    assert limit_c(1.5) == 1.5
    for _ in range(31):
        drive.step(120.0)
    assert drive.tree("lemon").limit_c == 1.0, "an hour later the plan is old"


def test_a_meter_of_an_unmetered_circuit_is_passed_over(drive):
    before = drive.state
    drive.tell(PowerHeard(circuit="a", power_w=900.0))
    assert drive.state is before


def test_a_meter_is_judged_by_what_the_boards_echo(curlew_yard):
    circuits = tuple(c.model_copy(update={"meter": c.name == "a"}) for c in curlew_yard.circuits)
    drive = Drive(curlew_yard.model_copy(update={"circuits": circuits}))

    def minutes(count, power_w, *, on=(), boards=True):
        for _ in range(count * 6):
            drive.tell(PowerHeard(circuit="a", power_w=power_w))
            drive.boards_answer = False
            for board in ("east", "west") if boards else ():
                drive.echo(board, on=on if board == "east" else ())
            drive.step(10.0)
        return [each.key for each in drive.state.found if each.target == "a"]

    assert minutes(3, 0.0) == []
    assert minutes(3, 175.0) == ["heater-stuck-on.a"]
    drive.temps_c["air-lemon"] = 0.5
    assert minutes(4, 175.0, on=("4",)) == []
    # on, but its tree is well above frost: its frost-stat may be open
    drive.temps_c["air-lemon"] = 8.0
    assert minutes(4, 0.0, on=("4",)) == []
    # a silent board's strings may be on
    assert minutes(4, 875.0, boards=False) == []
    assert minutes(4, 1875.0, boards=False) == ["heater-stuck-on.a"]


@pytest.mark.parametrize("code", ["probe-by-lamp", "probe-drifted", "probes-swapped"])
def test_a_probe_that_past_days_speak_against_needs_the_model_s_word(drive, code):
    cold_house(drive)
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH
    spoken = (finding(FindingCode(code), "air-yuzu", "a test says so"),)
    drive.tell(Found(source="model", findings=spoken))
    drive.step()
    assert (drive.tree("yuzu").active, drive.tree("yuzu").reason) == (True, Reason.PROBE_SUSPECT)
    assert drive.tree("satsuma-door").reason is Reason.WARM_ENOUGH
    drive.tell(Found(source="model", findings=()))
    drive.step(130.0)
    assert drive.tree("yuzu").reason is Reason.WARM_ENOUGH


def test_a_tree_whose_probe_speaks_fahrenheit_from_the_start_is_heated(drive):
    drive.temps_c |= {"air-yuzu": 35.6, "outside": -1.0}
    drive.step()
    assert (drive.tree("yuzu").active, drive.tree("yuzu").reason) == (True, Reason.PROBE_FAR_OFF)


@pytest.mark.fault("U12")
def test_no_season_is_over_a_late_frost_is_heated_as_any_other(drive, met):
    drive.step(400.0)
    assert not any(drive.tree(tree.name).active for tree in drive.site.trees)
    june = replace(drive.now, mono_s=drive.now.mono_s + 60.0, utc=DUSK + timedelta(days=150))
    for probe in drive.temps_c:
        drive.state, _ = handle(drive.state, ProbeHeard(probe=probe, temp_c=-1.0, at=june.utc), june)
    heard_s, june = june.mono_s, replace(june, mono_s=june.mono_s + 10.0)
    drive.state, _ = handle(drive.state, Tick(), june)
    assert all(drive.tree(tree.name).active for tree in drive.site.trees)
    assert all(drive.tree(tree.name).at.month == 6 for tree in drive.site.trees)
    met(reaction=june.mono_s - heard_s, alarm="none: it is heated as any frost is")


# ---- a process that was stopped ---------------------------------------------------------------------------


@pytest.mark.fault("P10", "C13")
def test_after_ten_minutes_asleep_what_was_heard_before_is_no_evidence(drive):
    drive.step()
    assert all(not drive.tree(name).active for name in TREES)
    drive.mono_s += 600.0
    drive.tell(Tick())
    assert [drive.tree(name).reason for name in TREES] == [Reason.PROBE_STALE] * 5
    assert all(drive.tree(name).active for name in TREES)


@pytest.mark.fault("V02")
def test_a_vent_that_is_open_when_heat_begins_is_shut_at_the_next_tick(drive, met):
    for _ in range(12):
        drive.step()
    until = drive.now.utc + timedelta(hours=1)
    order = HandOrder(
        id="air", who="Nora", target_kind="vent", target="gable-fan", order=Order.HAND_ON, until=until
    )
    drive.tell(HandOrdered(order=order))
    drive.step()
    assert drive.vent("gable-fan").active
    frost_s, given = drive.mono_s, len(drive.leases())
    drive.temps_c["air-lemon"] = -1.0
    drive.step()
    assert drive.tree("lemon").active
    assert not drive.vent("gable-fan").active
    assert all(not each.lease.vent for each in drive.leases()[given:])
    met(
        reaction=drive.mono_s - frost_s,
        alarm="none: the fan is told to rest before it can cool a heated tree",
    )


@pytest.mark.fault("P05")
def test_a_loop_at_a_quarter_of_its_pace_renews_every_lease_in_time(drive, met):
    given_s = {board.name: [] for board in drive.site.boards}
    for _ in range(60):
        before = len(drive.leases())
        drive.step(40.0)
        for each in drive.leases()[before:]:
            given_s[each.lease.board].append(drive.mono_s)
    for times_s in given_s.values():
        assert max(after - before for before, after in pairwise(times_s)) <= 80.0
    assert drive.state.found == ()
    met(reaction="none: every lease is renewed long before it ends", alarm="none: nothing is found")
