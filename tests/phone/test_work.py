"""What people may say was done."""

import pytest

from controller.phone.orders import OrderError
from controller.phone.work import word_from


@pytest.mark.parametrize(
    ("what", "target", "words"),
    [
        ("covered", "all", "fleece is on: every tree"),
        ("uncovered", "tree:lemon", "fleece is off: lemon"),
        ("harvested", "tree:yuzu", "ripe fruit harvested: yuzu"),
        ("vents-shut", "all", "doors and vents are shut"),
        ("vents-shut", "vent:gable-fan", "shut: gable-fan"),
    ],
)
def test_what_can_be_said(curlew_yard, what, target, words):
    assert str(word_from({"what": what, "target": target}, curlew_yard)) == words


@pytest.mark.parametrize(
    ("what", "target"),
    [
        ("covered", "tree:palm"),
        ("covered", "vent:gable-fan"),
        ("vents-shut", "tree:lemon"),
        ("vents-shut", "vent:palm"),
        ("covered", "all:lemon"),
        ("pruned", "all"),
        ("taken-back", "all"),
        ("", ""),
    ],
)
def test_what_cannot(curlew_yard, what, target):
    with pytest.raises(OrderError, match="Go back"):
        word_from({"what": what, "target": target}, curlew_yard)
