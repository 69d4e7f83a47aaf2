"""Every route that changes something, from the page's own list of routes, against everything that may not.

A new route that is not in the table below fails here before anything else is asked of it.
"""

import json
import time
from dataclasses import dataclass
from urllib.parse import urlencode

import pytest

from controller.bus.outbound import status_of
from controller.links import link_for
from controller.phone.access import COOKIE, FORM_TYPE, LOGINS_A_MINUTE, ORDERS_A_MINUTE, Access
from controller.phone.api import TOKEN_HEADER, Api
from controller.phone.app import routes_of
from controller.phone.hand import Hand
from tests.conftest import DUSK, Drive
from tests.phone.conftest import ACCEPTED, request, say_done, sent

PASSWORD = "satsumas in snow"
UNTIL = int(DUSK.timestamp()) + 6 * 3600


@dataclass(frozen=True)
class Change:
    """A sound wish for a route, and what guards it besides host, size, kind and origin."""

    wish: dict[str, object]
    json: bool = False
    done: int = 303
    needs_session: bool = True
    needs_token: bool = True
    a_minute: int | None = ORDERS_A_MINUTE


LOGIN = {"needs_session": False, "needs_token": False, "a_minute": LOGINS_A_MINUTE}
PROGRAM = {"json": True, "done": 200}
CHANGES = {
    "/hand": Change({"target": "all", "order": "hand-on", "until": str(UNTIL)}),
    "/confirm": Change({"target": "all", "what": "covered"}),
    "/acknowledge": Change({"key": "all"}),
    "/undo": Change({"of": "w1"}),
    "/logout": Change({}, a_minute=None),  # it ends the session, so there is no second
    "/login": Change({"who": "Nora", "password": PASSWORD}, **LOGIN),
    # the signed link is itself the permission, and counted by itself (see test_links.py)
    "/tap": Change({"link": "{link}"}, done=200, needs_session=False, needs_token=False, a_minute=None),
    "/api/orders": Change({"target": "all", "order": "hand-on", "until": UNTIL}, **PROGRAM),
    "/api/confirmations": Change({"target": "tree:lemon", "what": "harvested"}, **PROGRAM),
    "/api/acknowledge": Change({"key": "all"}, **PROGRAM),
    "/api/undo": Change({"of": "w1"}, **PROGRAM),
    "/api/login": Change({"who": "logger", "password": PASSWORD}, **PROGRAM, **LOGIN),
}


class Sender:
    """Somebody who is logged in and sends what a route takes, whole or with something wrong."""

    def __init__(self, page):
        self.page = page
        session = page.store.begin("Nora", time.time())
        self.cookie, self.token = f"{COOKIE}={session.token}", page.store.form_token(session.token)

    def send(self, path, *, headers=(), form="", method="POST", **more):
        """Send what a route takes; a header given as None is left out, ``form`` replaces the form's token."""
        change, token = CHANGES[path], form or self.token
        wish = {name: self._filled(value) for name, value in change.wish.items()}
        named = {"Origin": "http://localhost", "Cookie": self.cookie}
        if change.json:
            named |= {"Content-Type": "application/json", TOKEN_HEADER: token}
            body = json.dumps(wish).encode()
        else:
            named["Content-Type"] = FORM_TYPE
            body = urlencode({"form": token} | wish).encode()
        named = {name: value for name, value in (named | dict(headers)).items() if value is not None}
        return request(self.page.app, method, path, headers=named, body=more.pop("body", body), **more)

    def _filled(self, value):
        if value != "{link}":
            return value
        given = {"target": "all", "heat_s": 3600.0, "who": "Finn", "valid_s": 3600.0}
        return link_for(self.page.store.link_key, **given, now_s=time.time())


@pytest.fixture(scope="module")
def status(curlew_yard):
    """A status with a word that can be taken back."""
    drive = Drive(curlew_yard)
    drive.step()
    say_done(drive, "covered", name="w1")
    return sent(status_of(drive.state, drive.now))


@pytest.fixture
def sender(page, status, monkeypatch):
    monkeypatch.setattr("controller.phone.access.is_password", lambda _, given: given == PASSWORD)
    page.hear(status)
    page.guard_says = ACCEPTED
    page.store.set_password(PASSWORD)
    return Sender(page)


def traces(page):
    """Return all that a change leaves behind: what was published, who is logged in, links used."""
    rows = page.store._connection.execute  # (there is no other way to see that nothing was written)
    return (
        list(page.published),
        sorted(rows("SELECT token_sha256 FROM session")),
        sorted(rows("SELECT number FROM used_link")),
    )


def changing():
    return pytest.mark.parametrize("path", CHANGES)


