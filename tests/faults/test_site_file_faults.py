"""What can be wrong with a site file: it is refused by name, and the last sound one goes on guarding."""

import time

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.errors import SiteFileError
from controller.guard.decision import Reason
from controller.site.last_good import load_or_last_good
from controller.site.load import example_site, load_site
from tests.conftest import Drive

GOOD = example_site("curlew-yard").read_text()


def case(fault, old, new, words):
    return pytest.param(old, new, words, id=fault, marks=pytest.mark.fault(fault))


CASES = [
    case("K01", "[place]", "[place", "not TOML"),
    case("K02", "elevation_m = ", "elevation_m = 1", "elevation_m"),
    case("K03", "latitude_deg = ", "latitude_dg = ", "not a known setting"),
    case("K04", "power_w = 175.0", "power_w = nan", "finite number"),
    case("K06", 'name = "yuzu"', 'name = "yuzu"\nhold_c = -20.0', "greater than or equal to -1"),
    case("K07", 'channel = "west/5"', 'channel = "west/4"', "serves tree 'lemon' and tree 'yuzu'"),
    case("K08", 'channel = "west/5"', 'channel = "north/1"', "no board has channel 'north/1'"),
    case("K13", "schema = 1", "schema = 2", "should be 1, but 2 came"),
]  # fmt: skip


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(GOOD)
    return path


def heated_s(site):
    """Return how long after a frost is heard every tree of a site is heated [s]."""
    drive = Drive(site)
    drive.temps_c |= {probe: -1.0 for tree in site.trees for probe in tree.probes}
    drive.step()
    assert all(drive.tree(tree.name).reason is Reason.COLD for tree in site.trees)
    return drive.mono_s


@pytest.mark.parametrize(("old", "new", "words"), CASES)
def test_a_wrong_file_is_refused_by_name_and_the_last_sound_one_goes_on(file, tmp_path, old, new, words, met):
    assert old in GOOD
    load_or_last_good(file, tmp_path)
    file.write_text(GOOD.replace(old, new + ("9" * 9 if words == "elevation_m" else ""), 1))
    with pytest.raises(SiteFileError, match=words):
        load_site(file)
    read_s = time.monotonic()
    site, trouble = load_or_last_good(file, tmp_path)
    told_s = time.monotonic() - read_s
    assert words.replace("\\", "") in trouble
    met(reaction=heated_s(site), alarm=told_s)


@pytest.mark.parametrize("old", [old for old, *_ in [c.values for c in CASES]])
@pytest.mark.fault("K01", "K02", "K03", "K04", "K06", "K07", "K08", "K13")
def test_without_a_sound_one_the_daemon_ends_with_words_so_that_boards_only_heat(file, tmp_path, old):
    new = next(c.values[1] for c in CASES if c.values[0] == old)
    file.write_text(GOOD.replace(old, new + ("9" * 9 if old.startswith("elevation") else ""), 1))
    result = CliRunner().invoke(main, ["run", "--site", str(file), "--state", str(tmp_path / "state")])
    assert result.exit_code == 1
    assert str(file) in result.output
    assert "Traceback" not in result.output


@pytest.mark.fault("K05")
def test_a_file_saved_half_is_never_taken_for_a_whole_one(file, tmp_path, met):
    whole = load_or_last_good(file, tmp_path)[0]
    for share in (0.2, 0.4, 0.6, 0.8, 0.97):
        file.write_text(GOOD[: int(len(GOOD) * share)])
        read_s = time.monotonic()
        site, trouble = load_or_last_good(file, tmp_path)
        told_s = time.monotonic() - read_s
        assert site == whole
        assert trouble
    met(reaction=heated_s(site), alarm=told_s)


@pytest.mark.fault("K09")
@pytest.mark.parametrize(
    ("latitude", "longitude"), [("-6.4", "52.2"), ("-52.2", "-6.4"), ("52.2", "173.6")], ids=str
)
def test_a_place_that_is_nowhere_near_its_time_zone_is_refused(file, latitude, longitude, met):
    file.write_text(
        GOOD.replace("latitude_deg = 52.2", f"latitude_deg = {latitude}").replace(
            "longitude_deg = -6.4", f"longitude_deg = {longitude}"
        )
    )
    with pytest.raises(SiteFileError, match="swapped or lack a minus sign"):
        load_site(file)
    met(reaction="none: refused at start, in words", alarm="none: refused at start, in words")


@pytest.mark.fault("K10")
def test_a_file_that_may_not_be_read_leaves_the_last_sound_one(file, tmp_path, monkeypatch, met):
    load_or_last_good(file, tmp_path)
    real = type(file).read_bytes

    def refused(path):
        if path == file:  # as root no mode keeps a test from reading
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(type(file), "read_bytes", refused)
    read_s = time.monotonic()
    site, trouble = load_or_last_good(file, tmp_path)
    told_s = time.monotonic() - read_s
    assert "Permission denied" in trouble
    met(reaction=heated_s(site), alarm=told_s)


@pytest.mark.fault("K11")
def test_a_file_that_is_gone_leaves_the_last_sound_one(file, tmp_path, met):
    load_or_last_good(file, tmp_path)
    file.unlink()
    read_s = time.monotonic()
    site, trouble = load_or_last_good(file, tmp_path)
    told_s = time.monotonic() - read_s
    assert "No such file" in trouble
    met(reaction=heated_s(site), alarm=told_s)


@pytest.mark.fault("K12")
def test_a_wrong_time_zone_changes_what_people_read_and_no_decision(file, met):
    decided = []
    for zone in ("Europe/Dublin", "Europe/Kyiv"):
        file.write_text(GOOD.replace("Europe/Dublin", zone))
        drive = Drive(load_site(file))
        for temp_c in (8.0, 0.9, -1.0, 0.2, 2.0):
            drive.temps_c |= {probe: temp_c for tree in drive.site.trees for probe in tree.probes}
            drive.step(400.0)
        decided.append([(d.name, d.active, d.because) for d in drive.decided()])
    assert decided[0] == decided[1]
    assert {active for _, active, _ in decided[0]} == {True, False}
    met(
        reaction="none: every decision is as with the right one",
        alarm="none: every decision is as with the right one",
    )
