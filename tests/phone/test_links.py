"""One-tap links: signed, short-lived, good for one answer, and only ever for more heat."""

import asyncio
import re

import pytest
from click.testing import CliRunner

from controller.bus.transport import Message
from controller.cli import main
from controller.links import KEY_FILE, _signature, key_in, link_for, read_link
from controller.phone.access import Limits
from controller.site.load import example_site
from tests.phone.conftest import ACCEPTED, ask, request, status_for

FORM = {"Content-Type": "application/x-www-form-urlencoded", "Origin": "http://localhost"}


def link(page, now_s=1000.0, **more):
    wish = {"target": "all", "heat_s": 3600.0, "who": "Finn", "valid_s": 600.0} | more
    return link_for(page.store.link_key, now_s=now_s, **wish)


def tap(page, text, headers=(), *, by=request):
    return by(page.app, "POST", "/tap", headers=FORM | dict(headers), body=f"link={text}".encode())


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


@pytest.fixture
def lost(page, at, monkeypatch):
    """Let no answer come: the broker or the controller is just starting."""
    monkeypatch.setattr("controller.phone.courier.ANSWER_WITHIN_S", 0.1)
    page.guard_says = None


@pytest.mark.parametrize("target", ["all", "alarm:all"])
def test_a_tap_that_nobody_answered_is_repeated_by_the_same_link(page, at, lost, target):
    page.store.set_password("satsumas in snow")
    text = link(page, target=target)
    shown = tap(page, text).text
    assert "No answer yet" in shown
    assert f'value="{text}"' in shown, "the button stands there again"
    assert request(page.app, path=f"/tap/{text}").status == 200
    page.app = page.named("frost.lan")  # the page was started anew as well
    page.guard_says = ACCEPTED
    shown = tap(page, text).text
    assert "Done: Heat everything." in shown or "You have it: all alarms." in shown
    assert text not in shown
    (first, _), (second, _) = page.published
    assert first == second, "it is one order, by its id"
    assert tap(page, text).status == request(page.app, path=f"/tap/{text}").status == 410
    assert len(page.published) == 2


def test_an_answer_that_came_too_late_does_not_stand_for_the_next_tap(page, at, lost):
    text = link(page)
    tap(page, text)
    number = page.published[0][0].rpartition("/")[2]
    page.watch.hear(
        Message(page.topics.answer(number), ACCEPTED.model_copy(update={"order": number}).to_json())
    )
    assert "No answer yet" in tap(page, text).text
    assert len(page.published) == 2


def test_a_refusal_is_an_answer(page, at):
    page.guard_says = ACCEPTED.model_copy(update={"accepted": False})
    text = link(page)
    assert "Not done: Heat everything." in tap(page, text).text
    assert tap(page, text).status == 410


def test_two_taps_at_once_are_one_order(page, at):
    page.guard_says = None

    def guard(topic, payload):
        page.guard_says = ACCEPTED if len(page.published) == 2 else None

    async def both():
        return await asyncio.gather(tap(page, text, by=ask), tap(page, text, by=ask))

    page.guard, text = guard, link(page)
    assert ["Done: Heat everything." in answer.text for answer in asyncio.run(both())] == [True, True]
    assert len({topic for topic, _ in page.published}) == 1
    assert tap(page, text).status == 410
    assert len(page.published) == 2


def test_a_link_that_nobody_answers_can_be_tapped_so_often_and_so_long(page, at, lost):
    page.limits = Limits(orders=2)
    page.app = page.named("frost.lan")
    text = link(page)
    assert [tap(page, text).status for _ in range(3)] == [200, 200, 429]
    assert tap(page, link(page)).status == 200, "each is counted by itself"
    at(1600.0)
    assert tap(page, text).status == 410


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
