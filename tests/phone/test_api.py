"""The routes for programs: the same data, the same orders, the same bounds."""

import json
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.bus.messages import StatusPayload
from controller.phone.api import TOKEN_HEADER, describe
from tests.conftest import DUSK
from tests.phone.conftest import ACCEPTED, request, status_for, with_outlook

UNTIL = int((DUSK + timedelta(hours=6)).timestamp())
HEAT_ALL = {"target": "all", "order": "hand-on", "until": UNTIL}
PASSWORD = "satsumas in snow"


class Program:
    def __init__(self, page):
        self.page, self.cookie, self.token = page, "", ""

    def get(self, path):
        return self._kept(request(self.page.app, path=path, headers={"Cookie": self.cookie}))

    def post(self, path, wish, headers=(), **more):
        named = {"Content-Type": "application/json", "Cookie": self.cookie, TOKEN_HEADER: self.token}
        named = {k: v for k, v in (named | dict(headers)).items() if v is not None}
        body = wish if isinstance(wish, bytes) else json.dumps(wish).encode()
        return self._kept(request(self.page.app, "POST", path, headers=named, body=body, **more))

    def _kept(self, answer):
        if "set-cookie" in answer.headers:
            self.cookie = answer.headers["set-cookie"].partition(";")[0]
            self.token = json.loads(answer.text)["form"]
        return answer


@pytest.fixture
def program(page, drive):
    with_outlook(drive)
    page.hear(status_for(drive))
    page.guard_says = ACCEPTED
    program = Program(page)
    program.get("/api/session")
    return program


def test_the_status_is_the_controllers_own(program, page, drive):
    page.clock.s += 7.0
    answer = json.loads(program.get("/api/status").text)
    assert answer["age_s"] == 7.0
    assert StatusPayload.model_validate_json(json.dumps(answer["status"])) == page.watch.heard.status


def test_before_the_first_word(page):
    answer = request(page.app, path="/api/status")
    assert answer.status == 503
    assert "Nothing has been heard" in json.loads(answer.text)["fault"]


def test_an_order_and_the_guards_answer(program, page):
    answer = program.post("/api/orders", HEAT_ALL)
    assert answer.status == 200
    view = json.loads(answer.text)
    assert view["accepted"] is True
    assert view["because"] == ACCEPTED.because
    assert page.published[0][0].endswith(view["id"])
    assert page.store.noted()[0][1] == "this machine"


def test_a_word_and_taking_it_back(program, page):
    answer = program.post("/api/confirmations", {"target": "tree:lemon", "what": "covered"})
    view = json.loads(answer.text)
    assert view["accepted"] is True
    assert page.published[0][1]["tree"] == "lemon"
    assert program.post("/api/undo", {"of": view["id"]}).status == 200
    assert page.published[1][1]["of"] == view["id"]
    assert program.post("/api/undo", {"of": "never"}).status == 422
    assert program.post("/api/confirmations", {"target": "tree:palm", "what": "covered"}).status == 422
    assert len(page.published) == 2


def test_an_order_that_nobody_answers(program, page, monkeypatch):
    monkeypatch.setattr("controller.phone.courier.ANSWER_WITHIN_S", 0.1)
    page.guard_says = None
    assert json.loads(program.post("/api/orders", HEAT_ALL).text)["accepted"] is None


def test_keeping_heat_off_needs_consent_here_too(program, page):
    off = HEAT_ALL | {"target": "tree:lemon", "order": "hand-off"}
    answer = program.post("/api/orders", off)
    assert answer.status == 409
    assert "Fruit freezes below" in json.loads(answer.text)["consequence"][0]
    assert page.published == []
    assert program.post("/api/orders", off | {"sure": True}).status == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({TOKEN_HEADER: None}, 403),
        ({TOKEN_HEADER: "A" * 43}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Length": "99999"}, 413),
        ({"Origin": "http://localhost"}, 200),
    ],
)
def test_what_an_order_must_carry(program, page, headers, status):
    assert program.post("/api/orders", HEAT_ALL, headers).status == status
    assert bool(page.published) is (status == 200)


@pytest.mark.parametrize(
    "wish",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\xff",
        {},
        HEAT_ALL | {"more": 1},
        HEAT_ALL | {"until": "7"},
        HEAT_ALL | {"until": -1},
        HEAT_ALL | {"until": 1},
        HEAT_ALL | {"until": None},
        HEAT_ALL | {"target": "tree:palm"},
        HEAT_ALL | {"order": "on"},
        HEAT_ALL | {"sure": "yes"},
    ],
)
def test_what_is_no_order(program, page, wish):
    answer = program.post("/api/orders", wish)
    assert answer.status == 422
    assert json.loads(answer.text)["fault"]
    assert page.published == []


