"""Answers wait until the order is kept, and not for ever."""

import pytest

from controller.bus.answers import KEPT_WITHIN_S, MOST_WAITING, NOT_KEPT, Answers
from controller.bus.messages import AnswerPayload

TAKEN = AnswerPayload(order="o1", accepted=True, because="lemon is heated by hand")


@pytest.fixture
def sent():
    return []


@pytest.fixture
def answers(sent):
    return Answers(sent.append)


def test_an_answer_comes_once_its_order_is_kept(answers, sent):
    then = answers.expect(TAKEN, 0.0)
    assert sent == []
    then(True)
    then(False)
    assert sent == [TAKEN]
    assert answers.wait_s(0.0) == float("inf")


def test_what_could_not_be_kept_is_said(answers, sent):
    answers.expect(TAKEN, 0.0)(False)
    assert [each.because for each in sent] == ["lemon is heated by hand" + NOT_KEPT]


@pytest.mark.fault("D09")
def test_a_disk_that_stalls_delays_an_answer_by_two_seconds(answers, sent, met):
    answers.expect(TAKEN, 10.0)
    assert answers.wait_s(10.5) == KEPT_WITHIN_S - 0.5
    answers.send_overdue(11.9)
    assert sent == []
    answers.send_overdue(12.0)
    assert sent[0].because.endswith(NOT_KEPT)
    met(reaction=12.0 - 10.0, alarm="none: the answer says that it is not kept, and nothing else waits")


@pytest.mark.fault("N04")
def test_a_flood_of_orders_is_answered_without_waiting(answers, sent):
    for n in range(MOST_WAITING + 5):
        answers.expect(TAKEN.model_copy(update={"order": str(n)}), 0.0)
    assert len(sent) == 5
