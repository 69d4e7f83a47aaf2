"""What may be ordered, and what keeping heat off would mean."""

from datetime import timedelta

import pytest

from controller.phone.figures import figures_of
from controller.phone.orders import (
    OrderError,
    consequence,
    hours_to_choose,
    in_words,
    wanted_from,
)
from tests.conftest import DUSK
from tests.phone.conftest import status_for, with_outlook

LATER = str(int(DUSK.timestamp()) + 3 * 3600)


def wanted(site, **form):
    return wanted_from({"target": "all", "order": "hand-on", "until": LATER} | form, site, DUSK)


def test_heat_for_everything(curlew_yard):
    order = wanted(curlew_yard)
    assert not order.needs_consent
    assert order.payload("Nora").model_dump(exclude_none=True) == {
        "who": "Nora",
        "all": True,
        "order": "hand-on",
        "until": DUSK + timedelta(hours=3),
        "version": 0,
        "consent": "",
    }


def test_one_tree_and_one_vent(curlew_yard):
    assert wanted(curlew_yard, target="tree:lemon").payload("Nora").tree == "lemon"
    assert wanted(curlew_yard, target="vent:gable-fan").payload("Nora").vent == "gable-fan"


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"target": "tree:palm"}, "no such tree"),
        ({"target": "tree:"}, "no such tree"),
        ({"target": "all:lemon"}, "no such tree"),
        ({"target": "circuit:a"}, "no such tree"),
        ({"target": ""}, "no such tree"),
        ({"order": "hand-maybe"}, "to heat, to keep off, or automatic"),
        ({"until": ""}, "lacks its end"),
        ({"until": "-5"}, "lacks its end"),
        ({"until": "1e9"}, "lacks its end"),
        ({"until": "٣٣٣"}, "lacks its end"),
        ({"until": "9" * 12}, "lacks its end"),
        ({"until": str(int(DUSK.timestamp()))}, "hour is over"),
        ({"until": "0"}, "hour is over"),
    ],
)
def test_what_cannot_be_ordered(curlew_yard, form, says):
    with pytest.raises(OrderError, match=says):
        wanted(curlew_yard, **form)


def test_no_order_lasts_longer_than_the_guard_allows(curlew_yard):
    # guard: heat for 12 h, none for 4 h
    far = str(int(DUSK.timestamp()) + 30 * 86400)
    assert wanted(curlew_yard, until=far).until == DUSK + timedelta(hours=12)
    assert wanted(curlew_yard, until=far, order="hand-off").until == DUSK + timedelta(hours=4)
    assert wanted(
        curlew_yard, until=far, order="hand-off", target="vent:gable-fan"
    ).until == DUSK + timedelta(hours=12)
    assert wanted(curlew_yard, until="", order="auto").until > DUSK


@pytest.mark.parametrize(
    ("form", "asked"),
    [
        ({"order": "hand-off"}, True),
        ({"order": "hand-off", "target": "tree:lemon"}, True),
        ({"order": "hand-off", "sure": "yes"}, False),
        ({"order": "hand-off", "sure": "1"}, True),
        ({"order": "hand-off", "target": "vent:gable-fan"}, False),
        ({"order": "hand-on"}, False),
        ({"order": "auto"}, False),
    ],
)
def test_only_keeping_heat_off_is_asked_about(curlew_yard, form, asked):
    assert wanted(curlew_yard, **form).needs_consent is asked


def test_the_consequence_names_figures(drive):
    status_for(drive)
    with_outlook(drive)
    status = status_for(drive, air_lemon=2.4)
    site, figures = drive.site, figures_of(drive.site)
    off = wanted(site, order="hand-off", target="tree:lemon")
    said = consequence(off, site, status, figures, DUSK)
    coldest = figures.temp(status.coming.free_air_min_c["lemon"])
    assert len(said) == 2
    assert said[0].startswith(f"lemon has 2.4 °C now and would come down to {coldest} without heat.")
    # lemon: fruit freezes at -0.8 °C, and the guard's floor is a kelvin above
    assert "below −0.8 °C. At 0.2 °C of air the guard heats all the same." in said[0]
    assert said[1] == "It ends by itself at 20:00."
    assert len(consequence(wanted(site, order="hand-off"), site, status, figures, DUSK)) == 6
    unknown = consequence(off, site, None, figures, DUSK)
    assert "no forecast to say how cold" in unknown[0]


def test_the_hours_to_choose_are_whole_and_morning_is_proposed(curlew_yard):
    figures = figures_of(curlew_yard)
    hours = hours_to_choose(DUSK + timedelta(hours=5, minutes=10), figures, 12 * 3600.0)
    assert [hour.label for hour in hours][:3] == ["23:00", "00:00", "01:00"]
    assert [hour.label for hour in hours if hour.chosen] == ["08:00"]
    assert len(hours) == 12
    late = hours_to_choose(DUSK + timedelta(hours=5, minutes=50), figures, 12 * 3600.0)
    assert late[0].label == "00:00", "an hour of ten minutes is none"
    noon = hours_to_choose(DUSK - timedelta(hours=5), figures, 12 * 3600.0)
    assert [hour.chosen for hour in noon] == [False] * 11 + [True]


def test_in_words():
    assert in_words("all", "", "hand-on") == "Heat everything"
    assert in_words("tree", "lemon", "hand-off") == "Keep heat off lemon"
    assert in_words("vent", "gable-fan", "hand-off") == "Shut gable-fan"
