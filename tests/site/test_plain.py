"""Boards that know only texts, in the site file."""

import re

import pytest

from controller.errors import SiteFileError
from controller.site.explain import explain
from controller.site.load import parse_site
from tests.bus.test_plain import plain_site

SOUND = plain_site().model_dump_json(by_alias=True)


def refusal(*changes):
    text = SOUND
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    with pytest.raises(SiteFileError) as refused:
        parse_site(text, form="json")
    return str(refused.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"topic":"shed/do/2"', '"topic":"shed/do/1"', "switches east/1 and east/2; one topic, one load"),
        ('"topic":"shed/do/1"', '"topic":"rimeward/1/x"', "is the contract's or the broker's own"),
        ('"topic":"shed/do/1"', '"topic":"shed/#"', "no wildcard (+ or #) in it"),
        ('"topic":"shed/do/1"', '"topic":"shed/is/1"', "a board's echo cannot be told from a command"),
        ('"energise":"on","release":"off"', '"energise":"on","release":"on"', "give two different texts"),
        ('"echo_energised":null', '"echo_energised":"off"', "give two different texts"),
    ],
)
def test_a_wrong_description_is_refused(old, new, said):
    assert said in refusal((old, new))


def test_a_heater_on_a_working_contact_needs_a_proven_will_and_a_dead_board_is_said_to_leave_it_cold():
    working = ('"contact":"resting"', '"contact":"working"')
    unproven = refusal(working, ('"will_proven":true', '"will_proven":false'))
    assert "see this string come on by its will" in unproven
    assert "with the board itself dead it stays cold even then" in unproven
    site = parse_site(SOUND.replace(*working, 1), form="json")
    assert "east/1 hangs on a working contact: with the board dead it stays cold" in explain(site)


def test_a_board_speaks_one_way_on_all_its_channels():
    mixed = re.sub(r'"plain":\{[^}]*\}', '"plain":null', SOUND, count=1)
    with pytest.raises(SiteFileError, match="a board speaks one way"):
        parse_site(mixed, form="json")


def test_check_says_what_can_be_guaranteed_and_what_cannot():
    said = explain(plain_site(echo=False, will_proven=False).model_copy())
    assert "frozen or cut off: within 15 s" in said
    assert "NOBODY can switch that string on" in said
    assert "east/1: pull the controller's plug" in said
    assert "east/1 has no echo: only warmth can prove that it switches" in said
    better = explain(plain_site(cut_off="rests"))
    assert "NOBODY" not in better
    assert "has no echo" not in better
    assert "pull the controller's plug" not in better


def test_a_tree_whose_every_string_hangs_on_such_a_board_is_advised_against():
    text = plain_site().model_dump_json(by_alias=True)
    assert "every string of" not in explain(parse_site(text, form="json"))
    alone = text.replace('"channel":"west/5"', '"channel":"east/6"').replace(
        '"contact":"working"', '"contact":"resting"'
    )
    alone = re.sub(r'"vents?":\[.*?\]', '"vent":[]', alone)
    said = explain(parse_site(alone, form="json"))
    assert "every string of yuzu hangs on this board" in said
