import pytest

from controller.bus.memory import MemoryBus
from controller.bus.transport import Message


class Ear:
    """A listener that notes what it hears."""

    def __init__(self):
        self.heard = []

    def __call__(self, message):
        self.heard.append(message)

    @property
    def payloads(self):
        return [message.payload for message in self.heard]


def pair(filters=("a/#",), **options):
    bus, ear = MemoryBus(), Ear()
    speaker = bus.connect("speaker", (), Ear())
    hearer = bus.connect("hearer", filters, ear, **options)
    bus.deliver()
    return bus, speaker, hearer, ear


def test_message_reaches_only_those_subscribed_and_only_on_deliver():
    bus, speaker, _, ear = pair(filters=("a/+",))
    speaker.publish("a/1", b"one")
    speaker.publish("b/1", b"two")
    assert ear.heard == []
    assert bus.deliver() == 1
    assert ear.heard == [Message("a/1", b"one", retained=False)]


def test_overlapping_filters_bring_a_message_once():
    bus, speaker, _, ear = pair(filters=("a/1", "a/+", "#"))
    speaker.publish("a/1", b"one")
    bus.deliver()
    assert ear.payloads == [b"one"]


def test_order_is_kept_and_answers_come_in_the_same_deliver_without_reentrancy():
    bus = MemoryBus()
    order, depth = [], []

    def answering(message):
        assert not depth, "called from inside a listener"
        depth.append(1)
        order.append(message.payload)
        if message.payload == b"q1":
            client.publish("in", b"answer")
        depth.pop()

    client = bus.connect("client", ("in",), answering)
    client.publish("in", b"q1")
    client.publish("in", b"q2")
    assert bus.deliver() == 3
    assert order == [b"q1", b"q2", b"answer"]


def test_endless_exchange_is_stopped():
    bus = MemoryBus()
    client = bus.connect("client", ("in",), lambda message: client.publish("in", message.payload))
    client.publish("in", b"x")
    with pytest.raises(RuntimeError, match="endless"):
        bus.deliver(most=50)


def test_full_queue_loses_the_oldest_and_counts_it():
    bus, ear = MemoryBus(longest_queue=3), Ear()
    client = bus.connect("client", ("in",), ear)
    for number in range(5):
        client.publish("in", b"%d" % number)
    bus.deliver()
    assert ear.payloads == [b"2", b"3", b"4"]
    assert bus.lost == 2


def test_time_does_not_run_backwards():
    bus = MemoryBus()
    bus.advance(5.0)
    with pytest.raises(ValueError, match="forward"):
        bus.advance(4.0)
    with pytest.raises(ValueError, match="forward"):
        bus.advance(float("nan"))


def test_invalid_topics_and_filters_are_refused():
    bus, speaker, hearer, _ = pair()
    with pytest.raises(ValueError, match="wildcard"):
        speaker.publish("a/#", b"")
    with pytest.raises(ValueError, match="level"):
        hearer.subscribe("a#")
    with pytest.raises(ValueError, match="level"):
        bus.connect("third", ("a#",), Ear())


class TestRetained:
    """MQTT 5.0 sections 3.3.1.3 and 3.3.2.3.3."""

    def test_marked_for_a_newcomer_and_unmarked_for_those_already_there(self):
        bus, speaker, _, ear = pair()
        speaker.publish("a/1", b"kept", retain=True)
        bus.deliver()
        late = Ear()
        bus.connect("late", ("a/+",), late)
        other = Ear()
        bus.connect("other", ("b/+",), other)
        bus.deliver()
        assert ear.heard == [Message("a/1", b"kept", retained=False)]
        assert late.heard == [Message("a/1", b"kept", retained=True)]
        assert other.heard == []

    def test_only_the_latest_is_kept_and_an_empty_one_clears(self):
        bus, speaker, _, ear = pair()
        speaker.publish("a/1", b"old", retain=True)
        speaker.publish("a/1", b"new", retain=True)
        assert bus.retained("a/1") == b"new"
        speaker.publish("a/1", b"", retain=True)
        assert bus.retained("a/1") is None
        bus.deliver()
        assert ear.payloads == [b"old", b"new", b""]

    def test_clearing_what_is_not_there_is_harmless(self):
        bus, speaker, _, _ = pair()
        speaker.publish("a/1", b"", retain=True)
        assert bus.retained("a/1") is None

    def test_expires(self):
        bus, speaker, _, _ = pair()
        speaker.publish("a/1", b"short", retain=True, expiry_s=10.0)
        bus.advance(9.0)
        assert bus.retained("a/1") == b"short"
        bus.advance(10.0)
        assert bus.retained("a/1") is None
        late = Ear()
        bus.connect("late", ("a/1",), late)
        bus.deliver()
        assert late.heard == []

    def test_comes_with_a_later_subscription(self):
        bus, speaker, hearer, ear = pair(filters=())
        speaker.publish("a/1", b"kept", retain=True)
        hearer.subscribe("a/1")
        speaker.publish("a/1", b"live")
        bus.deliver()
        assert ear.heard == [Message("a/1", b"kept", retained=True), Message("a/1", b"live")]


