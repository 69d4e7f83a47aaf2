"""A board that knows only texts: what it does, and a whole night with it."""

import pytest

from controller.bus.transport import Message
from simulator.night import load_night
from simulator.rehearsal import play
from tests.bus.test_plain import ALL, Bench, plain_site

pytestmark = pytest.mark.untraced


def test_a_night_with_a_board_of_plain_texts_is_as_safe_as_one_without():
    result = play("clear-calm", load_night("clear-calm"), 1, site=plain_site())
    contract = play("clear-calm", load_night("clear-calm"), 1)
    assert result.unjustified_off == 0
    assert not any(tree.damaged for tree in result.trees.values())
    assert result.reasons.get("board-silent", 0) <= 5  # once a tree, before the first echo
    assert abs(result.kwh - contract.kwh) < 0.1 * contract.kwh


def test_it_believes_what_is_retained_and_keeps_the_last_text_for_ever():
    bench = Bench(plain_site())
    bench.real._hear(Message("shed/do/1", b"on", retained=True))
    bench.go(86400.0, side=False, dt_s=3600.0)
    assert bench.real.on == ALL[1:]
    bench.real._hear(Message("shed/do/1", b"perhaps"))
    bench.real._hear(Message("shed/other", b"off"))
    assert bench.real.on == ALL[1:]
    bench.real.reboot()
    assert bench.real.on == ALL
