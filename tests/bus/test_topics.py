import pytest

from controller.bus.topics import Topics, check_filter, check_topic, matches

# The examples of the OASIS MQTT 5.0 specification, sections 4.7.1.2, 4.7.1.3 and 4.7.2.
SELECTED = [
    ("sport/tennis/player1/#", "sport/tennis/player1"),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking"),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
    ("sport/#", "sport"),
    ("#", "sport/tennis"),
    ("sport/tennis/+", "sport/tennis/player1"),
    ("sport/tennis/+", "sport/tennis/player2"),
    ("sport/+", "sport/"),
    ("+", "sport"),
    ("+/tennis/#", "sport/tennis/player1"),
    ("sport/+/player1", "sport/tennis/player1"),
    ("+/+", "/finance"),
    ("/+", "/finance"),
    ("$SYS/#", "$SYS/monitor/Clients"),
    ("$SYS/monitor/+", "$SYS/monitor/Clients"),
]
PASSED_OVER = [
    ("sport/tennis/+", "sport/tennis/player1/ranking"),
    ("sport/+", "sport"),
    ("+", "/finance"),
    ("#", "$SYS/monitor/Clients"),
    ("+/monitor/Clients", "$SYS/monitor/Clients"),
    # Section 4.7.3: case counts, and so does a leading or trailing slash.
    ("ACCOUNTS", "Accounts"),
    ("finance", "/finance"),
    ("sport/tennis", "sport"),
]


@pytest.mark.parametrize(("topic_filter", "topic"), SELECTED)
def test_filter_selects(topic_filter, topic):
    assert matches(topic_filter, topic)


@pytest.mark.parametrize(("topic_filter", "topic"), PASSED_OVER)
def test_filter_passes_over(topic_filter, topic):
    assert not matches(topic_filter, topic)


@pytest.mark.parametrize("topic_filter", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b"])
def test_invalid_filter_is_refused(topic_filter):
    with pytest.raises(ValueError, match="topic"):
        check_filter(topic_filter)


@pytest.mark.parametrize("topic", ["", "a/+", "a/#", "a\0", "a" * 65_536])
def test_invalid_topic_is_refused(topic):
    with pytest.raises(ValueError, match="topic"):
        check_topic(topic)


@pytest.mark.parametrize("topic", ["/", "Accounts payable", "a" * 65_535])
def test_odd_topic_is_allowed(topic):
    check_topic(topic)


def test_topics_of_a_site_are_all_different_and_valid():
    topics = Topics("curlew-yard")
    made = [
        topics.probe("p"), topics.power("p"), topics.lease("p"), topics.echo("p"), topics.alive("p"),
        topics.ping("p"), topics.decision("p"), topics.status, topics.hand("p"), topics.answer("p"),
    ]  # fmt: skip
    assert len(set(made)) == len(made)
    for topic in made:
        check_topic(topic)
        assert topic.startswith("rimeward/1/curlew-yard/")


def test_controller_hears_what_others_say_and_of_its_own_words_only_leases():
    topics = Topics("curlew-yard")
    for topic_filter in topics.heard_by_controller:
        check_filter(topic_filter)

    def heard(topic):
        return any(matches(topic_filter, topic) for topic_filter in topics.heard_by_controller)

    assert all(heard(t) for t in (topics.probe("a"), topics.power("a"), topics.echo("a"), topics.hand("a")))
    assert heard(topics.lease("a")), "to tell when somebody else gives any"
    assert not any(heard(t) for t in (topics.status, topics.decision("a"), topics.answer("a")))
    assert not heard(Topics("other").probe("a"))
