"""How often something may be tried."""

from controller.phone.rate import MOST_KEYS, Rate


def test_five_a_minute_and_then_again_later():
    rate = Rate(5, 60.0)
    assert [rate.allows("a", t) for t in range(7)] == [True] * 5 + [False] * 2
    assert not rate.allows("a", 59.9)
    assert rate.allows("a", 60.0)
    assert rate.allows("b", 10.0), "another counts for itself"


def test_all_together_but_never_those_apart():
    rate = Rate(5, 60.0, 8, frozenset({"127.0.0.1"}))
    assert sum(rate.allows(f"10.0.0.{n}", 0.0) for n in range(20)) == 8
    assert rate.allows("127.0.0.1", 0.0), "the console is not shut out by others"


def test_ten_thousand_addresses_are_not_remembered_for_ever():
    rate = Rate(5, 60.0)
    for n in range(10_000):
        rate.allows(str(n), float(n))
    assert len(rate._tries) == MOST_KEYS