def test_every_route_that_changes_something_is_in_the_table(page):
    access = Access(page.store, secure=False)
    hand = Hand(page.screen, access, page.publish)
    routes = routes_of(hand, Api(page.screen, access, hand))
    assert {route.path for route in routes if route.methods - {"GET", "HEAD"}} == set(CHANGES)
    assert all(route.methods <= {"GET", "HEAD"} or route.methods == {"POST"} for route in routes)


@changing()
def test_what_is_sound_is_done(sender, page, path):
    before = traces(page)
    assert sender.send(path).status == CHANGES[path].done
    assert traces(page) != before, "so the tests below could see it"


@changing()
def test_another_origin_changes_nothing(sender, page, path):
    before = traces(page)
    for origin in ["http://evil.example", "null", "http://localhost:81", "http://localhost.x", ""]:
        assert sender.send(path, headers={"Origin": origin}).status == 403
        assert traces(page) == before


@changing()
def test_without_an_origin_only_programs_that_carry_a_token_or_password_are_heard(sender, page, path):
    before = traces(page)
    answer = sender.send(path, headers={"Origin": None})
    if CHANGES[path].json:
        assert answer.status == 200, "no browser leaves the header out of a POST"
    else:
        assert (answer.status, traces(page)) == (403, before)


@changing()
def test_another_host_changes_nothing(sender, page, path):
    before = traces(page)
    for host in ["evil.example", "localhost.evil.example", "", None]:
        assert sender.send(path, host=host).status == 400
        assert traces(page) == before


@changing()
def test_another_method_changes_nothing(sender, page, path):
    before = traces(page)
    for method in ["GET", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS"]:
        answer = sender.send(path, method=method)
        assert answer.status == (303 if path == "/login" and method in {"GET", "HEAD"} else 405)
        assert traces(page) == before


@changing()
def test_a_large_body_changes_nothing(sender, page, path):
    before = traces(page)
    pieces = [b"x" * 9000, b"x" * 9000]
    assert sender.send(path, body=pieces).status == 413
    assert sender.send(path, headers={"Content-Length": "20000"}).status == 413
    assert sender.send(path, headers={"Content-Length": "many"}).status == 413
    assert traces(page) == before


@changing()
def test_another_kind_of_body_changes_nothing(sender, page, path):
    before = traces(page)
    for kind in ["text/plain", "multipart/form-data", "", None]:
        assert sender.send(path, headers={"Content-Type": kind}).status == 415
        assert traces(page) == before


@changing()
def test_garbage_changes_nothing(sender, page, path):
    before = traces(page)
    for body in [b"", b"{", b"[]", b"null", b"\xff\xfe", b"&".join(b"a%d=1" % n for n in range(100))]:
        assert sender.send(path, body=body).status in {400, 403, 410, 422}
        assert traces(page) == before


@changing()
def test_a_body_that_never_ends_is_not_waited_for(sender, page, path, monkeypatch):
    monkeypatch.setattr("controller.phone.access.BODY_WITHIN_S", 0.05)
    before = traces(page)
    assert sender.send(path, body=[]).status == 408
    assert traces(page) == before


@changing()
def test_without_a_session_nothing_changes(sender, page, path):
    before = traces(page)
    for cookie in [None, f"{COOKIE}=", f"{COOKIE}=" + "A" * 43, f"{COOKIE}=\xfc"]:
        answer = sender.send(path, headers={"Cookie": cookie})
        if CHANGES[path].needs_session:
            assert answer.status == (401 if CHANGES[path].json else 403)
            assert traces(page) == before
        else:
            assert answer.status == CHANGES[path].done, "the password or the signed link is what counts"


@changing()
def test_a_session_that_was_ended_changes_nothing(sender, page, path):
    page.store.end_all()
    before = traces(page)
    if CHANGES[path].needs_session:
        assert sender.send(path).status == (401 if CHANGES[path].json else 403)
        assert traces(page) == before


@changing()
def test_without_the_sessions_own_token_nothing_changes(sender, page, path):
    other = Sender(page)
    before = traces(page)
    for token in ("x", "A" * 43, other.token):
        if CHANGES[path].needs_token:
            assert sender.send(path, form=token).status == 403
            assert traces(page) == before


@pytest.mark.parametrize("path", [path for path, change in CHANGES.items() if change.a_minute])
def test_so_many_a_minute(sender, path):
    change = CHANGES[path]
    client = {} if change.needs_session else {"client": "192.0.2.7"}
    statuses = [sender.send(path, **client).status for _ in range(change.a_minute + 2)]
    assert statuses == [change.done] * change.a_minute + [429] * 2


def test_a_link_is_good_once(sender, page):
    text = sender._filled("{link}")
    form = {"Content-Type": FORM_TYPE, "Origin": "http://localhost"}
    body = urlencode({"link": text}).encode()
    statuses = [request(page.app, "POST", "/tap", headers=form, body=body).status for _ in range(3)]
    assert statuses == [200, 410, 410]
    assert len(page.published) == 1