class TestWill:
    """MQTT 5.0 section 3.1.2.5, and 3.1.2.10 for the one and a half keepalives."""

    WILL = Message("a/will", b"gone")

    def watched(self, **options):
        bus, ear = MemoryBus(), Ear()
        bus.connect("watcher", ("a/#",), ear)
        client = bus.connect("client", ("in",), Ear(), self.WILL, keepalive_s=10.0, **options)
        bus.deliver()
        return bus, client, ear

    def test_not_published_by_a_clean_close(self):
        bus, client, ear = self.watched()
        client.close()
        client.kill()  # nothing more can come of it
        bus.advance(100.0)
        bus.deliver()
        assert ear.heard == []

    def test_published_at_once_when_the_process_dies(self):
        bus, client, ear = self.watched()
        client.kill()
        bus.deliver()
        assert ear.heard == [self.WILL]

    @pytest.mark.parametrize("trouble", ["cut", "freeze"])
    def test_published_after_one_and_a_half_keepalives_of_silence(self, trouble):
        bus, client, ear = self.watched()
        getattr(client, trouble)()
        bus.advance(14.9)
        bus.deliver()
        assert ear.heard == []
        assert client.connected
        bus.advance(15.0)
        bus.deliver()
        assert ear.heard == [self.WILL]
        assert not client.connected

    def test_not_published_when_the_silence_ends_in_time(self):
        bus, client, ear = self.watched()
        client.cut()
        bus.advance(14.0)
        client.restore()
        bus.advance(100.0)
        bus.deliver()
        assert ear.heard == []

    def test_published_when_another_client_takes_the_name(self):
        bus, _, ear = self.watched()
        usurper = bus.connect("client", ("in",), Ear())
        bus.deliver()
        assert ear.heard == [self.WILL]
        assert usurper.connected

    def test_closing_after_being_given_up_adds_none(self):
        bus, client, ear = self.watched()
        client.cut()
        bus.advance(20.0)
        client.kill()
        bus.deliver()
        assert ear.heard == [self.WILL]


