"""From messages to events: what is sound goes through, what is not is told of and rests no heater."""

import json
import math
from datetime import timedelta

import pytest

from controller.bus.inbound import Inbound
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.guard.events import (
    BoardGone,
    Confirmed,
    EchoHeard,
    GiveLease,
    HandOrdered,
    LeaseHeard,
    ProbeHeard,
    Tick,
)
from controller.guard.evidence import HIGHEST_TEMP_C
from controller.guard.hand import Order
from controller.guard.state import begin
from controller.keeper import handle
from controller.site.load import example_site, load_site, parse_site
from controller.site.work import Work
from tests.conftest import DUSK, at

SITE = load_site(example_site("curlew-yard"))
TOPICS = Topics("curlew-yard")
UNTIL = (DUSK + timedelta(hours=1)).isoformat()


def event(topic, payload, *, retained=False):
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Inbound(SITE).event(Message(topic, raw, retained))


def test_a_reading():
    heard = event(TOPICS.probe("air-lemon"), {"at": DUSK.isoformat(), "temp_c": -0.5, "rh_pct": 93})
    assert heard == ProbeHeard(probe="air-lemon", temp_c=-0.5, at=DUSK, rh_pct=93.0)


def test_a_probe_that_gives_nothing_is_heard_as_no_number():
    heard = event(TOPICS.probe("air-lemon"), {"temp_c": None})
    assert math.isnan(heard.temp_c)


def test_an_echo_and_a_will():
    heard = event(TOPICS.echo("east"), {"boot": "b", "session": "s", "seq": 3, "on": ["1"], "uptime_s": 9.5})
    assert heard == EchoHeard(board="east", boot="b", session="s", seq=3, on=("1",), uptime_s=9.5)
    assert event(TOPICS.alive("east"), {"session": "b", "alive": False}) == BoardGone(board="east")
    assert event(TOPICS.alive("east"), {"session": "b", "alive": True}) is None


@pytest.mark.parametrize("target", [{"tree": "lemon"}, {"vent": "gable-fan"}, {"all": True}])
def test_an_order(target):
    heard = event(TOPICS.hand("17"), {"who": "Nora", "order": "hand-on", "until": UNTIL, **target})
    assert isinstance(heard, HandOrdered)
    assert (heard.order.id, heard.order.who, heard.order.order) == ("17", "Nora", Order.HAND_ON)
    assert heard.order.target_kind == next(iter(target))


@pytest.mark.parametrize("targets", [{}, {"tree": "lemon", "all": True}])
def test_an_order_for_nothing_or_for_two_things_is_refused(targets):
    assert event(TOPICS.hand("17"), {"who": "N", "order": "auto", "until": UNTIL, **targets}) is None


def test_a_retained_message_is_never_evidence():
    assert event(TOPICS.probe("air-lemon"), {"temp_c": 9.0}, retained=True) is None


def refusal(topic, payload):
    """Return what is said of a message that must be refused."""
    said = []
    message = Message(topic, payload)
    assert Inbound(SITE, lambda *told: said.append(told)).event(message) is None
    ((of, because),) = said
    assert of == message
    return because


@pytest.mark.parametrize(
    ("payload", "because"),
    [
        (b"", "payload: Invalid JSON: EOF while parsing a value at line 1 column 0"),
        (b"nan", "payload: Invalid JSON: expected ident at line 1 column 2"),
        (b'{"temp_c": "3,5"}', "temp_c: Input should be a valid number"),
        (b'{"temp": 3.5}', "temp_c: Field required"),
    ],
)
def test_what_is_wrong_with_a_refused_message_is_told(payload, because):
    assert refusal(TOPICS.probe("air-lemon"), payload) == because


def test_who_awaits_an_answer_is_known_by_the_topic():
    inbound = Inbound(SITE)
    assert inbound.asked_by(TOPICS.hand("17")) == "17"
    assert inbound.asked_by(TOPICS.confirm("w" * 80)) == "w" * 64
    assert inbound.asked_by(TOPICS.probe("house")) == ""


