"""`rimeward hand`, with the real messages, the real keeper and a bus in place of a broker."""

from datetime import UTC, datetime, timedelta
from threading import Event
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from controller.bus import ask
from controller.bus.inbound import Inbound
from controller.bus.messages import HandPayload, StatusPayload, read
from controller.bus.mqtt import MqttTransport
from controller.bus.outbound import send, status_of
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.cli import main
from controller.cli.hand import _next_time
from controller.errors import OrderError
from controller.guard.decision import Reason
from controller.guard.hand import Order
from controller.site.load import example_site
from controller.site.model import Broker
from tests.conftest import DUSK

SITE = str(example_site("curlew-yard"))


class Bus:
    """Both ends of the bus in one: what a command publishes, the keeper hears and answers at once."""

    trouble = ""

    def __init__(self, drive, *, answers=True, speaks=True):
        self.drive, self.answers, self.speaks = drive, answers, speaks
        self.inbound, self.topics = Inbound(drive.site), Topics("curlew-yard")

    def __call__(self, _broker, _client, _filters, listener, **_):
        self.listener = listener
        return self

    def start(self):
        if self.speaks:
            body = status_of(self.drive.state, self.drive.now).to_json()
            self.listener(Message(self.topics.status, body, retained=True))

    def close(self):
        pass

    def publish(self, topic, payload, **_):
        if not topic.startswith(self.topics.hand("")):
            self.listener(Message(topic, payload))
        elif self.answers and (event := self.inbound.event(Message(topic, payload))):
            for action in self.drive.tell(event):
                send(action, self.topics, self)


@pytest.fixture
def bus(drive, monkeypatch):
    drive.step()
    bus = Bus(drive)
    monkeypatch.setattr(ask, "MqttTransport", bus)
    return bus


def hand(*words, site=SITE):
    return CliRunner().invoke(main, ["hand", words[0], "--site", str(site), "--who", "Nora", *words[1:]])


def test_an_order_is_taken_answered_and_acts(bus, drive):
    result = hand("on", "--tree", "lemon", "--hours", "2")
    assert result.exit_code == 0, result.output
    assert "taken: lemon is heated by hand until 19:00\n" in result.output
    drive.step()
    assert drive.tree("lemon").reason is Reason.HAND_ON
    assert drive.state.orders["tree", "lemon"].order.version == 1


def test_the_answer_s_times_are_the_site_s_own(bus, tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(example_site("curlew-yard").read_text().replace("Europe/Dublin", "Europe/Madrid"))
    # it is 18:00 in Madrid, an hour ahead of UTC in January (IANA tz database)
    result = hand("on", "--tree", "lemon", "--until", "19:30", site=site)
    assert "taken: lemon is heated by hand until 19:30\n" in result.output


def test_an_order_can_be_taken_back_and_what_stood_before_stands_again(bus, drive):
    assert hand("on", "--tree", "lemon", "--hours", "3").exit_code == 0
    result = hand("off", "--all", "--hours", "1")
    assert "where fruit is lost it is heated all the same\n" in result.output
    number = result.output.split("--of ")[1].strip()
    drive.step()
    assert drive.tree("lemon").reason is Reason.HAND_OFF
    back = hand("back", "--of", number)
    assert (back.exit_code, back.output) == (0, "taken: taken back; what stands: lemon is heated by hand\n")
    drive.step()
    assert drive.tree("lemon").reason is Reason.HAND_ON
    assert drive.tree("yuzu").reason is not Reason.HAND_OFF
    again = hand("back", "--of", number)
    assert again.exit_code == 3
    assert "REFUSED: only the latest order can be taken back" in again.output


def test_off_says_the_words_that_would_lose_the_fruit(bus, drive):
    result = hand("off", "--tree", "yuzu", "--hours", "1")
    assert "it is heated all the same, unless the order says 'let the yuzu go'" in result.output
    wrong = hand("off", "--tree", "yuzu", "--hours", "1", "--consent", "yes")
    assert wrong.exit_code == 3
    assert "to lose this tree's fruit on purpose, say 'let the yuzu go'" in wrong.output
    meant = hand("off", "--tree", "yuzu", "--hours", "1", "--consent", "let the yuzu go")
    assert meant.exit_code == 0
    assert "its fruit may freeze" in meant.output
    assert drive.state.orders["tree", "yuzu"].order.lets_go


@pytest.mark.fault("U04")
def test_somebody_else_s_order_meanwhile_is_not_overwritten_unseen(bus, drive):
    assert hand("on", "--tree", "lemon", "--hours", "1").exit_code == 0
    seen = status_of(drive.state, drive.now)
    assert hand("on", "--tree", "lemon", "--hours", "2").exit_code == 0
    bus.start = lambda: bus.listener(Message(bus.topics.status, seen.to_json(), retained=True))
    result = hand("auto", "--tree", "lemon")
    assert result.exit_code == 3
    assert "version 2 already stands; look again" in result.output


@pytest.mark.parametrize("target", [("--tree", "lemon"), ("--all",)])
def test_an_order_is_taken_after_one_that_was_ended_or_has_run_out(bus, drive, target):
    assert hand("on", *target, "--hours", "1").exit_code == 0
    assert hand("auto", *target).exit_code == 0
    assert hand("auto", *target).exit_code == 0
    assert hand("on", *target, "--hours", "1").exit_code == 0
    drive.step(3700.0)
    again = hand("on", *target, "--hours", "1")
    assert again.exit_code == 0, again.output


def test_a_status_as_long_as_on_the_worst_night_is_heard_from_a_real_broker(mosquitto, drive, monkeypatch):
    site = drive.site.model_copy(update={"broker": Broker(host="127.0.0.1", port=mosquitto.port)})
    drive.step()
    status = status_of(drive.state, drive.now).model_copy(update={"notices": ("x" * 150,) * 60})
    topic, up = Topics(site.name).status, Event()
    teller = MqttTransport(site.broker, "teller", (), lambda _message: None, on_up=up.set)
    teller.start()
    assert up.wait(10.0)
    teller.publish(topic, status.to_json(), retain=True)
    monkeypatch.setattr(ask, "STATUS_WITHIN_S", 10.0)
    monkeypatch.setattr(ask, "ANSWER_S", 0.2)
    wish = HandPayload(who="Nora", tree="lemon", order="hand-on", until=DUSK + timedelta(hours=1))
    with pytest.raises(OrderError, match="no answer came"):  # so the status had come
        ask.order_by_hand(site, lambda _at: wish)
    teller.close()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["on", "--hours", "1"], "one of them"),
        (["on", "--tree", "lemon", "--all", "--hours", "1"], "one of them"),
        (["on", "--tree", "lemon"], "every order has an end"),
        (["on", "--tree", "lemon", "--until", "soon"], "expected a time of day such as 07:30"),
        (["back"], "name the order to take back"),
    ],
)
def test_an_order_that_says_too_little_is_not_sent(bus, drive, words, says):
    result = hand(*words)
    assert result.exit_code == 2
    assert says in result.output
    assert drive.state.orders == {}


