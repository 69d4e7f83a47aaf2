"""One-tap links: signed, short-lived, once, and only ever for more heat."""

import re

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.links import KEY_FILE, _signature, key_in, link_for, read_link
from controller.site.load import example_site
from tests.phone.conftest import ACCEPTED, request, status_for

FORM = {"Content-Type": "application/x-www-form-urlencoded", "Origin": "http://localhost"}


def link(page, now_s=1000.0, **more):
    wish = {"target": "all", "heat_s": 3600.0, "who": "Finn", "valid_s": 600.0} | more
    return link_for(page.store.link_key, now_s=now_s, **wish)


def tap(page, text, headers=()):
    return request(page.app, "POST", "/tap", headers=FORM | dict(headers), body=f"link={text}".encode())


@pytest.fixture
def at(monkeypatch, page, drive):
    """Set the wall clock that links are judged by."""
    page.hear(status_for(drive))
    page.guard_says = ACCEPTED

    def set_to(now_s):
        monkeypatch.setattr("controller.phone.hand.time.time", lambda: now_s)

    set_to(1000.0)
    return set_to


def test_one_tap_heats_and_shows_the_guards_answer(page, at):
    text = link(page)
    shown = request(page.app, path=f"/tap/{text}")
    assert "Heat everything for 1 h from now, as Finn?" in shown.text
    assert page.published == [], "messengers open links to preview them"
    answer = tap(page, text)
    assert answer.status == 200
    assert "Done: Heat everything." in answer.text
    ((_, order),) = page.published
    assert (order["all"], order["order"], order["who"]) == (True, "hand-on", "Finn")


def test_it_needs_no_password_and_gives_no_session(page, at):
    page.store.set_password("satsumas in snow")
    text = link(page)
    answer = tap(page, text)
    assert answer.status == 200
    assert "set-cookie" not in answer.headers
    assert "satsuma" not in request(page.app, path=f"/tap/{link(page)}").text


def test_a_second_tap_does_nothing(page, at):
    text = link(page)
    tap(page, text)
    assert tap(page, text).status == 410
    assert request(page.app, path=f"/tap/{text}").status == 410
    assert len(page.published) == 1


def test_an_old_link_does_nothing(page, at):
    text = link(page)
    at(1600.0)
    answer = tap(page, text)
    assert answer.status == 410
    assert "too old" in answer.text
    assert page.published == []


def test_a_forged_link_does_nothing(page, at):
    inside, _, signature = link(page).partition(".")
    other, _, _ = link(page, target="tree:lemon").partition(".")
    token = page.store.form_token(inside)
    for text in (
        "",
        "x",
        f"{inside}.",
        f"{other}.{signature}",
        f"{inside}.{signature[:-2]}",
        f"{inside}.{token}",
    ):
        assert tap(page, text).status == 410
    unreadable = "!!"
    assert tap(page, f"{unreadable}.{_signature(page.store.link_key, unreadable)}").status == 410
    assert page.published == []


@pytest.mark.parametrize("origin", ["http://evil.example", "null", ""])
def test_another_page_cannot_tap(page, at, origin):
    assert tap(page, link(page), {"Origin": origin}).status == 403
    assert page.published == []


def test_a_link_never_takes_heat_away(page):
    read = read_link(page.store.link_key, link(page), 1000.0)
    assert not hasattr(read, "order"), "it holds no order: what it stands for is heat"


@pytest.mark.parametrize("wish", [{"valid_s": 13 * 3600.0}, {"heat_s": 13 * 3600.0}, {"valid_s": 0.0}])
def test_no_link_is_good_for_long(page, wish):
    with pytest.raises(ValueError, match="12 h at most"):
        link(page, **wish)


def test_a_link_says_that_somebody_has_the_alarms(page, at, drive):
    text = link(page, target="alarm:all")
    shown = request(page.app, path=f"/tap/{text}").text
    assert "Finn has the alarm and goes to look?" in shown
    assert "HEAT" not in shown
    answer = tap(page, text)
    assert "You have it: all alarms." in answer.text
    assert page.published == [("rimeward/1/curlew-yard/acknowledge/all", {"who": "Finn"})]
    assert tap(page, text).status == 410


def test_a_link_for_an_alarm_that_stands_no_more(page, at):
    assert tap(page, link(page, target="alarm:board-silent.east")).status == 422
    assert page.published == []


def test_the_key_is_made_once_and_for_its_owner_only(tmp_path):
    key = key_in(tmp_path)
    assert key_in(tmp_path) == key
    assert len(key) == 32
    assert (tmp_path / KEY_FILE).stat().st_mode & 0o777 == 0o600
    assert [path.name for path in tmp_path.iterdir()] == [KEY_FILE], "nothing is left lying about"


def test_two_that_make_the_key_at_once_agree(tmp_path, monkeypatch):
    key_in(tmp_path)
    kept = (tmp_path / KEY_FILE).read_bytes()
    monkeypatch.setattr("controller.links.Path.exists", lambda _: False)
    assert key_in(tmp_path) == kept


def test_by_command(tmp_path):
    site = str(example_site("curlew-yard"))
    command = ["phone", "link", "--site", site, "--state", str(tmp_path), "--address", "http://frost.lan/"]
    made = CliRunner().invoke(main, [*command, "--who", "Finn", "--tree", "lemon"])
    assert re.fullmatch(r"http://frost\.lan/tap/[\w-]+\.[\w-]{43}\n", made.output)
    text = made.output.strip().rpartition("/")[2]
    assert read_link(key_in(tmp_path), text, 0.0).target == "tree:lemon"
    made = CliRunner().invoke(main, [*command, "--who", "Finn", "--alarm"])
    assert read_link(key_in(tmp_path), made.output.strip().rpartition("/")[2], 0.0).alarm == "all"
    assert CliRunner().invoke(main, [*command, "--who", "Finn", "--tree", "palm"]).exit_code == 2


def test_a_password_by_command(tmp_path):
    site = str(example_site("curlew-yard"))
    command = ["phone", "password", "--site", site, "--state", str(tmp_path)]
    done = CliRunner().invoke(main, command, input="satsumas in snow\nsatsumas in snow\n")
    assert "The password is set" in done.output
    assert "snow" not in done.output
    short = CliRunner().invoke(main, command, input="short\nshort\n")
    assert short.exit_code == 1
    assert CliRunner().invoke(main, ["phone"]).exit_code == 2