class TestTroubles:
    def test_cut_client_neither_hears_nor_is_heard(self):
        bus, speaker, hearer, ear = pair()
        hearer.cut()
        speaker.publish("a/1", b"lost")
        hearer.publish("a/1", b"lost too")
        bus.deliver()
        hearer.restore()
        bus.deliver()
        speaker.publish("a/1", b"heard")
        bus.deliver()
        assert ear.payloads == [b"heard"]

    def test_client_cut_while_a_message_is_on_its_way_loses_it(self):
        bus, speaker, hearer, ear = pair()
        hearer.delay(5.0)
        speaker.publish("a/1", b"late")
        bus.deliver()
        hearer.cut()
        bus.advance(5.0)
        bus.deliver()
        assert ear.heard == []

    def test_return_after_being_given_up_subscribes_anew(self):
        ups, downs = [], []
        bus, speaker, hearer, ear = pair(
            birth=Message("born", b"hearer"), on_up=lambda: ups.append(1), on_down=lambda: downs.append(1)
        )
        births = Ear()
        bus.connect("watcher", ("born",), births)
        assert (len(ups), len(downs)) == (1, 0)
        hearer.cut()
        bus.advance(15.0)
        speaker.publish("a/1", b"kept", retain=True)
        bus.deliver()
        assert (len(ups), len(downs)) == (1, 1)
        hearer.restore()
        bus.deliver()
        assert (len(ups), len(downs)) == (2, 1)
        assert ear.heard == [Message("a/1", b"kept", retained=True)]
        assert births.payloads == [b"hearer"]

    def test_subscription_made_while_cut_counts_after_the_return(self):
        bus, speaker, hearer, ear = pair(filters=())
        hearer.cut()
        bus.advance(20.0)
        hearer.subscribe("a/1")
        hearer.restore()
        speaker.publish("a/1", b"x")
        bus.deliver()
        assert ear.payloads == [b"x"]

    def test_frozen_client_hears_later_what_came_before_it_was_given_up(self):
        bus, speaker, hearer, ear = pair()
        hearer.freeze()
        speaker.publish("a/1", b"waits")
        bus.deliver()
        hearer.publish("a/2", b"a stopped process says nothing")
        bus.advance(15.0)
        speaker.publish("a/1", b"after the end of the connection")
        bus.deliver()
        assert ear.heard == []
        hearer.thaw()
        bus.deliver()
        assert ear.payloads == [b"waits"]
        speaker.publish("a/1", b"again")
        bus.deliver()
        assert ear.payloads == [b"waits", b"again"]

    def test_thawed_but_still_cut_client_stays_away(self):
        bus, _, hearer, _ = pair()
        hearer.freeze()
        hearer.cut()
        bus.advance(20.0)
        hearer.thaw()
        assert not hearer.connected
        hearer.restore()
        assert hearer.connected

    def test_closed_client_cannot_return(self):
        bus, speaker, hearer, ear = pair()
        hearer.cut()
        hearer.close()
        hearer.restore()
        hearer.publish("a/1", b"x")
        speaker.publish("a/1", b"y")
        bus.deliver()
        assert not hearer.connected
        assert ear.heard == []

    def test_closed_before_it_rose_says_nothing(self):
        bus, ear = MemoryBus(), Ear()
        bus.connect("watcher", ("born",), ear)
        bus.connect("brief", (), Ear(), birth=Message("born", b"x")).close()
        bus.deliver()
        assert ear.heard == []

    def test_delay_holds_messages_back_in_both_directions_and_in_order(self):
        bus, speaker, hearer, ear = pair()
        hearer.delay(5.0)
        speaker.publish("a/1", b"1")
        speaker.publish("a/1", b"2")
        bus.deliver()
        bus.advance(4.9)
        bus.deliver()
        assert ear.heard == []
        bus.advance(5.0)
        bus.deliver()
        assert ear.payloads == [b"1", b"2"]
        hearer.publish("a/1", b"to itself: 5 s out and 5 s back")
        bus.deliver()
        bus.advance(10.0)
        bus.deliver()
        assert len(ear.heard) == 2
        bus.advance(15.0)
        bus.deliver()
        assert len(ear.heard) == 3
        hearer.delay(0.0)
        speaker.publish("a/1", b"quick")
        bus.deliver()
        assert ear.payloads[-1] == b"quick"

    def test_message_that_expires_on_the_way_is_lost(self):
        bus, speaker, hearer, ear = pair()
        hearer.delay(5.0)
        speaker.publish("a/1", b"too late", expiry_s=5.0)
        speaker.publish("a/1", b"in time", expiry_s=5.1)
        bus.deliver()
        bus.advance(5.0)
        bus.deliver()
        assert ear.payloads == [b"in time"]

    def test_drops_exactly_as_many_as_asked(self):
        bus, speaker, hearer, ear = pair()
        speaker.drop_next(2)
        hearer.drop_next(1, "heard")
        for number in range(5):
            speaker.publish("a/1", b"%d" % number)
        bus.deliver()
        assert ear.payloads == [b"3", b"4"]
        assert not speaker.hindered
        assert not hearer.hindered


def test_same_calls_give_the_same_order_every_time():
    def run():
        bus, trace = MemoryBus(), []
        clients = [
            bus.connect(f"c{i}", ("x/#",), lambda m, i=i: trace.append((bus.now_s, i, m.payload)))
            for i in range(3)
        ]
        for step in range(50):
            bus.advance(float(step))
            clients[step % 3].delay(step % 4)
            clients[step % 3].publish(f"x/{step % 5}", b"%d" % step)
            bus.deliver()
        return trace

    assert run() == run()
    assert len(run()) > 100
