"""The outbox: the worst first, again after a while, and never without bound."""

from datetime import UTC, datetime, timedelta

from controller.alarm.outbox import FIRST_RETRY_S, KEEP, LONGEST_RETRY_S, MOST_WAITING, Outbox
from controller.journal.parcel import Parcel

NIGHT = datetime(2027, 1, 15, 3, 30, tzinfo=UTC)


def parcel(number, severity=3, minutes=0.0):
    made_at = NIGHT + timedelta(minutes=minutes)
    return Parcel(
        id=str(number), way="nora", kind="alarm", severity=severity, subject="s", text="t", made_at=made_at
    )


def box(*parcels):
    outbox = Outbox()
    for each in parcels:
        outbox, given_up = outbox.with_parcel(each)
        assert given_up == ()
    return outbox


def test_the_worst_and_then_the_oldest_is_tried_first():
    outbox = box(parcel(1), parcel(2, 4, 5.0), parcel(3, 4), parcel(4, 2))
    assert [each.id for each in outbox.due(0.0)] == ["3", "2", "1", "4"]


def test_a_refused_one_waits_twice_as_long_each_time_up_to_half_an_hour():
    outbox, waits = box(parcel(1)), []
    now_s = 0.0
    for _ in range(9):
        (each,) = outbox.due(now_s)
        outbox = outbox.failed(each, now_s, 0.5)
        waits.append(outbox.parcels["1"].next_s - now_s)
        assert outbox.due(now_s + waits[-1] - 1.0) == ()
        now_s += waits[-1]
    assert waits[:4] == [FIRST_RETRY_S, 60.0, 120.0, 240.0]
    assert waits[-1] == LONGEST_RETRY_S
    assert outbox.parcels["1"].attempts == 9


def test_chance_spreads_the_next_attempt_by_a_fifth_either_way():
    waits = [box(parcel(1)).failed(parcel(1), 0.0, chance).parcels["1"].next_s for chance in (0.0, 1.0)]
    assert waits == [0.8 * FIRST_RETRY_S, 1.2 * FIRST_RETRY_S]


def test_a_full_outbox_gives_up_the_least_and_oldest():
    outbox = box(*(parcel(n, 3, n) for n in range(MOST_WAITING)))
    outbox, given_up = outbox.with_parcel(parcel("worst", 4))
    assert [each.id for each in given_up] == ["0"]
    assert len(outbox.parcels) == MOST_WAITING
    assert outbox.due(0.0)[0].id == "worst"


def test_what_is_a_day_old_is_not_worth_sending():
    outbox = box(parcel(1), parcel(2, minutes=60.0))
    assert outbox.too_old(NIGHT + KEEP) == ()
    assert [each.id for each in outbox.too_old(NIGHT + KEEP + timedelta(minutes=1))] == ["1"]
    assert list(outbox.without(parcel(1)).parcels) == ["2"]
