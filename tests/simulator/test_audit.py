"""What the auditor takes for a word that heat is due."""

from datetime import timedelta

import pytest

from controller.bus.memory import MemoryBus
from controller.bus.messages import LeasePayload, ProbePayload
from controller.bus.topics import Topics
from simulator.audit import Auditor
from tests.simulator.conftest import BEGIN


class Hall:
    """A bus with an auditor, and somebody who speaks for probes and for the controller."""

    def __init__(self, site):
        self.site, self.topics, self.bus = site, Topics(site.name), MemoryBus()
        self.auditor = Auditor(site, self.bus, BEGIN)
        self.speaker = self.bus.connect("speaker", (), lambda _: None)
        self.seq = 0

    def at(self, now_s):
        self.bus.advance(now_s)

    def say(self, probe, temp_c, spoken_s):
        payload = ProbePayload(temp_c=temp_c, at=BEGIN + timedelta(seconds=spoken_s))
        self.speaker.publish(self.topics.probe(probe), payload.to_json())
        self.bus.deliver()

    def let_all_rest(self):
        self.seq += 1
        for board in self.site.boards:
            off = tuple(channel.id for channel in board.channels)
            lease = LeasePayload(session="s", boot="b", seq=self.seq, ttl_s=300.0, off=off)
            self.speaker.publish(self.topics.lease(board.name), lease.to_json())
        self.bus.deliver()

    def look(self):
        self.auditor.look(self.bus.now_s, [True] * len(self.site.trees))
        return self.auditor.unjustified_off


@pytest.mark.parametrize(("spoken_s", "counted"), [(60.0, 0), (105.0, 1)])
def test_a_cold_word_counts_unless_a_later_one_overtook_it(curlew_yard, spoken_s, counted):
    hall = Hall(curlew_yard)
    hall.at(100.0)
    for tree in curlew_yard.trees:
        for probe in tree.probes:
            hall.say(probe, 5.0, 100.0)
    hall.at(110.0)
    hall.say("air-yuzu", -1.0, spoken_s)
    assert hall.look() == 0
    hall.at(140.0)
    hall.let_all_rest()
    assert hall.look() == counted