def test_which_topics_concern_the_controller():
    inbound = Inbound(SITE)
    assert inbound.is_for_controller(TOPICS.probe("house"))
    assert inbound.is_for_controller(TOPICS.hand("x"))
    assert not inbound.is_for_controller(TOPICS.probe("stranger"))
    assert inbound.is_for_controller(TOPICS.lease("east"))
    assert not inbound.is_for_controller(TOPICS.lease("stranger"))
    assert inbound.event(Message("elsewhere", b"{}")) is None


def test_what_is_said_on_topics_of_leases_is_passed_on_whatever_it_is():
    topic = TOPICS.lease("east")
    lease = {"session": "s", "boot": "b", "seq": 3, "ttl_s": 300.0}
    assert event(topic, lease) == LeaseHeard(board="east", session="s", seq=3)
    inbound = Inbound(SITE)
    kept = inbound.event(Message(topic, b"OFF", retained=True))
    assert kept == LeaseHeard(board="east", retained=True)
    assert inbound.event(Message(topic, b"\xff\x00")) == LeaseHeard(board="east")
    assert inbound.event(Message(topic, b"")) is None, "what was kept is cleared"


def test_a_probe_of_another_make_on_its_own_topic():
    text = example_site("curlew-yard").read_text()
    text = text.replace('name = "air-lemon"\n', 'name = "air-lemon"\ntopic = "shed/7"\npointer = "/t/v"\n')
    inbound = Inbound(parse_site(text))
    heard = inbound.event(Message("shed/7", b'{"t": {"v": 2.5}}'))
    assert heard == ProbeHeard(probe="air-lemon", temp_c=2.5)


@pytest.mark.parametrize(
    ("topic", "field", "said"),
    [
        (TOPICS.hand("1"), "version", {"who": "N", "all": True, "order": "hand-on", "until": UNTIL}),
        (TOPICS.confirm("1"), "version", {"who": "N", "all": True, "what": "covered", "at": UNTIL}),
        (TOPICS.echo("east"), "seq", {"boot": "b"}),
    ],
)
def test_whole_numbers_are_those_that_json_and_the_journal_hold(topic, field, said):
    assert event(topic, {**said, field: 2**53 - 1}) is not None
    expected = f"{field}: Input should be less than or equal to {2**53 - 1}"
    assert refusal(topic, json.dumps({**said, field: 2**53}).encode()) == expected


def test_a_person_s_time_in_another_zone_is_taken_in_utc():
    time = "2027-01-15T00:00:00+01:00"
    order = event(TOPICS.hand("1"), {"who": "N", "all": True, "order": "hand-on", "until": time}).order
    word = event(TOPICS.confirm("1"), {"who": "N", "all": True, "what": "covered", "at": time}).confirmation
    assert f"{order.until:%d %H:%M}" == f"{word.at:%d %H:%M}" == "14 23:00"


# ---- times at the ends of the calendar ----------------------------------------------------------------

ENDS_OF_THE_CALENDAR = [
    "0001-01-01T00:00:00+14:00",
    "0001-01-01T00:00:00Z",
    "9999-12-31T20:00:00Z",
    "9999-12-31T23:59:59-14:00",
]
WORDS = [
    (TOPICS.hand("1"), {"order": "hand-on"}, "until"),
    (TOPICS.hand("1"), {"order": "auto"}, "until"),
    *((TOPICS.confirm("1"), {"what": what}, "at") for what in ("covered", "vents-shut", "harvested")),
]


@pytest.mark.parametrize("time", [*ENDS_OF_THE_CALENDAR, "1969-12-31T23:59:59Z", "2200-01-01T00:00:00Z"])
@pytest.mark.parametrize(("topic", "word", "field"), WORDS)
def test_a_person_s_time_that_cannot_be_reckoned_with_is_refused_and_said(topic, word, field, time):
    payload = json.dumps({"who": "Nora", "all": True, **word, field: time}).encode()
    came = time.replace("Z", "+00:00")
    assert refusal(topic, payload) == f"{field}: a time from 1970 until 2200 was expected, not {came}"


