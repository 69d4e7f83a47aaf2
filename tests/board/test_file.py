import re
from pathlib import Path

import pytest

from controller.board.file import example_board, explain, load_board
from controller.errors import BoardError

EAST = example_board("east").read_text()


@pytest.fixture
def loaded(tmp_path):
    def load(text):
        file = tmp_path / "board.toml"
        file.write_text(text)
        return load_board(file)

    return load


def test_the_example_is_the_site_s_board(east, curlew_yard):
    described = next(board for board in curlew_yard.boards if board.name == east.name)
    assert east.site == curlew_yard.name
    assert [(c.id, c.contact) for c in described.channels] == [(c.id, c.contact) for c in east.channels]
    known = {probe.name for probe in curlew_yard.probes}
    assert {probe.name for probe in east.probes} <= known
    heated = {s.channel for tree in curlew_yard.trees for s in tree.strings}
    assert {f"east/{channel}" for channel in east.heaters} <= heated
    assert east.interlocked == east.vents == ("6",)


def test_the_example_sends_every_probe_that_the_broker_lets_it_send(east):
    rules = (Path(__file__).parents[2] / "deploy" / "mosquitto.acl").read_text()
    of_east = rules.partition("user east\n")[2].partition("user ")[0]
    assert set(re.findall(r"/probe/(\S+)", of_east)) == {probe.name for probe in east.probes}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('contact = "resting"', 'contact = "working"', "line 12: channel.1: a heater on a working contact"),
        ("pin = 6", "pin = 5", "channel.2.pin: pin '5' is there twice"),
        ('id = "2"', 'id = "1"', "channel.2.id: channel '1' is there twice"),
        ('probe = "air-satsuma-door"', 'probe = "attic"', "probe 'attic' is not described"),
        ("28-00000a1b2c02", "28-00000a1b2c01", "device '28-00000a1b2c01' is there twice"),
        ("28-00000a1b2c02", "DS18B20", "probe.2.device: another form is meant"),
        (
            "rest_above_c = 4.0",
            "rest_above_c = 1.0",
            "greater than or equal to 2, but 1.0 came (While the con",
        ),
        ('load = "vent"', 'load = "fan"', "input should be 'heater' or 'vent'"),
        ('load = "vent"', 'load = "vent"\nprobe = "outside"', "only a heater rests by a probe"),
        ("schema = 1", "schema = 2", "schema: input should be 1"),
        ("port = 1883", "prot = 1883", "not a known setting"),
    ],
)
def test_a_wrong_file_is_refused_with_what_to_do(loaded, old, new, said):
    with pytest.raises(BoardError) as refused:
        loaded(EAST.replace(old, new, 1))
    assert said in str(refused.value)


def test_a_file_that_is_not_there_or_no_toml(tmp_path, loaded):
    with pytest.raises(BoardError, match="give the path of a board file"):
        load_board(tmp_path / "none.toml")
    with pytest.raises(BoardError, match="not TOML"):
        loaded("a = = 1")


def test_it_is_explained_for_who_wires_it(east):
    said = explain(east)
    assert (
        "4: heater on the resting contact; pin 16 low energises the coil, which switches the heat OFF" in said
    )
    assert "it heats unless air-satsuma-door is above 4 °C" in said
    assert "advice: no hardware watchdog" in said
    assert "advice" not in explain(east.model_copy(update={"watchdog": "/dev/watchdog"}))