def test_other_hosts_and_methods(program, page):
    assert program.post("/api/orders", HEAT_ALL, host="evil.example").status == 400
    for method in ("GET", "PUT", "DELETE"):
        assert request(page.app, method, "/api/orders").status == 405
    assert page.published == []


def test_with_a_password(page, drive):
    page.hear(status_for(drive))
    page.guard_says = ACCEPTED
    page.store.set_password(PASSWORD)
    program = Program(page)
    for path in ("/api/status", "/api/session"):
        assert program.get(path).status == 401
    assert program.post("/api/orders", HEAT_ALL).status == 401
    assert program.post("/api/login", {"who": "logger", "password": "guess"}).status == 403
    assert program.post("/api/login", {"who": "logger"}).status == 422
    assert (
        program.post("/api/login", {"who": "logger", "password": PASSWORD}, {"Origin": "null"}).status == 403
    )
    assert program.post("/api/login", {"who": "logger", "password": PASSWORD}).status == 200
    assert program.get("/api/status").status == 200
    assert program.post("/api/orders", HEAT_ALL).status == 200
    assert page.published[0][1]["who"] == "logger"


def test_the_description_names_every_route_and_resolves(program):
    document = json.loads(program.get("/api/openapi.json").text)
    assert document == json.loads(json.dumps(describe()))
    assert document["openapi"] == "3.1.0"
    for path, methods in document["paths"].items():
        for method in methods:
            answer = request(program.page.app, method.upper(), path, headers={"Cookie": program.cookie})
            assert answer.status not in {404, 405}, path
            assert str(answer.status) in methods[method]["responses"], path
    text = json.dumps(document)
    for reference in set(_references(text)):
        assert reference in document["components"]["schemas"]


def _references(text):
    return [part.partition('"')[0] for part in text.split("#/components/schemas/")[1:]]


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
wishes = (
    st.binary(max_size=60)
    | json_values
    | st.fixed_dictionaries(
        {},
        optional={
            "target": st.sampled_from(["all", "tree:lemon", "vent:gable-fan", "tree:"])
            | st.text(max_size=70),
            "order": st.sampled_from(["hand-on", "hand-off", "auto"]) | st.text(max_size=12),
            "until": st.integers() | st.none() | json_values,
            "sure": st.booleans() | json_values,
            "what": st.sampled_from(["covered", "vents-shut", "harvested"]) | st.text(max_size=12),
            "of": st.text(max_size=20) | json_values,
            "who": st.text(max_size=50),
            "password": st.text(max_size=50),
        },
    )
)
headers = st.dictionaries(
    st.sampled_from(["Origin", "Cookie", "Content-Type", "Host", TOKEN_HEADER, "Accept-Encoding"]),
    st.text(st.characters(max_codepoint=255, exclude_categories=["Cc"]), max_size=30),
    max_size=3,
)
paths = st.sampled_from(
    [
        "/api/orders",
        "/api/confirmations",
        "/api/undo",
        "/api/login",
        "/api/status",
        "/hand",
        "/confirm",
        "/undo",
        "/login",
        "/logout",
        "/",
        "/metrics",
    ]
)


ORDERED = {"hand-on", "hand-off", "auto", "covered", "uncovered", "vents-shut", "harvested", "taken-back"}


def no_fault_of_ours(program, path, wish, odd, method):
    cookie = {"Cookie": program.cookie, "Content-Type": "application/json", TOKEN_HEADER: program.token}
    body = wish if isinstance(wish, bytes) else json.dumps(wish).encode()
    answer = request(program.page.app, method, path, headers=cookie | odd, body=body)
    assert answer.status < 500
    # whatever came, nothing but a whole, sound order was passed on
    for _, payload in program.page.published:
        assert (payload.get("order") or payload["what"]) in ORDERED


@pytest.mark.parametrize(
    "cases", [100, pytest.param(10_000, marks=[pytest.mark.long, pytest.mark.timeout(900)])]
)
def test_nothing_that_comes_in_is_a_fault_of_ours(program, monkeypatch, cases):
    monkeypatch.setattr("controller.phone.courier.ANSWER_WITHIN_S", 0.05)
    monkeypatch.setattr("controller.phone.access.is_password", lambda *_: False)

    @settings(max_examples=cases, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
    @given(path=paths, wish=wishes, odd=headers, method=st.sampled_from(["GET", "POST"]))
    def check(path, wish, odd, method):
        no_fault_of_ours(program, path, wish, odd, method)

    check()
