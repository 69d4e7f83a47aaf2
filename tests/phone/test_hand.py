"""Every route that changes something: who may, from where, how often; and what becomes of an order."""

import re
from urllib.parse import urlencode

import pytest

from controller.phone.access import ORDERS_A_MINUTE, Access
from controller.phone.app import application
from tests.conftest import DUSK
from tests.phone.conftest import ACCEPTED, request, status_for, with_outlook

UNTIL = str(int(DUSK.timestamp()) + 6 * 3600)
HEAT_ALL = {"target": "all", "order": "hand-on", "until": UNTIL}
PASSWORD = "satsumas in snow"
CHANGING = ("/hand", "/logout", "/login")


class Browser:
    """Sends forms as a browser does: with its cookie, the page's token and the page's origin."""

    def __init__(self, page):
        self.page, self.cookie, self.token = page, "", ""

    def look(self, path="/"):
        answer = request(self.page.app, path=path, headers={"Cookie": self.cookie} if self.cookie else {})
        self._keep(answer)
        if found := re.search(r'name="form" value="([^"]+)"', answer.text):
            self.token = found[1]
        return answer

    def send(self, path, form, *, headers=(), **more):
        named = {
            "Content-Type": "application/x-www-form-urlencoded",
            "Origin": "http://localhost",
            "Cookie": self.cookie,
        } | dict(headers)
        named = {name: value for name, value in named.items() if value is not None}
        body = urlencode({"form": self.token} | form).encode()
        answer = request(self.page.app, "POST", path, headers=named, body=body, **more)
        self._keep(answer)
        return answer

    def _keep(self, answer):
        if "set-cookie" in answer.headers:
            self.cookie = answer.headers["set-cookie"].partition(";")[0]


@pytest.fixture
def browser(page, drive):
    page.hear(status_for(drive))
    page.guard_says = ACCEPTED
    browser = Browser(page)
    browser.look()
    return browser


@pytest.fixture
def locked(page, drive):
    """A page with a password, and a browser that has not said it yet."""
    page.hear(status_for(drive))
    page.guard_says = ACCEPTED
    page.store.set_password(PASSWORD)
    return Browser(page)


def log_in(browser, password=PASSWORD, **more):
    answer = browser.send("/login", {"who": "Nora", "password": password}, **more)
    if answer.status == 303:
        browser.look()
    return answer


# ---- orders ------------------------------------------------------------------------------------------


def test_heat_everything_with_one_tap_and_the_guards_answer_is_shown(browser, page):
    answer = browser.send("/hand", HEAT_ALL)
    assert answer.status == 303
    ((topic, payload),) = page.published
    assert topic.startswith("rimeward/1/curlew-yard/hand/")
    assert payload["all"] is True
    assert payload["order"] == "hand-on"
    assert payload["who"] == "this machine"
    shown = browser.look(answer.headers["location"]).text
    assert "Done: Heat everything." in shown
    assert "The guard says: everything is heated by hand until 07:00." in shown, "in local time"
    assert "Undo" in shown
    ((_, who, address, what, said),) = page.store.noted()
    assert (who, address) == ("this machine", "127.0.0.1")
    assert what.startswith("Heat everything")
    assert said.startswith("taken")


def test_a_tree_goes_back_to_automatic_by_an_order(browser, page):
    browser.send("/hand", {"target": "tree:lemon", "order": "auto"})
    assert page.published[0][1]["order"] == "auto"
    assert page.published[0][1]["tree"] == "lemon"


def test_what_was_done_is_said_with_one_tap_and_taken_back_with_another(browser, page):
    page.guard_says = ACCEPTED.model_copy(update={"because": "'fleece on' is noted for everything"})
    answer = browser.send("/confirm", {"target": "all", "what": "covered"})
    ((topic, payload),) = page.published
    assert topic.startswith("rimeward/1/curlew-yard/confirm/")
    assert (payload["who"], payload["what"], payload["all"]) == ("this machine", "covered", True)
    shown = browser.look(answer.headers["location"]).text
    assert "Noted: fleece is on: every tree." in shown
    assert page.store.noted()[0][3] == "fleece is on: every tree"
    number = topic.rpartition("/")[2]
    assert f'name="of" value="{number}"' in shown
    answer = browser.send("/undo", {"of": number})
    assert page.published[1][1]["of"] == number
    assert "Taken back: fleece is on: every tree." in browser.look(answer.headers["location"]).text
    assert browser.send("/undo", {"of": "never"}).status == 422
    assert browser.send("/confirm", {"target": "all", "what": "pruned"}).status == 422
    assert len(page.published) == 2