def test_a_vent_is_ordered_too(bus, drive):
    assert hand("on", "--vent", "gable-fan", "--until", "23:15").exit_code == 0
    standing = drive.state.orders["vent", "gable-fan"].order
    assert standing.order is Order.HAND_ON
    assert standing.until == datetime(2027, 1, 14, 23, 15, tzinfo=UTC)


def test_no_answer_and_no_status_are_said_and_are_no_success(bus, monkeypatch):
    monkeypatch.setattr(ask, "ANSWER_S", 0.05)
    monkeypatch.setattr(ask, "STATUS_WITHIN_S", 0.05)
    bus.answers = False
    result = hand("on", "--all", "--hours", "1")
    assert result.exit_code == 1
    assert "whether it was taken is not known" in result.output
    bus.speaks = False
    result = hand("on", "--all", "--hours", "1")
    assert result.exit_code == 1
    assert "so nothing was ordered" in result.output


def test_a_time_of_day_is_the_next_one_in_the_site_s_zone():
    zone = ZoneInfo("Europe/Dublin")
    at = datetime(2027, 7, 1, 20, 0, tzinfo=UTC)  # 21:00 in Ireland
    assert _next_time(datetime(2000, 1, 1, 22, 0).time(), zone, at) == at.replace(hour=21)
    assert _next_time(datetime(2000, 1, 1, 7, 30).time(), zone, at) == datetime(2027, 7, 2, 6, 30, tzinfo=UTC)


def test_the_status_tells_the_version_and_what_is_let_go(bus, drive):
    hand("off", "--tree", "yuzu", "--hours", "1", "--consent", "LET the  yuzu go")
    status = read(StatusPayload, status_of(drive.state, drive.now).to_json())
    (order,) = status.orders
    assert (order.version, order.lets_go, order.ends_at.date()) == (1, True, DUSK.date())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("on", "--all", "--hours", "1", "--who", ""), "--who: expected some characters, but none came"),
        (("on", "--tree", 65 * "x", "--hours", "1"), "--tree: expected at most 64 characters, but 65 came"),
        (("on", "--vent", "", "--hours", "1"), "--vent: expected some characters, but none came"),
        (("back", "--of", 65 * "x"), "--of: expected at most 64 characters, but 65 came"),
        (
            ("off", "--all", "--hours", "1", "--consent", 81 * "x"),
            "--consent: expected at most 80 characters",
        ),
    ],
)
def test_words_that_no_order_can_hold_are_refused_by_their_option(bus, words, says):
    """Before anything is sent, and without a word for programmers."""
    result = CliRunner().invoke(main, ["hand", *words, "--site", SITE])
    assert result.exit_code == 2
    assert says in " ".join(result.output.split())
    assert bus.drive.state.orders == {}
