"""A freak night, whole: an alarm, the mail that is really sent, its link, one thumb, log-in, heat proven on.

Guard, alarm desk, courier, journal and page are the real ones, and so are the mail server (aiosmtpd, an
independent SMTP server, RFC 5321) and the browser.  The bus is a call, and a clock of the test's own moves.
"""

import re
import socket
import time
from contextlib import closing, contextmanager, suppress

import pytest

from controller.alarm.desk import Desk
from controller.alarm.engine import Situation
from controller.alarm.status import alarms_for_status
from controller.bus.inbound import Inbound
from controller.bus.messages import AnswerPayload
from controller.bus.outbound import answer_payload, status_of
from controller.bus.transport import Message
from controller.errors import JournalError
from controller.guard.decision import Reason
from controller.guard.events import Decide, Reply
from controller.journal.store import open_for_reading
from controller.journal.writer import Journal
from controller.site.load import example_site, parse_site
from tests.alarm.test_ways import Box, start
from tests.phone.conftest import served
from tests.phone.test_browser import CHROMIUM, RULES, axe, browser, keep, lower_edge, open_page, sync_api  # noqa: F401

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium"),
    pytest.mark.timeout(180),
]
PASSWORD = "satsumas in snow"
LINK = re.compile(r"^(Heat everything now|I have it): (http://\S+)$", re.MULTILINE)


def site_with(page_address, mail_port):
    """Return the example site, its alarms told by mail to this machine."""
    told = f"""
[alarm]
page = "{page_address}"
[[alarm.mail]]
name = "nora"
host = "127.0.0.1"
port = {mail_port}
security = "none"
sender = "frost@curlew-yard.example"
to = ["nora@curlew-yard.example"]
"""
    return parse_site(example_site("curlew-yard").read_text() + told)


class Yard:
    """Guard, desk and journal of a yard, and what its boards and probes do."""

    def __init__(self, drive, page, site):
        self.drive, self.page, self.site = drive, page, site
        self.journal = Journal(page.store_folder / "journal.db")
        self.desk = Desk(site, self.journal, page.clock, self.publish)
        self.inbound = Inbound(site)
        page.guard = self.take
        drive.boards_answer = False  # they answer below, with what they really do

    def publish(self, topic, payload):
        """Carry what the desk says to the page."""
        self.page.watch.hear(Message(topic, payload))

    def take(self, topic, payload):
        """Let the guard, or the desk, take what the page sends, as the daemon does, and answer."""
        message = Message(topic, payload)
        if self.desk.is_for_desk(topic):
            self.desk.hear(message)
            self.desk.step()
            self.tell_page()
            return
        for action in self.drive.tell(self.inbound.event(message)):
            if isinstance(action, Reply):
                answer: AnswerPayload = answer_payload(action)
                self.publish(self.page.topics.answer(answer.order), answer.to_json())
        self.tell_page()

    def go(self, minutes, **changes_k):
        """Let time pass: boards do as they are told, and each probe moves by so many kelvins altogether."""
        steps = round(minutes * 6)
        for _ in range(steps):
            for probe, change_k in changes_k.items():
                self.drive.temps_c[probe.replace("_", "-")] += change_k / steps
            for action in self.drive.step():
                if isinstance(action, Decide):
                    self.journal.put_decision(action.decision)
            self.page.clock.s = self.drive.mono_s
            for name, temp_c in self.drive.temps_c.items():
                self.journal.put_reading(name, self.drive.now.utc, temp_c)
            for board in self.drive.state.rules.boards:
                on = tuple(c for c, tree in board.trees.items() if self.drive.tree(tree).active)
                self.drive.echo(board.name, on=on)
            self.desk.leave(Situation(findings=self.drive.state.found, proven=self.drive.state.proven))
            self.desk.step()
        self.desk.courier.round()
        while not self.is_written():
            time.sleep(0.05)
        self.tell_page()

    def is_written(self):
        """Tell whether the journal's own thread has written the latest reading."""
        with suppress(JournalError), closing(open_for_reading(self.journal.path)) as connection:
            ((at_s,),) = connection.execute("SELECT max(at_s) FROM reading")
            return at_s == self.drive.now.utc.timestamp()
        return False

    def tell_page(self):
        """Publish the status."""
        shown = alarms_for_status(self.desk.shown)
        fruit_c = {tree: decision.temp_c for tree, decision in self.drive.state.heat.items()}
        self.page.hear(status_of(self.drive.state, self.drive.now, fruit_c=fruit_c, alarms=shown))


