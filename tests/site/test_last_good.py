"""The copy of the last sound site file, and a place that fits its time zone."""

import os

import pytest

from controller.errors import SiteFileError
from controller.site.earth import _places, place_of
from controller.site.last_good import load_or_last_good
from controller.site.load import example_site, load_site

GOOD = example_site("curlew-yard").read_text()


def test_a_sound_file_is_read_and_kept(tmp_path):
    file = tmp_path / "site.toml"
    file.write_text(GOOD)
    assert load_or_last_good(file, tmp_path / "state") == (load_site(file), "")
    file.write_text(GOOD.replace("Curlew Yard", "Curlew Yard North"))
    site, trouble = load_or_last_good(file, tmp_path / "state")
    assert (site.title, trouble) == ("Curlew Yard North", "")
    file.write_text("[[tree\n")
    site, trouble = load_or_last_good(file, tmp_path / "state")
    assert site.title == "Curlew Yard North"
    assert "the last sound one, of 20" in trouble
    assert "not TOML" in trouble
    assert "\n" not in trouble


def test_each_site_file_has_its_own_copy(tmp_path):
    for name in ("curlew-yard", "tussock-bay"):
        (tmp_path / name).write_text(example_site(name).read_text())
        load_or_last_good(tmp_path / name, tmp_path)
    (tmp_path / "tussock-bay").write_text("")
    assert load_or_last_good(tmp_path / "tussock-bay", tmp_path)[0].name == "tussock-bay"


def test_without_a_sound_copy_the_fault_is_said(tmp_path):
    with pytest.raises(SiteFileError, match="cannot be read"):
        load_or_last_good(tmp_path / "none.toml", tmp_path)
    file = tmp_path / "site.toml"
    file.write_text(GOOD)
    load_or_last_good(file, tmp_path)
    (copy,) = tmp_path.glob("site-file-*.json")
    copy.write_text("{")
    file.write_text("")
    with pytest.raises(SiteFileError, match="schema: missing"):
        load_or_last_good(file, tmp_path)


def test_a_disk_that_refuses_the_copy_costs_only_the_copy(tmp_path, monkeypatch):
    file = tmp_path / "site.toml"
    file.write_text(GOOD)
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left")))
    site, trouble = load_or_last_good(file, tmp_path)
    assert (site.name, trouble) == ("curlew-yard", "")
    assert not list(tmp_path.glob("site-file-*.json"))


@pytest.mark.parametrize(
    ("zone", "expected_deg"),
    [
        # zone.tab of the IANA time-zone database: IE +5320-00615, NZ -3652+17446, AQ -720041+0023206
        ("Europe/Dublin", (53 + 20 / 60, -(6 + 15 / 60))),
        ("Pacific/Auckland", (-(36 + 52 / 60), 174 + 46 / 60)),
        ("Antarctica/Troll", (-(72 + 41 / 3600), 2 + 32 / 60 + 6 / 3600)),
    ],
)
def test_where_zones_are(zone, expected_deg):
    assert place_of(zone) == pytest.approx(expected_deg)


def test_every_zone_s_place_is_read():
    assert len(_places()) > 400


def test_a_zone_without_a_place_tells_nothing(tmp_path):
    assert place_of("Etc/UTC") is None
    file = tmp_path / "site.toml"
    file.write_text(GOOD.replace("Europe/Dublin", "Etc/UTC"))
    assert load_site(file).place.time_zone == "Etc/UTC"
