"""The sheet: complete, safe to show, printable, and comparable with last autumn's."""

import json
import re
import sqlite3
import xml.etree.ElementTree as ET
from datetime import datetime, timedelta

import pytest

from controller.errors import WiringError
from controller.site.explain import CAUTIONS
from controller.wiring.by_command import compare_kept, comparison_text, keep_sheet
from controller.wiring.check import Stage
from controller.wiring.compare import changes
from controller.wiring.diagram import ROWS, drawings_of
from controller.wiring.keep import Kept, record_from_plain, record_to_plain
from controller.wiring.print import browser, pdf_of
from controller.wiring.procedure import scope_of
from controller.wiring.sheet import sheet_html, sheet_of
from controller.wiring.words import sheet_text
from simulator.mistakes import mistake
from simulator.wires import as_declared
from tests.wiring.conftest import rehearse


def sheet(rehearsal, **more):
    state = rehearsal.state
    return sheet_of(state.record, scope_of(state), at=rehearsal.world.now_utc, **{"by": "Nora", **more})


@pytest.fixture(scope="module")
def passed(good):
    return sheet(good)


@pytest.fixture(scope="module")
def failed(site):
    wiring, _ = mistake("frost-stat-bridged").plant(site, as_declared(site))
    return sheet(rehearse(site, wiring, Stage.CHANNELS, Stage.GUARDS))


def test_a_sheet_holds_every_check_circuit_and_offset(passed, site):
    assert passed["verdict"] == "good"
    assert len(passed["checks"]) == 27
    (circuit,) = passed["circuits"]
    assert (circuit["declared_w"], circuit["limit_w"]) == (750.0, 1840.0)
    # Ohm: 750 W / 230 V
    assert circuit["declared_a"] == pytest.approx(3.26, abs=0.005)
    assert {row["probe"] for row in passed["offsets"]} == {probe.name for probe in site.probes}
    assert all(row["rise_k"] >= 1.0 and row["minutes"] <= 20.0 for row in passed["measured"])
    assert json.loads(json.dumps(passed)) == passed


def test_the_offsets_found_in_ice_are_those_the_probes_truly_have(passed, good):
    truth = {sim.name: sim.offset_k for sim, _, _ in good.world._senses}
    for row in passed["offsets"]:
        assert row["found_k"] == pytest.approx(-truth[row["probe"]], abs=0.06)  # a sixteenth of a degree


def test_the_page_says_all_of_it_with_cautions_and_lines_to_sign(passed, failed, site):
    page = sheet_html(failed, site)
    assert "Not passed" in page
    for caution in CAUTIONS:
        assert caution in page
    assert "Licensed electrician" in page
    assert page.count("<svg") == len(drawings_of(site))
    for check in failed["checks"]:
        assert check["title"].replace("-", "\u2011") in page.replace("&#39;", "'").replace("-", "\u2011")
    assert "have an electrician fit a working one in series" in page
    assert "Passed" in sheet_html(passed, site)


def test_what_a_person_typed_cannot_break_the_page(good, site):
    page = sheet_html(sheet(good, by="<script>alert(1)</script>"), site)
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_every_printed_page_says_whose_it_is_and_no_title_breaks_out_of_the_style(passed, site):
    page = sheet_html({**passed, "begun": "2026-04-20T01:00:00+12:00"}, site)
    assert 'content: "Tussock\\20 Bay\\3a \\20 wiring\\20 test\\20 of\\20 20\\20 April' in page
    assert "20 April 2026, 01:00" in page
    odd = site.model_copy(update={"title": 'A"; } </style><script>x</script>'})
    assert "<script>" not in sheet_html({**passed, "title": odd.title}, odd)
    assert page.count("</style>") == sheet_html({**passed, "title": odd.title}, odd).count("</style>") == 1


def test_a_sheet_says_when_its_first_step_was_made(passed, good):
    begun = datetime.fromisoformat(passed["begun"])
    assert begun - good.world.start_utc < timedelta(seconds=5)


def test_each_drawing_is_sound_and_shows_every_string_once(two_boards):
    drawings = drawings_of(two_boards, {"lemon-1"})
    texts = [
        t.text for d in drawings for t in ET.fromstring(str(d.svg)).iter("{http://www.w3.org/2000/svg}text")
    ]
    tags = [f"{tree.name}-{n}" for tree in two_boards.trees for n in range(1, len(tree.strings) + 1)]
    assert all(texts.count(tag) == 1 for tag in tags)
    assert sum('class="wrong"' in str(d.svg) for d in drawings) == 1
    assert all(str(d.svg).count("<g ") <= ROWS for d in drawings)


def test_the_terminal_says_the_same(failed):
    text = sheet_text(failed)
    assert "frost-stat-stays-closed: satsuma-1:" in text
    assert text.endswith(failed["sentence"])


def test_a_record_survives_being_kept(good):
    plain = json.loads(json.dumps(record_to_plain(good.state.record)))
    assert record_to_plain(record_from_plain(plain)) == record_to_plain(good.state.record)


