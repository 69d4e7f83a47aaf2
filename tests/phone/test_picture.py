"""What the page says, as stories."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from controller.bus.messages import AdviceStatus
from controller.phone.figures import figures_of
from controller.phone.history import NOTHING, Ledger
from controller.phone.picture import first_spell, picture_of
from controller.site.model import Phone
from tests.conftest import DUSK
from tests.phone.conftest import advice_for, say_done, sent, status_for, with_alarms, with_outlook


def picture(site, status, *, age_s=5.0, history=NOTHING, now=None, ledger=None):
    now = now or (status.at if status else DUSK)
    return picture_of(site, status, history, figures_of(site), now, age_s, ledger)


def tree(shown, name):
    return next(tree for tree in shown.trees if tree.name == name)


def changed(status, name, **change):
    outputs = tuple(o.model_copy(update=change) if o.name == name else o for o in status.outputs)
    return status.model_copy(update={"outputs": outputs})


def test_before_the_first_word(curlew_yard):
    shown = picture(curlew_yard, None, age_s=float("inf"))
    assert shown.headline == "Nothing has been heard from the controller yet."
    assert shown.stale
    assert shown.level == "look"


def test_a_mild_evening(drive):
    shown = picture(drive.site, status_for(drive))
    assert (shown.level, shown.headline) == ("well", "The trees are safe.")
    assert shown.tasks == ()
    assert shown.night.startswith("There is no forecast")
    lemon = tree(shown, "lemon")
    assert (lemon.state, lemon.hot, lemon.air, lemon.fruit) == ("resting", False, "8.0 °C", "2.5 °C")
    assert lemon.proof == "proof: all 2 strings report off"
    assert [vent.name for vent in shown.vents] == ["gable-fan"]


def test_a_frosty_night_ahead(drive):
    status_for(drive)
    with_outlook(drive)
    status = status_for(drive)
    shown = picture(drive.site, status)
    assert re.match(r"Down to −6.0 °C outside at about 0[34]:\d\d\. ", shown.night)
    assert re.search(r"Heat from about \S+ to .*: under 1 % risk, .* EUR for .* kWh\.$", shown.night)
    assert shown.tasks == (), "what is advised comes with the controller's advice"


def test_what_may_be_lost_all_the_same_is_said_and_asks_for_hands(drive):
    status_for(drive)
    with_outlook(drive)
    status = status_for(drive)
    coming = status.coming.model_copy(update={"loss_share": {"lemon": 0.184, "yuzu": 0.02}})
    shown = picture(drive.site, status.model_copy(update={"coming": coming}))
    assert "18 % of the fruit at risk on lemon" in shown.night
    assert shown.headline == "The trees are safe now, but hands are needed for the night."
    unknown = status.coming.model_copy(update={"loss_share": {}})
    shown = picture(drive.site, status.model_copy(update={"coming": unknown}))
    assert "risk unknown" in shown.night
    assert shown.level == "well"


def test_what_is_advised_has_a_time_a_reason_and_a_button(drive):
    status_for(drive)
    shown = picture(drive.site, status_for(drive, advice=advice_for(drive)))
    cover = next(task for task in shown.tasks if "fleece down" in task.what)
    assert cover.what == "Cover every tree, fleece down to the ground"
    assert cover.when == "now", "it is dusk"
    assert cover.level == "look"
    assert "is possible outside" in cover.why
    assert [(a.label, a.what, a.target) for a in cover.answers] == [("Fleece is on", "covered", "all")]
    check = next(task for task in shown.tasks if "string" in task.what)
    assert check.answers == ()


def test_what_was_done_is_not_asked_for_again_but_shown(drive):
    status_for(drive)
    advice = advice_for(drive)
    say_done(drive, "covered", "lemon")
    say_done(drive, "vents-shut", name="w2", who="Finn")
    shown = picture(drive.site, status_for(drive, advice=advice))
    cover = next(task for task in shown.tasks if "fleece down" in task.what)
    assert "lemon" not in cover.what
    assert [a.target for a in cover.answers] == [
        "tree:satsuma-door",
        "tree:satsuma-middle",
        "tree:satsuma-back",
        "tree:yuzu",
    ]
    assert cover.answers[-1].label == "Fleece is on: yuzu"
    assert not any(task.what == "Shut doors and vents" for task in shown.tasks)
    # noon by the sun at 6.4 degrees west: 12:25 UTC
    assert shown.words[0].words == "Nora, 3 min ago: fleece is on: lemon, taken as true until Fri 12:25."
    assert shown.words[1].words == "Finn, 3 min ago: doors and vents are shut, taken as true until Fri 12:25."
    assert [word.id for word in shown.words] == ["w1", "w2"]
    assert tree(shown, "lemon").fleece == "fleece on, says Nora (3 min ago)"
    assert tree(shown, "yuzu").fleece == ""
    later = picture(drive.site, status_for(drive), now=DUSK + timedelta(days=1))
    assert later.words == ()
    assert tree(later, "lemon").fleece == ""


@pytest.mark.parametrize(
    ("task", "hours", "when"),
    [
        ("cover", 2, "by 19:0"),
        ("cover", -1, "now"),
        ("uncover", 16, "from 09:0"),
        ("keep covered", 16, "through Friday"),
        ("nothing", 0, "tonight"),
    ],
)
def test_when_it_is_to_be_done(drive, task, hours, when):
    status = status_for(drive)
    advised = AdviceStatus(
        task=task, by=status.at + timedelta(hours=hours), what="do it", because="it is 3 °C"
    )
    (shown,) = picture(drive.site, status.model_copy(update={"advice": (advised,)})).tasks
    assert shown.when.startswith(when)
    assert shown.answers == ()


def test_the_season_so_far(drive):
    ledger = Ledger(since=DUSK - timedelta(days=40), nights=7, energy_kwh=41.0, cost=12.3)
    shown = picture(drive.site, status_for(drive), ledger=ledger)
    fruit = sum(each.fruit_count for each in drive.site.trees)
    cents = 100 * 41.0 * drive.site.tariff.price_per_kwh / fruit
    assert shown.season.startswith("Since 5 December: heat in 7 nights, about 41.0 kWh, ")
    assert shown.season.endswith(f", {cents:.1f} cents a fruit.")
    once = picture(drive.site, status_for(drive), ledger=replace(ledger, nights=1))
    assert "in 1 night," in once.season


def two_nights(status, **more):
    """Return the outlook with heat in the hours 4 to 12 and 28 to 36 from its start, 0.5 kWh each hour."""
    heat_kwh = tuple(0.5 if hour in {*range(4, 12), *range(28, 36)} else 0.0 for hour in range(48))
    start = status.coming.starts_at
    change = {"heat_kwh": heat_kwh, "heat_from": start + timedelta(hours=4, minutes=10)}
    change |= {"heat_until": start + timedelta(hours=35, minutes=50), "energy_kwh": 8.0, "cost": 2.4}
    return status.coming.model_copy(update=change | more)


def test_of_two_nights_the_first_is_told(drive):
    status_for(drive)
    with_outlook(drive)
    status = status_for(drive)
    coming = two_nights(status)
    shown = picture(drive.site, status.model_copy(update={"coming": coming}))
    # by hand: 8 hours of 0.5 kWh at 0.30 EUR; it begins ten minutes into the fourth hour after 17:03
    assert "Heat from about 21:13 to 05:03: under 1 % risk, 1.20 EUR for 4.0 kWh." in shown.night
    later = status.at + timedelta(hours=20)
    assert first_spell(coming, later).energy_kwh == pytest.approx(4.0)
    assert first_spell(coming, later).ends_at == coming.heat_until
    assert first_spell(coming, status.at + timedelta(hours=40)) is None


def test_a_mild_night_ahead_needs_nothing(drive):
    status_for(drive)
    with_outlook(drive, 5.0, cloud=1.0)
    shown = picture(drive.site, status_for(drive))
    assert shown.night.endswith("No tree needs heat.")
    assert shown.tasks == ()


def test_heat_on_and_proven(drive):
    status = status_for(drive, air_lemon=0.4)
    history = replace(NOTHING, rise_k={"air-lemon": 0.42})
    shown = picture(drive.site, status, history=history)
    lemon = tree(shown, "lemon")
    assert (lemon.state, lemon.hot, lemon.level) == ("HEAT ON", True, "well")
    assert lemon.proof == "proof: 2 of 2 strings report on; air +0.4 °C in 20 min"
    assert lemon.because == "0.40 °C is not above the hold temperature 1.00 °C"
    assert shown.headline == "The trees are safe."


def test_heat_ordered_but_no_string_reports_on(drive):
    status = changed(status_for(drive, air_lemon=0.4), "lemon", echoed_on=0)
    shown = picture(drive.site, status)
    assert (shown.level, shown.headline) == ("go", "Go and look now: lemon.")
    assert shown.tasks[0].what == "Go to lemon: heat is ordered, and no string reports on."
    assert tree(shown, "lemon").state == "HEAT ORDERED"


def test_half_of_the_heat_is_a_reason_to_look(drive):
    status = changed(status_for(drive, air_lemon=0.4), "lemon", echoed_on=1)
    shown = picture(drive.site, status)
    assert (shown.level, shown.headline) == ("look", "The trees are warm, but look at: lemon.")
    assert tree(shown, "lemon").proof == "only 1 of 2 strings report on"


def test_a_string_that_lingers_is_no_fault(drive):
    shown = picture(drive.site, changed(status_for(drive), "lemon", echoed_on=2))
    assert shown.level == "well"
    assert "stays on for two minutes" in tree(shown, "lemon").proof


def test_fruit_is_freezing(drive):
    shown = picture(drive.site, status_for(drive, air_yuzu=-2.4))
    assert shown.headline == "Go and look now: yuzu."
    assert "fruit freezes below −2.2 °C" in shown.tasks[0].what


def test_a_cold_tree_without_strings(drive):
    status = changed(status_for(drive), "lemon", channels=0, echoed_on=0, temp_c=0.5, reason="no-string")
    shown = picture(drive.site, status)
    assert shown.level == "go"
    assert tree(shown, "lemon").state == "no string"
    assert tree(shown, "lemon").proof == ""


def test_a_probe_that_cannot_be_believed(drive):
    status_for(drive)
    for _ in range(30):
        drive.step(silent=["air-lemon"])
    status = changed(status_for(drive), "lemon", reason="probe-stale", active=True, temp_c=None, echoed_on=2)
    shown = picture(drive.site, status)
    assert shown.headline == "The trees are warm, but look at: lemon."
    assert tree(shown, "lemon").air == "\N{EN DASH}"


def silenced(status, *names, **change):
    boards = tuple(
        b.model_copy(update={"heard": False, **change}) if b.name in names else b for b in status.boards
    )
    return status.model_copy(update={"boards": boards})


def test_a_silent_board(drive):
    shown = picture(drive.site, silenced(status_for(drive), "east"))
    assert shown.level == "look"
    assert any("Look at board east" in task.what for task in shown.tasks)
    lemon = tree(shown, "lemon")
    assert lemon.proof == "1 of 2 strings report off; board east is silent"
    assert lemon.trouble == "one of its boards is silent"
    both = tree(picture(drive.site, silenced(status_for(drive), "east", "west")), "lemon")
    assert both.proof == "boards east, west are silent, so nobody can tell; a silent board heats"
    assert (both.state, both.trouble) == ("resting", "its board is silent")


@pytest.mark.parametrize(
    ("last_word", "echoed_on", "state", "proof"),
    [
        ("west said on, then fell silent", 2, "HEAT ON", "1 of 2 strings report on; board west is silent"),
        ("west's connection is lost", 1, "HEAT ON", "1 of 2 strings report on; board west is silent"),
        ("west's connection is lost", 0, "HEAT ORDERED", "no string reports on yet; board west is silent"),
        ("of the two, one said on", 1, "HEAT ORDERED", "board west is silent, so nobody can tell"),
    ],
)
def test_what_one_board_proves_is_told_while_the_other_is_silent(drive, last_word, echoed_on, state, proof):
    status = changed(status_for(drive, air_lemon=0.4), "lemon", echoed_on=echoed_on)
    ago_s = None if "lost" in last_word else 200.0
    lemon = tree(picture(drive.site, silenced(status, "west", heard_ago_s=ago_s)), "lemon")
    assert lemon.state == state
    assert lemon.proof.startswith(proof)
    assert (lemon.level, lemon.trouble) == ("look", "one of its boards is silent")


def test_a_string_that_lingers_while_a_board_is_silent(drive):
    status = silenced(changed(status_for(drive), "lemon", echoed_on=1), "west", heard_ago_s=None)
    assert tree(picture(drive.site, status), "lemon").proof == (
        "1 of 2 strings still report on; a string stays on for two minutes; board west is silent"
    )


def test_strings_too_small_for_the_night_are_no_reason_to_sleep(drive):
    status_for(drive)
    with_outlook(drive, -6.0)
    status = status_for(drive)
    coming = status.coming.model_copy(update={"trees_short": ("lemon",)})
    shown = picture(drive.site, sent(status.model_copy(update={"coming": coming})))
    assert shown.level == "look"
    assert shown.headline == "The trees are safe now, but hands are needed for the night."
    assert any("more fleece on lemon" in task.what for task in shown.tasks)


@pytest.mark.parametrize(("age_s", "stale"), [(99.0, False), (101.0, True), (1e6, True)])
def test_silence_is_said_first_and_loud(drive, age_s, stale):
    shown = picture(drive.site, status_for(drive), age_s=age_s)
    assert shown.stale is stale
    assert ("said nothing" in shown.headline) is stale
    assert (shown.level == "go") is stale


def test_fahrenheit_reaches_every_figure(drive):
    site = drive.site.model_copy(update={"phone": Phone(temperature="fahrenheit")})
    shown = picture(site, status_for(drive))
    lemon = tree(shown, "lemon")
    assert lemon.air == "46.4 °F"
    assert "33.8 °F" in lemon.limits
    assert "46.4 °F" in lemon.because


def test_alarms_come_first_and_the_worst_of_them(drive):
    status = with_alarms(status_for(drive))
    (silent,) = status.alarms
    danger = {"key": "fruit-in-danger.yuzu", "target": "yuzu", "severity": 4, "what": "fruit in danger"}
    status = with_alarms(status, silent.model_copy(update=danger | {"because": "-2.0 °C in the fruit"}))
    shown = picture(drive.site, status)
    first, second = shown.alarms
    assert (first.head, first.level, first.key) == ("Fruit in danger: yuzu", "go", "fruit-in-danger.yuzu")
    assert first.because == "−2.0 °C in the fruit"
    assert (second.head, second.level) == ("Board silent: east", "look")
    assert second.since == "since 16:51, 12 min"
    assert second.cause.endswith("(certain)")
    assert (shown.level, shown.headline) == ("go", "Go and look now: yuzu.")


def test_who_has_an_alarm_is_told_and_it_goes_down_the_list(drive):
    status = with_alarms(status_for(drive))
    (silent,) = status.alarms
    other = silent.model_copy(update={"key": "probe-stale.outside", "target": "outside", "severity": 2})
    taken = silent.model_copy(update={"stage": "acknowledged", "acknowledged_by": "Finn"})
    over = silent.model_copy(update={"key": "x.west", "target": "west", "severity": 4, "stage": "returned"})
    shown = picture(drive.site, status.model_copy(update={"alarms": (taken, other, over), "alarms_more": 2}))
    assert [each.target for each in shown.alarms] == ["west", "outside", "east"]
    assert shown.alarms[0].stage == "It is over; nobody had it."
    assert (shown.alarms[2].stage, shown.alarms[2].key) == ("Finn has it.", "")
    assert shown.headline == "The trees are warm, but look at: west, east."
    assert shown.alarms_more == 2


def test_what_an_alarm_says_is_not_said_twice(drive):
    status = status_for(drive, air_lemon=0.4)
    boards = tuple(b.model_copy(update={"heard": False}) if b.name == "east" else b for b in status.boards)
    status = changed(status.model_copy(update={"boards": boards}), "lemon", reason="probe-stale")
    assert any("board east" in task.what for task in picture(drive.site, status).tasks)
    shown = picture(drive.site, with_alarms(status))
    assert not any("board east" in task.what for task in shown.tasks)
    assert any("Go to lemon" in task.what for task in shown.tasks)