def test_the_guards_refusal_is_shown_loudly(browser, page):
    refusal = "it has version 1, but version 2 already stands; look again"
    page.guard_says = ACCEPTED.model_copy(update={"accepted": False, "because": refusal})
    shown = browser.look(browser.send("/hand", HEAT_ALL).headers["location"]).text
    assert 'role="alert"' in shown
    assert "Not done: Heat everything." in shown
    assert refusal in shown


def test_no_answer_is_said_and_nothing_is_sent_twice(browser, page, monkeypatch):
    monkeypatch.setattr("controller.phone.courier.ANSWER_WITHIN_S", 0.1)
    page.guard_says = None
    shown = browser.look(browser.send("/hand", HEAT_ALL).headers["location"]).text
    assert "No answer yet" in shown
    assert len(page.published) == 1
    assert page.store.noted()[0][4] == "no answer"


def test_keeping_heat_off_names_the_consequence_first(browser, page, drive):
    with_outlook(drive)
    page.hear(status_for(drive))
    off = {"target": "tree:lemon", "order": "hand-off", "until": UNTIL}
    answer = browser.send("/hand", off)
    assert answer.status == 200
    assert page.published == []
    assert "this can cost fruit" in answer.text
    assert "without heat. Fruit freezes below −0.8 °C" in answer.text
    assert browser.send("/hand", off | {"sure": "yes"}).status == 303
    assert page.published[0][1]["order"] == "hand-off"
    assert page.published[0][1]["consent"] == ""
    assert "type “let the lemon go”" in answer.text
    browser.send("/hand", off | {"sure": "yes", "consent": " let the lemon go "})
    assert page.published[1][1]["consent"] == "let the lemon go"


def test_an_order_that_ended_before_it_was_sent(browser, page):
    answer = browser.send("/hand", HEAT_ALL | {"until": "5"})
    assert answer.status == 422
    assert "That hour is over" in answer.text
    assert page.published == []


def test_standing_orders_are_listed_with_their_end(browser, page, drive):
    from controller.guard.hand import HandOrder, Order  # noqa: PLC0415
    from controller.keeper import HandOrdered  # noqa: PLC0415

    until = DUSK.replace(hour=22)
    order = HandOrder(
        id="1", who="<Nora>", target_kind="tree", target="lemon", order=Order.HAND_ON, until=until
    )
    drive.tell(HandOrdered(order=order))
    page.hear(status_for(drive))
    shown = browser.look().text
    assert "Heat lemon until 22:00, by &lt;Nora&gt;." in shown
    assert 'value="tree:lemon"' in shown
    page.clock.s = 6 * 3600.0
    assert "by &lt;Nora&gt;" not in browser.look().text, "an order that is over stands no more"


# ---- who may, from where, how often --------------------------------------------------------------------


@pytest.mark.fault("N07")
@pytest.mark.parametrize("path", CHANGING)
@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", None, "http://localhost:81", "http://localhost.evil.example", ""],
)
def test_a_form_of_another_page_is_refused(browser, page, path, origin, met):
    if path == "/login":
        page.store.set_password(PASSWORD)
    answer = browser.send(path, HEAT_ALL, headers={"Origin": origin})
    assert answer.status == 403
    assert page.published == []
    met(reaction="none: refused, and nothing is changed", alarm="none: refused, and nothing is changed")


@pytest.mark.fault("N07")
@pytest.mark.parametrize("path", CHANGING[:2])
@pytest.mark.parametrize("token", ["", "x", "ü", "A" * 43])
def test_a_form_without_its_token_is_refused(browser, page, path, token):
    answer = browser.send(path, HEAT_ALL | {"form": token})
    assert answer.status == 403
    assert "nothing was done" in answer.text
    assert page.published == []


def test_a_token_of_another_session_is_refused(browser, page):
    other = Browser(page)
    other.look()
    assert other.token != browser.token
    assert browser.send("/hand", HEAT_ALL | {"form": other.token}).status == 403


@pytest.mark.fault("N08")
@pytest.mark.parametrize("path", CHANGING)
@pytest.mark.parametrize("host", ["evil.example", None])
def test_other_names_change_nothing(browser, page, path, host, met):
    assert browser.send(path, HEAT_ALL, host=host).status == 400
    assert page.published == []
    met(reaction="none: refused, and nothing is changed", alarm="none: refused, and nothing is changed")


@pytest.mark.parametrize("path", CHANGING)
@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "HEAD"])
def test_only_a_post_changes(browser, page, path, method):
    answer = request(page.app, method, f"{path}?{urlencode(HEAT_ALL)}", headers={"Cookie": browser.cookie})
    assert answer.status in ({303, 405} if path == "/login" else {405})
    assert page.published == []