@contextmanager
def a_yard(page, drive, tmp_path):
    """Yield the yard, its page's address and the box that its mail goes to."""
    box = Box()
    server, mail_port = start(box)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    try:
        page.store_folder = tmp_path
        yard = Yard(drive, page, site_with(f"http://127.0.0.1:{port}", mail_port))
        yard.journal.start()
        with served(page, port=port) as address:
            yield yard, address, box
        yard.journal.stop()
    finally:
        server.stop()


def links_in(mail):
    """Return the links of a mail by what it says of them."""
    return dict(LINK.findall(mail.get_content().replace("\r\n", "\n")))


@pytest.mark.parametrize(("size", "scheme"), [("phone", "dark"), ("screen", "light")])
def test_from_the_mail_to_heat_proven_on(page, drive, open_page, tmp_path, monkeypatch, size, scheme):  # noqa: F811
    monkeypatch.setattr("controller.phone.screen.READ_EVERY_S", 0.0)  # this clock runs faster than the wall's
    page.store.set_password(PASSWORD)
    with a_yard(page, drive, tmp_path) as (yard, address, box):
        # the wind takes the lemon's fleece, and its air falls faster than its strings can warm
        yard.go(20, outside=-9.0, house=-6.5)
        assert box.mail == [], "nothing is wrong yet"
        yard.go(20, outside=-5.0, house=-4.0, air_lemon=-12.0)
        assert drive.tree("lemon").active, "the guard has long heated it"
        assert drive.tree("yuzu").reason is Reason.NEIGHBOUR_IN_DANGER, "so are the others, for its sake"
        _, mail = box.mail  # heat without effect, then fruit in danger
        assert "lemon" in mail["Subject"]
        links = links_in(mail)
        assert links["Heat everything now"].startswith(f"{address}/tap/")

        tab = open_page(links["Heat everything now"], size, scheme)
        assert "Heat everything for 8 h from now, as nora?" in tab.inner_text("main")
        assert not drive.state.orders, "looking at a link does nothing: a mail program may do so"
        assert axe.Axe().run(tab, options=RULES).response["violations"] == []
        keep(tab, f"story-1-link-{size}-{scheme}")
        with tab.expect_navigation():
            tab.get_by_role("button", name="YES, HEAT").click()
        assert "Done: Heat everything." in tab.inner_text("#said")
        yard.go(1)
        assert drive.tree("yuzu").reason is Reason.HAND_ON
        keep(tab, f"story-2-done-{size}-{scheme}")

        with tab.expect_navigation():
            tab.get_by_role("link", name="Back to the trees").click()
        tab.fill("#who", "Nora")
        tab.fill("#password", PASSWORD)
        with tab.expect_navigation():
            tab.get_by_role("button", name="Let me in").click()
        assert "Go and look now: lemon." in tab.inner_text("#say")
        assert "Heat everything until" in tab.inner_text("#thumb")
        assert "by nora" in tab.inner_text("#thumb")
        if size == "phone":
            assert lower_edge(tab.get_by_role("button", name="HEAT ALL")) < 740, "in the first look"

        yard.go(
            25,
            air_lemon=2.0,
            air_yuzu=1.5,
            air_satsuma_door=1.5,
            air_satsuma_middle=1.5,
            air_satsuma_back=1.5,
        )
        trees = {tree.name: len(tree.strings) for tree in yard.site.trees}
        for tree, strings in trees.items():
            assert drive.tree(tree).active
            proof = tab.locator("#trees li.tree").filter(has_text=tree).locator(".proof").first
            sync_api.expect(proof).to_contain_text(f"{strings} of {strings} strings report on; air +")
        assert axe.Axe().run(tab, options=RULES).response["violations"] == []
        keep(tab, f"story-3-proven-{size}-{scheme}")
        assert tab.complaints == []


def test_a_mails_links_are_good_once_and_one_says_i_have_it(page, drive, open_page, tmp_path):  # noqa: F811
    page.store.set_password(PASSWORD)
    with a_yard(page, drive, tmp_path) as (yard, _, box):
        yard.go(20, outside=-9.0, house=-6.5)
        yard.go(20, outside=-5.0, house=-4.0, air_lemon=-12.0)
        _, mail = box.mail  # heat without effect, then fruit in danger
        tab = open_page(links_in(mail)["I have it"])
        assert "nora has the alarm and goes to look?" in tab.inner_text("main")
        with tab.expect_navigation():
            tab.get_by_role("button", name="I HAVE IT").click()
        assert "You have it" in tab.inner_text("#said")
        keep(tab, "story-have-it")
        yard.go(16)  # an alarm of this kind is told every 15 min while nobody has it
        assert [mail["Subject"] for mail in box.mail].count(mail["Subject"]) == 1
        tab.goto(links_in(mail)["I have it"])
        assert "This link was used before" in tab.inner_text("main")
        keep(tab, "story-link-used")
