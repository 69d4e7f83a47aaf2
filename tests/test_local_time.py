"""Times of a sentence, in the place's own."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from controller.local_time import clock, localised

# Auckland is 13 h ahead of UTC in January (IANA tz database): Thursday 17:00 UTC is Friday 06:00 there
NOW = datetime(2027, 1, 14, 17, 0, tzinfo=UTC)
AUCKLAND = ZoneInfo("Pacific/Auckland")


@pytest.mark.parametrize(
    ("said", "read"),
    [
        ("heat until 18:30 UTC", "heat until 07:30"),
        ("heat until 03:00 UTC", "heat until 16:00"),
        ("down at Thu 16:00 UTC", "down at 05:00"),
        ("down at Fri 23:00 UTC", "down at Sat 12:00"),
        ("since Tue 20:00 UTC", "since Wed 09:00"),
        ("between Thu 18:25 UTC and Sat 08:05 UTC, about", "between 07:25 and Sat 21:05, about"),
        ("until 2027-01-17 18:30 UTC, so", "until Mon 07:30, so"),
        ("until 2027-02-30 18:30 UTC", "until 2027-02-30 18:30 UTC"),
        ("at 25:00 UTC, 18:30 here", "at 25:00 UTC, 18:30 here"),
    ],
)
def test_a_sentence_s_times_become_the_place_s_own(said, read):
    assert localised(said, NOW, AUCKLAND) == read


def test_a_weekday_is_the_nearest_one():
    for days in range(-3, 4):
        at = NOW + timedelta(days=days)
        assert localised(f"{at:%a %H:%M} UTC", NOW, AUCKLAND) == clock(at, NOW, AUCKLAND)


def test_twelve_hours_where_wanted():
    assert localised("until 18:30 UTC", NOW, AUCKLAND, twelve_hours=True) == "until 7:30 am"
