"""`rimeward probe calibrate`: says the line to write, and never writes it."""

from click.testing import CliRunner

from controller.cli import main
from controller.cli.probe import _steady_on_bus
from controller.errors import BrokerError
from controller.site.load import example_site

SITE = str(example_site("curlew-yard"))


def calibrate(*args, site=SITE):
    return CliRunner().invoke(main, ["probe", "calibrate", "--site", site, *args])


def given(*readings_c):
    return [part for temp_c in readings_c for part in ("--reading", str(temp_c))]


def test_readings_taken_by_hand_give_the_line_to_write(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(example_site("curlew-yard").read_text())
    before = site.read_bytes()
    result = calibrate("air-lemon", *given(-0.31, -0.25, -0.31, -0.31, -0.25), site=str(site))
    assert result.exit_code == 0
    assert "offset_k = 0.29" in result.output
    assert "melting ice" in result.output.lower()
    assert "instead of" not in result.output
    assert site.read_bytes() == before, "the site file is the grower's"


def test_a_correction_that_stands_is_replaced_not_added(tmp_path):
    site = tmp_path / "site.toml"
    text = example_site("curlew-yard").read_text()
    site.write_text(text.replace('name = "air-lemon"\n', 'name = "air-lemon"\noffset_k = -0.5\n'))
    result = calibrate("air-lemon", *given(*[0.25] * 5), site=str(site))
    assert "offset_k = -0.25    # instead of -0.5" in result.output


def test_an_unknown_probe_and_a_warm_bath_are_refused():
    result = calibrate("air-lime", *given(*[0.25] * 5))
    assert (result.exit_code, "there is no probe 'air-lime'" in result.stderr) == (1, True)
    result = calibrate("air-lemon", *given(*[2.0] * 5))
    assert (result.exit_code, "expected within 1 K" in result.stderr) == (1, True)


def test_on_the_bus_it_waits_until_the_last_ten_minutes_are_steady():
    cooling = [(60.0 * k, 0.25 + 8.0 * 0.5**k) for k in range(40)]
    said = []
    steady_c = _steady_on_bus(iter(cooling), said.append)
    assert len(steady_c) == 11
    assert max(steady_c) - min(steady_c) < 0.25
    assert 10 < len(said) < 20


def test_what_never_was_steady_is_judged_as_it_is():
    def heard():
        yield 0.0, 5.0
        raise BrokerError("60 min have passed")

    said = []
    assert _steady_on_bus(heard(), said.append) == [5.0]
    assert said[-1] == "60 min have passed"
    assert "at least 5" in calibrate("air-lemon", "--wait", "0").stderr


def test_a_slow_probe_needs_five_readings():
    slow = [(600.0 * k, 0.25) for k in range(9)]
    assert len(_steady_on_bus(iter(slow), [].append)) == 5