@pytest.mark.parametrize("clock_trusted", [True, False])
@pytest.mark.parametrize(
    "time", ["1970-01-01T00:00:00Z", "1969-12-31T19:30:00-05:00", "2199-12-31T23:59:59Z"]
)
@pytest.mark.parametrize(("topic", "word", "field"), WORDS)
def test_a_person_whose_clock_was_never_set_or_runs_far_off_is_answered(
    topic, word, field, time, clock_trusted
):
    heard = event(topic, {"who": "Nora", "all": True, **word, field: time})
    _, (action,) = handle(begin(SITE, "s1"), heard, at(1.0, clock_trusted=clock_trusted))
    assert action.answer.because
    assert action.answer.accepted or clock_trusted


@pytest.mark.parametrize("time", ENDS_OF_THE_CALENDAR)
def test_a_reading_from_the_ends_of_the_calendar_is_no_evidence(time):
    state = begin(SITE, "s1")
    for second in range(10):
        heard = event(TOPICS.probe("air-lemon"), {"temp_c": 8.0 + second / 100, "at": time})
        state, _ = handle(state, heard, at(second))
        state, _ = handle(state, Tick(), at(second))
    assert state.heat["lemon"].active


# ---- ten thousand malformed payloads on every topic the controller hears ------------------------------

EVERY_TOPIC = [TOPICS.probe("air-lemon"), TOPICS.echo("east"), TOPICS.alive("east"), TOPICS.hand("1")]


def test_malformed_payloads_raise_nothing_and_rest_no_heater(malformed):
    inbound = Inbound(SITE)
    tally = {"heard": 0, "refused": 0}
    for payload in malformed:
        for topic in EVERY_TOPIC:
            heard = inbound.event(Message(topic, payload))
            tally["refused" if heard is None else "heard"] += 1
            if heard is not None:
                assert_nothing_rests(heard)
    assert tally["refused"] > 30_000
    assert tally["heard"] > 10


def assert_nothing_rests(heard):
    """Nothing sound has been heard of any tree: whatever this event is, every heater stays on."""
    state = begin(SITE, "s1")
    for board in SITE.boards:
        state, _ = handle(state, EchoHeard(board=board.name, boot="b", session="s1", seq=0, on=()), at(0.0))
    state, _ = handle(state, heard, at(1.0))
    state, actions = handle(state, Tick(), at(2.0))
    for action in actions:
        if isinstance(action, GiveLease):
            assert action.lease.off == () or _is_warm_lemon(heard, action.lease.off)


def _is_warm_lemon(heard, off):
    """A generated reading may by chance be sound and warm: then it rests that tree's own string only."""
    return isinstance(heard, ProbeHeard) and 1.0 < heard.temp_c <= HIGHEST_TEMP_C and off == ("4",)


def test_a_word_that_something_was_done():
    given = {"who": "Nora", "what": "covered", "all": True, "at": DUSK.isoformat()}
    heard = event(TOPICS.confirm("9"), given)
    assert isinstance(heard, Confirmed)
    word = heard.confirmation
    assert (word.id, word.what, word.target_kind, word.target, word.at) == (
        "9",
        Work.COVERED,
        "all",
        "all",
        DUSK,
    )
    back = event(
        TOPICS.confirm("10"), {"who": "Nora", "what": "taken-back", "of": "9", "at": DUSK.isoformat()}
    )
    assert (back.confirmation.what, back.confirmation.of) == (Work.TAKEN_BACK, "9")


@pytest.mark.parametrize(
    "wrong",
    [
        {"what": "covered"},
        {"what": "covered", "tree": "lemon", "all": True},
        {"what": "covered", "tree": "lemon", "of": "9"},
        {"what": "taken-back", "all": True},
        {"what": "pruned", "all": True},
    ],
)
def test_a_word_that_says_too_little_or_two_things_is_refused(wrong):
    assert event(TOPICS.confirm("9"), {"who": "Nora", "at": DUSK.isoformat(), **wrong}) is None