def test_a_test_under_way_is_kept_and_dropped_when_it_no_longer_fits(tmp_path, good, site):
    kept, now = Kept(tmp_path, site), good.world.now_utc
    assert kept.under_way(now) is None
    kept.keep(good.state.record, "Nora")
    record, by = kept.under_way(now)
    assert (set(record), by) == (set(good.state.record), "Nora")
    other = site.model_copy(update={"circuits": ()})  # declared anew
    assert Kept(tmp_path, other).under_way(now) is None
    assert (
        Kept(tmp_path, site, "short").under_way(now) is None
    )  # the grower does not go on with the installer's
    assert kept.under_way(now + timedelta(days=13)) is not None
    assert kept.under_way(now + timedelta(days=15)) is None  # nor anybody with last autumn's
    assert kept.under_way(now - timedelta(days=1)) is None
    (tmp_path / "wiring" / "under-way.json").write_text("{")
    assert kept.under_way(now) is None


@pytest.mark.parametrize(("outcome", "goes_on"), [("good", False), ("bad", False), ("not done", True)])
@pytest.mark.usefixtures("without_browser")
def test_only_a_test_with_something_left_to_make_goes_on(tmp_path, good, passed, site, outcome, goes_on):
    kept = Kept(tmp_path, site)
    kept.keep(good.state.record, "Nora")
    sheet = json.loads(json.dumps(passed))
    sheet["checks"][4]["outcome"] = outcome
    keep_sheet(kept, sheet, site, lambda _text: None)
    assert (kept.under_way(good.world.now_utc) is not None) is goes_on


def test_nothing_changed_between_a_sheet_and_itself(passed):
    assert changes(passed, passed) == []


def test_what_changed_since_last_autumn_is_said(passed):
    after = json.loads(json.dumps(passed))
    after["verdict"] = "faulty"
    after["checks"][3]["outcome"] = "bad"
    after["checks"].pop()
    after["circuits"][0]["declared_w"] = 900.0
    after["offsets"][0]["found_k"] -= 0.4
    after["measured"][0]["minutes"] *= 3
    lines = changes(passed, after)
    assert len(lines) == 6
    assert lines[0] == "The verdict was good and is faulty."
    assert any("No longer there: Every frost-stat is back at its mark" in line for line in lines)
    assert any(re.search(r"Circuit heat: 750 W were declared, now 900 W", line) for line in lines)


@pytest.fixture
def without_browser(monkeypatch):
    monkeypatch.setattr("controller.wiring.by_command.pdf_of", lambda _page: None)


@pytest.mark.usefixtures("without_browser")
def test_sheets_are_kept_in_the_journal_and_compared(tmp_path, passed, site):
    with pytest.raises(WiringError, match="two sheets are needed to compare, and none is kept"):
        compare_kept(tmp_path, site)
    for year, declared_w in ((2026, 750.0), (2027, 900.0)):
        each = json.loads(json.dumps({**passed, "at": passed["at"].replace("2026", str(year))}))
        each["circuits"][0]["declared_w"] = declared_w
        paths = keep_sheet(Kept(tmp_path, site), each, site, lambda _text: None)
        assert {path.suffix for path in paths} == {".json", ".html"}
    rows = sqlite3.connect(tmp_path / "journal.db").execute(
        "SELECT kind, verdict, made_by, json_extract(body, '$.circuits[0].declared_w') FROM wiring_sheet"
    )
    assert rows.fetchall() == [("full", "good", "Nora", 750.0), ("full", "good", "Nora", 900.0)]
    for path in (tmp_path / "wiring").glob("*.json"):  # what is compared is the journal's
        path.unlink()
    compared = compare_kept(tmp_path, site)
    assert compared["changes"] == ["Circuit heat: 750 W were declared, now 900 W."]
    assert compared["before"]["by"] == "Nora"
    text = comparison_text(compared, site)
    assert re.search(r"\d+ April 2027 \(wiring test, by Nora\) compared with \d+ April 2026", text)
    assert "  - Circuit heat: 750 W were declared, now 900 W." in text
    assert Kept(tmp_path, site).sheets()[1]["changed_since"].endswith("April 2026")


@pytest.mark.usefixtures("without_browser")
def test_a_journal_that_cannot_be_used_costs_no_sheet(tmp_path, passed, site):
    (tmp_path / "journal.db").mkdir()  # no file can be opened there
    said = []
    for year in (2026, 2027):
        sheet = json.loads(json.dumps({**passed, "at": passed["at"].replace("2026", str(year))}))
        keep_sheet(Kept(tmp_path, site), sheet, site, said.append)
    assert any("kept as files all the same" in text for text in said)
    assert compare_kept(tmp_path, site)["changes"] == []


@pytest.mark.usefixtures("without_browser")
def test_a_rehearsal_s_sheet_is_compared_with_nothing_and_not_entered(tmp_path, passed, site):
    keep_sheet(Kept(tmp_path, site), {**passed}, site, lambda _text: None, name="rehearsal")
    assert not (tmp_path / "journal.db").exists()
    assert Kept(tmp_path, site).sheets() == []


@pytest.mark.skipif(browser() is None, reason="no Chromium here")
def test_chromium_prints_it(passed, site):
    printed = pdf_of(sheet_html(passed, site))
    assert printed.startswith(b"%PDF-")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 6
