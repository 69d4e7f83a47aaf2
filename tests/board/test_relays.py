import sys

import pytest

from controller.board.relays import Relays, pin_factory
from controller.errors import BoardError


def levels(east, factory):
    return {channel.id: bool(factory.pin(channel.pin).state) for channel in east.channels}


def test_every_coil_is_dead_from_the_first_moment(east, factory, relays):
    assert set(levels(east, factory).values()) == {True}  # low energises, so high is dead
    assert relays.on() == east.heaters


def test_a_heater_is_energised_to_rest_and_a_vent_to_move(east, factory, relays):
    relays.show(("1", "2", "3", "4", "6"))
    assert levels(east, factory) == {**dict.fromkeys("1234", True), "5": False, "6": False}
    assert relays.on() == ("1", "2", "3", "4", "6")


def test_boards_whose_coil_takes_high(east, factory):
    high = east.model_copy(
        update={"channels": tuple(c.model_copy(update={"energised_by": "high"}) for c in east.channels)}
    )
    relays = Relays(high, factory)
    assert set(levels(high, factory).values()) == {False}
    relays.show(())
    assert levels(high, factory) == {**dict.fromkeys("12345", True), "6": False}
    relays.close()


def test_the_coils_go_dead_when_it_ends(east, factory):
    relays = Relays(east, factory)
    relays.show(("6",))
    energised = [factory.pin(channel.pin) for channel in east.channels]
    relays.close()
    for pin in energised:
        assert pin.states[-1].state is True  # dead by its own output
        assert pin.function == "input"  # then given back


def test_a_pin_that_another_program_holds_is_named(east, factory, relays):
    with pytest.raises(BoardError, match="the pin of channel '1' cannot be used"):
        Relays(east, factory)


def test_without_the_extra_it_says_how_to_install_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "gpiozero.pins.mock", None)
    with pytest.raises(BoardError, match=r"rimeward\[board\]"):
        pin_factory(mock=True)


def test_a_computer_without_pins_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    with pytest.raises(BoardError, match=r"extra|cannot be opened"):
        pin_factory(mock=False)
