"""The page's routes, its door and its headers."""

import gzip
import re

import pytest
import requests

from controller.phone.door import LARGEST_BODY_BYTES, Door, source_of
from controller.phone.history import NOTHING
from controller.phone.screen import MOST_STREAMS
from tests.phone.conftest import events, request, served, status_for, with_outlook

ROUTES = ("/", "/events", "/well")


def test_the_whole_page_in_one_answer_under_30_kb(page, drive):
    with_outlook(drive)
    page.hear(status_for(drive))
    answer = request(page.app, headers={"Accept-Encoding": "gzip"})
    assert answer.status == 200
    assert len(answer.body) < 30_000, "the bar of the page: 30 kB compressed"
    text = gzip.decompress(answer.body).decode()
    assert "The trees are safe" in text
    assert not re.search(r"""(src|href)=["'](?!#|/)""", text), "nothing else is loaded"
    assert "licensed electrician" in text
    assert 'http-equiv="refresh"' in text, "without scripts it renews itself"
    assert "user-scalable" not in text


def test_the_page_before_anything_was_heard(page):
    assert "Nothing has been heard from the controller yet." in request(page.app).text


@pytest.mark.fault("N12")
def test_texts_from_the_bus_are_escaped(page, drive):
    status = status_for(drive).model_copy(update={"notices": ("<script>alert(1)</script>",)})
    page.hear(status)
    assert "<script>alert" not in request(page.app).text
    assert "&lt;script&gt;alert" in request(page.app).text


@pytest.mark.fault("N12", "N13")
@pytest.mark.parametrize("path", ROUTES[:1] + ROUTES[2:])
def test_headers_under_which_a_browser_runs_only_what_is_ours(page, path, met):
    headers = request(page.app, path=path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert source_of(page.screen.page.script) in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    met(reaction="none: the browser is told not to", alarm="none: the browser is told not to")


def test_the_hash_of_an_inline_text_is_that_of_the_standard():
    # CSP level 3, section 8.4, gives the hash of alert('Hello, world.')
    assert source_of("alert('Hello, world.');") == "'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"


@pytest.mark.fault("N08")
@pytest.mark.parametrize("path", ROUTES)
@pytest.mark.parametrize(
    "host", ["evil.example", "", None, "localhost.evil.example", "localhost:", "localhost:8x"]
)
def test_other_names_are_refused(page, host, path):
    assert request(page.app, path=path, host=host).status == 400


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8484", "127.0.0.1:1", "[::1]:8484", "[::1]"])
def test_this_machines_own_names_are_known(page, host):
    assert request(page.app, path="/well", host=host).status == 200


def test_names_of_the_site_file_are_known(page):
    door = Door(page.app, ("frost.lan",), ())
    assert request(door, path="/well", host="frost.lan:8484").status == 400, "the inner door decides too"
    assert request(Door(_ok, ("frost.lan",), ()), host="frost.lan:8484").status == 204


async def _ok(scope, receive, send):
    while (await receive()).get("more_body"):
        pass
    await send({"type": "http.response.start", "status": 204, "headers": []})
    await send({"type": "http.response.body"})


@pytest.mark.parametrize("length", ["16385", "99999999999", "-1", "x", ""])
def test_a_body_declared_too_large_is_refused(page, length):
    assert request(page.app, "POST", "/", headers={"Content-Length": length}).status == 413


@pytest.mark.fault("N10")
def test_a_body_that_grows_too_large_is_refused(met):
    piece = b"x" * (LARGEST_BODY_BYTES // 2)
    assert request(Door(_ok, (), ()), "POST", body=[piece, piece]).status == 204
    assert request(Door(_ok, (), ()), "POST", body=[piece, piece, b"x"]).status == 413
    met(reaction="none: refused, and nothing is changed", alarm="none: refused, and nothing is changed")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
@pytest.mark.parametrize("path", ROUTES)
def test_looking_changes_nothing(page, method, path):
    assert request(page.app, method, path).status == 405


@pytest.mark.fault("N14")
def test_what_is_not_there(page, met):
    assert request(page.app, path="/../etc/passwd").status == 404
    met(reaction="none: it is not there", alarm="none: it is not there")


def test_a_fault_of_the_page_is_said_without_its_insides(page, drive, monkeypatch):
    page.hear(status_for(drive))
    monkeypatch.setattr(page.screen, "_history", None)
    monkeypatch.setattr(page.screen, "renew", _nothing)
    with pytest.raises(AttributeError):  # the server logs it
        request(page.app)


async def _nothing():
    return


def test_the_stream_says_news_and_that_it_lives(page, drive, monkeypatch):
    monkeypatch.setattr("controller.phone.screen.STREAM_FOR_S", 0.6)
    monkeypatch.setattr("controller.phone.screen.LOOK_EVERY_S", 0.05)
    monkeypatch.setattr("controller.phone.screen.PING_EVERY_S", 0.1)
    page.hear(status_for(drive))
    answer = request(page.app, path="/events", headers={"Accept-Encoding": "gzip"})
    assert answer.headers["content-type"].startswith("text/event-stream")
    said = events(answer.text)
    assert [name for name, _ in said].count("look") == 1, "no news, no new picture"
    assert [name for name, _ in said].count("ping") >= 2
    assert "The trees are safe" in said[0][1]["html"]
    assert "ago." in said[-1][1]["heard"]
    assert page.screen.streams == 0


def test_one_stream_too_many_is_sent_away(page, monkeypatch):
    monkeypatch.setattr(page.screen, "streams", MOST_STREAMS)
    assert request(page.app, path="/events").status == 503


def test_the_journal_is_read_again_only_after_a_while(page, monkeypatch):
    read = []

    def note(*args):
        read.append(args)
        return NOTHING

    monkeypatch.setattr("controller.phone.screen.history_of", note)
    with served(page) as address:
        for _ in range(3):
            assert requests.get(f"{address}/", timeout=5).status_code == 200
    assert len(read) == 1
