"""What the page hears, and how it tells old words from new ones."""

from controller.bus.messages import AnswerPayload
from controller.bus.transport import Message
from controller.phone.watch import MOST_ANSWERS
from tests.phone.conftest import status_for


def test_a_fresh_word_ages_on_the_clock(page, drive):
    page.clock.s = drive.mono_s + 180.0
    page.hear(status_for(drive))
    page.clock.s += 50.0
    assert page.watch.heard.age_s(page.clock) == 50.0
    assert page.watch.heard.number == 1


def test_a_kept_word_is_as_old_as_it_says(page, drive):
    status = status_for(drive)
    page.clock.s = drive.mono_s + 600.0
    page.hear(status, retained=True)
    assert page.watch.heard.age_s(page.clock) == 600.0


def test_rubbish_is_counted_and_changes_nothing(page, drive):
    page.hear(status_for(drive))
    for topic in (page.topics.status, page.topics.answer("x")):
        page.watch.hear(Message(topic, b"{]"))
    page.watch.hear(Message("something/else", b"{}"))
    assert page.watch.refused == 2
    assert page.watch.heard.number == 1


def test_answers_are_kept_a_while_and_never_taken_from_the_brokers_memory(page):
    def answer(order, *, retained=False):
        payload = AnswerPayload(order=order, accepted=True, because="so")
        page.watch.hear(Message(page.topics.answer(order), payload.to_json(), retained=retained))

    answer("old", retained=True)
    assert page.watch.answer("old") is None
    for n in range(MOST_ANSWERS + 1):
        answer(f"o{n}")
    assert page.watch.answer("o0") is None
    assert page.watch.answer("o1").because == "so"
