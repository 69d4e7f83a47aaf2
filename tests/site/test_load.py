"""A site file is read whole, or refused with every fault, its line and what to do."""

import re

import pytest

from controller.errors import SiteFileError
from controller.site.load import example_site, load_site, parse_site

GOOD = example_site("curlew-yard").read_text()


def refusal(text: str) -> str:
    with pytest.raises(SiteFileError) as caught:
        parse_site(text)
    return str(caught.value)


def line_of(text: str, piece: str) -> int:
    return text[: text.index(piece)].count("\n") + 1


@pytest.mark.parametrize("name", ["curlew-yard", "tussock-bay"])
def test_the_example_sites_are_sound(name):
    site = load_site(example_site(name))
    assert site.name == name
    assert all(site.circuit_load_w(c.name) <= c.continuous_limit_w for c in site.circuits)


def test_an_unknown_example_is_named_with_those_there_are():
    with pytest.raises(SiteFileError, match=r"no example site .atlantis.; there are: curlew-yard"):
        example_site("atlantis")


def test_every_fault_comes_at_once_with_its_line():
    text = (
        GOOD.replace('fleece = "30g"', 'fleece = "31g"', 1)
        .replace("power_w = 175.0", "power_w = nan", 1)
        .replace("latitude_deg = 52.2", "latitude_dg = 52.2")
        .replace("frost_stat = true", "frost_stat = false", 1)
    )
    said = refusal(text)
    assert "5 faults" in said
    for piece, expected in (
        ('fleece = "31g"', "tree.1.fleece: input should be 'none', '17g', '30g' or '60g', but '31g' came"),
        ("power_w = nan", "tree.1.string.1.power_w: input should be a finite number, but nan came"),
        ("latitude_dg", "place.latitude_dg: not a known setting; remove it or correct its spelling"),
        ("frost_stat = false", "tree.1.string.1.frost_stat: this string lacks a series frost-stat"),
    ):
        assert f"line {line_of(text, piece)}: {expected}" in said
    assert "place.latitude_deg: missing; add it (Latitude [°], north positive)" in said


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('channel = "west/5"', 'channel = "west/9"', "no board has channel 'west/9'; known are: 'east/1'"),
        ('channel = "west/5"', 'channel = "west/4"', "channel 'west/4' serves tree 'lemon' and tree 'yuzu'"),
        ('channel = "west/5"', 'channel = "west"', "name a channel as 'board/channel'"),
        ('circuit = "b"', 'circuit = "c"', "circuit 'c' is not described; known are: 'a', 'b'"),
        ("breaker_a = 10.0", "breaker_a = 3.0", "allows 552 W for hours"),
        ("contact_a = 10.0", "contact_a = 5.0", "must carry 7.6 A; it is rated 5 A"),
        ('contact = "resting"', 'contact = "working"', "with the board dead this string would stay cold"),
        ('probes = ["air-lemon"]', 'probes = ["air-lime"]', "probe 'air-lime' is not described"),
        ('probes = ["air-lemon"]', 'probes = ["house"]', "probe 'house' measures house air, not a tree's"),
        (
            'probes = ["air-lemon"]',
            'probes = ["air-yuzu"]',
            "already given to tree 'lemon'",
        ),
        ('name = "yuzu"', 'name = "lemon"', "tree 'lemon' is there twice"),
        ('{ id = "2", contact', '{ id = "1", contact', "channel of board 'east' '1' is there twice"),
        ('kind = "lamps"', 'kind = "decorative-lamps"\n  use = "all-year"', "listed for seasonal use"),
        ("breaker_a = 10.0", "breaker_a = 10.0\ncontinuous_fraction = 0.9", "name the local rule"),
        ("ridge_height_m = 3.2", "ridge_height_m = 1.2", "must not be below eaves_height_m (2 m)"),
        ('time_zone = "Europe/Dublin"', 'time_zone = "Mars/Base"', "'Europe/Dublin'"),
        pytest.param(
            'host = "127.0.0.1"',
            'host = "a..b"',
            "use a host name or address",
            marks=pytest.mark.fault("M29"),
        ),
        ('name = "yuzu"', 'name = "Yuzu Tree"', "use small letters, digits and single hyphens"),
        ('name = "yuzu"', 'name = "yuzu"\nhold_c = -20.0', "greater than or equal to -1"),
        ("latitude_deg = 52.2", 'latitude_deg = "52.2"', "valid number, but '52.2' came"),
        ("latitude_deg = 52.2", "latitude_deg = 95.0", "less than or equal to 90, but 95.0 came"),
        ("schema = 1", "schema = 2", "input should be 1, but 2 came"),
        (
            'probes = ["air-yuzu"]',
            'probes = "air-yuzu"',
            "probes: a list is meant, such as [\"air-yuzu\"], but 'air-yuzu' came",
        ),
        ('probes = ["air-yuzu"]', "probes = 3", "a list is meant, in square brackets, but 3 came"),
        (
            'currency = "EUR"',
            'currency = "€"',
            "another form is meant, but '€' came (Currency code, ISO 4217: three",
        ),
    ],
)
def test_a_wrong_file_is_refused_with_what_to_do(old, new, expected, met):
    assert old in GOOD
    said = refusal(GOOD.replace(old, new, 1))
    assert expected in said
    assert re.search(r"line \d+: ", said)
    met(
        reaction="none: refused at start, with the line and what to do",
        alarm="none: refused at start, with the line and what to do",
    )


def test_a_table_where_several_are_meant_is_told_with_its_brackets():
    single = GOOD.replace("[[circuit]]", "[circuit]", 1).replace("[[circuit]]", "[circuit.second]", 1)
    said = refusal(single)
    assert "circuit: a list of tables is meant, each under [[circuit]]" in said


def test_a_local_rule_may_replace_eighty_per_cent():
    text = GOOD.replace(
        "breaker_a = 10.0",
        'breaker_a = 4.0\ncontinuous_fraction = 1.0\nlocal_rule = "full rating: electrician\'s letter, 2026"',
    )
    site = parse_site(text)
    assert site.circuits[0].continuous_limit_w == 920.0


def test_a_probe_nobody_uses_is_named():
    text = GOOD + '\n[[probe]]\nname = "spare"\nmeasures = "tree"\n'
    assert "probe 'spare' measures a tree, but no tree names it" in refusal(text)


def test_no_toml_is_said_with_its_line():
    assert "not TOML" in refusal(GOOD + "\n[[tree\n")


@pytest.mark.parametrize("tail", [b"\xff\xfe", b"#" * 1_000_001])
def test_a_file_that_is_no_sensible_text_is_refused(tmp_path, tail):
    file = tmp_path / "site.toml"
    file.write_bytes(GOOD.encode() + tail)
    with pytest.raises(SiteFileError, match=r"UTF-8|at most 1000000"):
        load_site(file)


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(SiteFileError, match="cannot be read"):
        load_site(tmp_path / "none.toml")


def test_a_site_written_as_json_is_read_back_the_same(tmp_path):
    site = load_site(example_site("curlew-yard"))
    file = tmp_path / "site.json"
    file.write_text(site.model_dump_json(by_alias=True))
    assert load_site(file) == site
    file.write_text("{")
    with pytest.raises(SiteFileError, match="not JSON"):
        load_site(file)