@pytest.mark.fault("N10")
@pytest.mark.parametrize("path", CHANGING)
def test_a_large_body_is_refused(browser, page, path):
    if path == "/login":
        page.store.set_password(PASSWORD)
    assert browser.send(path, HEAT_ALL | {"more": "x" * 20_000}).status == 413
    assert page.published == []


@pytest.mark.parametrize("path", CHANGING)
@pytest.mark.parametrize("kind", ["application/json", "text/plain", "multipart/form-data", ""])
def test_only_forms_are_read(browser, page, path, kind):
    if path == "/login":
        page.store.set_password(PASSWORD)
    assert browser.send(path, HEAT_ALL, headers={"Content-Type": kind}).status in {403, 415}
    assert page.published == []


@pytest.mark.parametrize("body", [b"\xff\xfe", b"&".join(b"a%d=1" % n for n in range(100))])
def test_garbage_is_refused(browser, page, body):
    headers = {
        "Content-Type": "application/x-www-form-urlencoded",
        "Origin": "http://localhost",
        "Cookie": browser.cookie,
    }
    assert request(page.app, "POST", "/hand", headers=headers, body=body).status == 400


def test_a_body_that_never_ends_is_not_waited_for(browser, page, monkeypatch):
    monkeypatch.setattr("controller.phone.access.BODY_WITHIN_S", 0.1)
    headers = {
        "Content-Type": "application/x-www-form-urlencoded",
        "Origin": "http://localhost",
        "Cookie": browser.cookie,
    }
    assert request(page.app, "POST", "/hand", headers=headers, body=[]).status == 408


@pytest.mark.fault("N04")
def test_so_many_orders_a_minute(browser, page):
    statuses = [browser.send("/hand", HEAT_ALL).status for _ in range(ORDERS_A_MINUTE + 2)]
    assert statuses == [303] * ORDERS_A_MINUTE + [429] * 2
    assert len(page.published) == ORDERS_A_MINUTE


# ---- letting people in ---------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/?said=x"])
def test_nothing_is_shown_before_the_password(locked, path):
    answer = locked.look(path)
    assert (answer.status, answer.headers["location"]) == (303, "/login")
    assert "satsuma" not in answer.text


def test_nothing_is_streamed_or_done_before_the_password(locked, page):
    assert locked.look("/events").status == 401
    assert locked.send("/hand", HEAT_ALL).status == 403
    assert locked.send("/logout", {}).status == 403
    assert page.published == []


def test_logging_in_ordering_and_logging_out(locked, page):
    assert "password" in locked.look("/login").text
    assert log_in(locked).status == 303
    assert "The trees are safe" in locked.look().text
    assert locked.look("/login").status == 303
    assert locked.send("/hand", HEAT_ALL).status == 303
    assert page.published[0][1]["who"] == "Nora"
    stolen = locked.cookie
    assert locked.send("/logout", {}).status == 303
    locked.cookie = stolen
    assert locked.look().status == 303, "a cookie kept from before opens nothing"


@pytest.mark.fault("N11")
def test_logging_out_everywhere(locked, page, met):
    other = Browser(page)
    log_in(other)
    log_in(locked)
    assert other.look().status == 200
    locked.send("/logout", {"all": "yes"})
    assert other.look().status == 303
    met(
        reaction="none: the session is ended from any other one",
        alarm="none: the session is ended from any other one",
    )


def test_the_cookie_is_kept_from_scripts_and_other_sites(locked, page):
    flags = log_in(locked).headers["set-cookie"].lower()
    assert "httponly" in flags
    assert "samesite=strict" in flags
    assert "secure" not in flags
    page.app = application(page.screen, Access(page.store, secure=True), page.publish)
    assert "secure" in log_in(locked).headers["set-cookie"].lower()


def test_a_wrong_password(locked, page, tmp_path):
    answer = log_in(locked, "guessed it")
    assert answer.status == 403
    assert "That is not the password." in answer.text
    assert locked.look().status == 303
    assert page.store.noted()[0][3:] == ("log in", "refused")
    assert b"guessed it" not in (tmp_path / "phone.db").read_bytes()


@pytest.mark.fault("N06")
def test_guessing_is_slowed_down(locked, monkeypatch, met):
    monkeypatch.setattr("controller.phone.access.is_password", lambda *_: False)
    statuses = [log_in(locked, f"guess {n}").status for n in range(7)]
    assert statuses == [403] * 5 + [429] * 2
    met(
        reaction="none: refused, and from the sixth in a minute on not even tried",
        alarm="none: refused, and from the sixth in a minute on not even tried",
    )


def test_without_a_password_there_is_nothing_to_log_in_to(browser):
    assert browser.send("/login", {"who": "x", "password": "y"}).headers["location"] == "/"
