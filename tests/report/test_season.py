"""What a season came to: numbers worked out by hand from a journal written by hand."""

import json
from contextlib import closing
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.journal.spans import by_night, season_begin
from controller.journal.store import open_for_reading, open_for_writing
from controller.report.season import changes, season_of
from controller.report.season_page import page_of
from controller.report.season_text import as_text, parts_of
from controller.site.load import example_site

DUSK = datetime(2027, 1, 14, 17, 0, tzinfo=UTC)
BEGIN, END = datetime(2026, 7, 1, tzinfo=UTC), datetime(2027, 7, 1, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Dublin")


def at_s(hours):
    return (DUSK + timedelta(hours=hours)).timestamp()


@pytest.fixture
def journal(tmp_path):
    """Two nights: the lemon heated for 3 h and 2 h, an alarm each that nobody, or somebody, has."""
    path = tmp_path / "journal.db"
    connection, _ = open_for_writing(path)
    with closing(connection):
        decided = [("lemon", 1, 1), ("lemon", 4, 0), ("yuzu", 1, 0), ("lemon", 25, 1), ("lemon", 27, 0)]
        for name, hours, active in decided:
            connection.execute(
                "INSERT INTO decision (at_s, kind, name, active, reason, because) "
                "VALUES (?, 'tree', ?, ?, '', '')",
                (at_s(hours), name, active),
            )
        # a quarter of an hour between readings: the lemon 2 K too cold for two hours
        for n in range(33):
            cold = 8 <= n < 16
            read = {"air-lemon": -1.8 if cold else 2.0, "outside": -6.0 if cold else 1.0}
            for probe, temp_c in read.items():
                connection.execute("INSERT INTO reading VALUES (?, ?, ?)", (probe, at_s(n / 4), temp_c))
        events = [
            (2.0, "fruit-in-danger.lemon", "raised", 4, ""),
            (2.25, "fruit-in-danger.lemon", "acknowledged", 4, "Nora"),
            (3.0, "fruit-in-danger.lemon", "over", 4, ""),
            *((hours, "board-silent.east", "raised", 3, "") for hours in (5.0, 6.0, 7.0)),
        ]
        for hours, key, event, severity, who in events:
            connection.execute(
                "INSERT INTO alarm_event (at_s, key, event, severity, who, because) "
                "VALUES (?, ?, ?, ?, ?, '')",
                (at_s(hours), key, event, severity, who),
            )
    return path


@pytest.fixture
def season(journal, curlew_yard):
    with closing(open_for_reading(journal)) as connection:
        return season_of(connection, curlew_yard, BEGIN, END)


def test_heat_and_money_are_those_of_the_declared_watts(season, curlew_yard):
    lemon = next(tree for tree in season.trees if tree.name == "lemon")
    declared = next(tree for tree in curlew_yard.trees if tree.name == "lemon")
    energy_kwh = declared.power_w * 5.0 / 1000.0
    assert lemon.heated_h == pytest.approx(5.0)
    assert season.energy_kwh == lemon.energy_kwh == pytest.approx(energy_kwh)
    assert season.cost == pytest.approx(energy_kwh * curlew_yard.tariff.price_per_kwh)
    assert lemon.cost_per_fruit == pytest.approx(season.cost / declared.fruit_count)
    assert [round(night.energy_kwh / energy_kwh, 3) for night in season.heated] == [0.6, 0.4]
    assert [night.outside_min_c for night in season.nights] == [-6.0, None]


def test_how_cold_a_tree_became_and_for_how_long(season):
    lemon = next(tree for tree in season.trees if tree.name == "lemon")
    assert (lemon.lowest_c, lemon.lowest_at) == (-1.8, DUSK + timedelta(hours=2))
    assert (lemon.hold_c, lemon.damage_c) == (1.0, -0.8)  # the example's lemon
    assert lemon.short_h == pytest.approx(2.0)
    assert lemon.below_kh == pytest.approx(2.0 * 1.0)
    yuzu = next(tree for tree in season.trees if tree.name == "yuzu")
    assert (yuzu.lowest_c, yuzu.short_h) == (None, 0.0), "what was not read is not known"


def test_alarms_and_how_soon_somebody_had_them(season):
    worst, often = season.alarms
    assert (worst.key, worst.raised, worst.had_after_min) == ("fruit-in-danger.lemon", 1, 15.0)
    assert (often.key, often.raised, often.had_after_min) == ("board-silent.east", 3, None)


def test_what_to_change_names_each_with_its_reason(season):
    short, damage, often, unheard = changes(season)
    assert short.startswith("lemon: its air was more than 1 K below 1 °C for 2.0 h.")
    assert damage.startswith("lemon: 2.0 kelvin-hours of air below -0.8 °C")
    assert often == "board-silent.east was raised 3 times: mend it for good."
    assert unheard.startswith("Nobody ever said to have board-silent.east:")


def test_an_even_season_needs_no_change(tmp_path, curlew_yard):
    connection, _ = open_for_writing(tmp_path / "journal.db")
    with closing(connection):
        assert season_of(connection, curlew_yard, BEGIN, END) is None
        connection.execute(
            "INSERT INTO decision (at_s, kind, name, active, reason, because) "
            "VALUES (?, 'tree', 'yuzu', 1, '', '')",
            (at_s(0),),
        )
        season = season_of(connection, curlew_yard, BEGIN, END)
    assert season.energy_kwh == 0.0, "heat is counted no further than the journal goes"
    text = as_text("Curlew Yard", parts_of(season, ZONE, "None yet."))
    assert "Nothing stands out." in text
    assert "There were none." in text


@pytest.mark.parametrize("hours", [1.0, 30.0])
def test_the_nights_of_a_span_share_its_length(curlew_yard, hours):
    span = (at_s(0), at_s(hours))
    shares = list(by_night(span, curlew_yard.place))
    assert sum(lasts_s for _, lasts_s in shares) == pytest.approx(hours * 3600.0)
    assert len(shares) == (1 if hours < 19 else 2), "noon is 19 h after five in the evening"


def test_a_southern_season_begins_in_january(curlew_yard):
    south = curlew_yard.place.model_copy(update={"latitude_deg": -46.0})
    assert season_begin(south, END) == datetime(2027, 1, 1, tzinfo=UTC)


class Read(HTMLParser):
    def __init__(self, page):
        super().__init__()
        self.tags, self.text = [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_holds_the_same_and_loads_nothing(season):
    parts = parts_of(season, ZONE, "a   table\nof <scores>")
    read = Read(page_of("Curlew Yard: the season", season, parts, ZONE))
    text = "".join(read.text)
    for part in parts:
        assert part.title in text
        assert all(sentence in text for sentence in part.sentences)
        assert all(cell in text for row in part.rows for cell in row)
    assert not {"script", "img", "link", "scores"} & {tag for tag, _ in read.tags}
    assert not any(value.startswith("http") for _, attrs in read.tags for value in attrs.values() if value)
    bars = [attrs for tag, attrs in read.tags if tag == "rect"]
    first, second = (float(bar["height"]) for bar in bars)
    assert first / second == pytest.approx(3.0 / 2.0, rel=0.01), "bars are as high as the nights' heat"
    (picture,) = [attrs for tag, attrs in read.tags if tag == "svg"]
    assert "down to -6.0 °C" in picture["aria-label"]


def run(journal, *words):
    site = ("--site", str(example_site("curlew-yard")), "--state", str(journal.parent))
    return CliRunner().invoke(main, ["report", *site, *words])


def test_by_command(journal, tmp_path):
    page = tmp_path / "season.html"
    done = run(journal, "--until", "2027-05-01", "--page", str(page))
    assert done.exit_code == 0, done.output
    assert "heat in 2 nights" in done.output
    assert "no forecast has been kept in it yet" in done.output
    assert "<h1>Curlew Yard: the season</h1>" in page.read_text()
    told = json.loads(run(journal, "--until", "2027-05-01", "--json").output)
    assert [tree["heated_h"] for tree in told["trees"] if tree["name"] == "lemon"] == [pytest.approx(5.0)]


def test_what_cannot_be_told_is_said_plainly(journal, tmp_path):
    early = run(journal, "--until", "2026-08-01")
    assert early.exit_code != 0
    assert "nothing was decided from 2026-07-01 to 2026-08-01" in early.output
    lost = run(journal, "--until", "2027-05-01", "--page", str(tmp_path / "no" / "season.html"))
    assert lost.exit_code != 0
    assert "cannot be written" in lost.output
