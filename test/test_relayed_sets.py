# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the relay says of sets that do not come together, and of messages that it withheld."""

import gc

import pytest
from robot_mapping_qa.capture.relay import Reason
from robot_mapping_qa.timing.sets import ApproximateTimeMatcher

pytest.importorskip('rclpy', reason='needs ROS 2')
pytest.importorskip('message_filters', reason='needs message_filters or its stand-in')

MS = 1_000_000
START_NS = 1_700_000_000_000_000_000
SLOP_S = 0.04
PERIODS_MS = {'/unit': 10, '/lidar': 100, '/camera': 1000}


class Streams:
    """Streams at steady rates whose messages wait for their sets."""

    def __init__(self, rates_known=True, periods_ms=PERIODS_MS):
        from robot_mapping_qa.nodes.relayed_sets import RelayedSets
        from robot_mapping_qa.nodes.relayed_topic import RelayedTopic
        self.topics = {
            topic: RelayedTopic(None, topic, None, 1000.0 / period if rates_known else None,
                                0.15, None)
            for topic, period in periods_ms.items()}
        self.periods_ms = periods_ms
        self.complete = 0
        self.sets = RelayedSets(list(self.topics.values()), SLOP_S, self._count)
        self.now_ms = 0

    def _count(self, *_members):
        self.complete += 1

    def run(self, seconds, silent=(), late_ms=None):
        """Let time pass; return what was said, once a second."""
        from robot_mapping_qa.messages.factory import make_header, RclpyFactory
        from robot_mapping_qa.nodes.relayed_sets import Member
        said = []
        for _ in range(round(seconds * 100)):
            self.now_ms += 10
            for topic, period in self.periods_ms.items():
                if self.now_ms % period == 0 and topic not in silent:
                    stamp_ns = START_NS + (self.now_ms - (late_ms or {}).get(topic, 0)) * MS
                    self.sets.add(Member(make_header(RclpyFactory(), stamp_ns), b'',
                                         self.topics[topic], stamp_ns), self.now_ms * MS)
            if self.now_ms % 1000 == 500:
                said.append(self.sets.trouble(self.now_ms * MS))
        return said


@pytest.mark.parametrize('rates_known', [True, False])
def test_nothing_is_said_while_the_slowest_stream_finds_its_partners(rates_known):
    streams = Streams(rates_known)
    assert streams.run(10.0) == [None] * 10
    assert streams.complete == 10


def test_a_stream_that_is_missing_is_named_by_its_count():
    streams = Streams()
    streams.run(2.0)
    said = streams.run(5.0, silent=('/lidar',))
    assert said[0] is None and said[1] is None
    assert said[-1] == ('no set complete for 4 s: 450 on /unit, 0 on /lidar, 4 on /camera, none '
                        'with the stamps of all within 0.04 s')
    assert streams.run(2.0)[-1] is None


def test_stamps_that_never_meet_are_told():
    streams = Streams()
    said = streams.run(5.0, late_ms={'/lidar': 50})
    assert streams.complete == 0
    assert said[-1].startswith('no set complete for 4 s: ')


def test_what_waited_before_a_hold_does_not_count_after_it():
    streams = Streams()
    streams.run(3.0, silent=('/lidar',))
    streams.now_ms += 60_000
    streams.sets.wait_anew()
    assert streams.run(2.0) == [None, None]
    streams.run(0.2)
    # Said once; then nothing came, and there is nothing to say.
    assert streams.sets.trouble(10 ** 12) is not None
    assert streams.sets.trouble(2 * 10 ** 12) is None


def kept(topic):
    """Return how many messages of a topic are in memory."""
    from robot_mapping_qa.nodes.relayed_sets import Member
    return sum(isinstance(each, Member) and each.topic is topic for each in gc.get_objects())


def sets_if_nothing_is_forgotten(periods_ms, seconds):
    matcher = ApproximateTimeMatcher(len(periods_ms), 10_000, round(SLOP_S * 1e9))
    return sum(len(matcher.add(index, now_ms * MS, None))
               for now_ms in range(10, round(seconds * 1000) + 1, 10)
               for index, period in enumerate(periods_ms.values()) if now_ms % period == 0)


@pytest.mark.parametrize('silent', [('/lidar',), ()])
def test_pictures_do_not_stay_in_memory_longer_than_they_can_find_partners(silent):
    # Fourteen a second, which are large, beside odometry at a hundred.
    streams = Streams(periods_ms={'/unit': 10, '/lidar': 100, '/camera': 70})
    camera = streams.topics['/camera']
    most, wait_s = 0, 0.15 + SLOP_S
    gc.disable()
    try:
        for _ in range(40):
            streams.run(0.1, silent)
            most = max(most, kept(camera))
    finally:
        gc.enable()
    # Those of the longest wait with two periods of the slowest stream, looked at once a wait.
    assert 1 <= most <= (2 * wait_s + 2 * 0.1) / 0.07 + 1
    assert silent or streams.complete == sets_if_nothing_is_forgotten(streams.periods_ms, 4.0)


def test_sets_come_about_again_however_long_a_stream_was_away():
    streams = Streams()
    streams.run(2.0)
    streams.run(30.0, silent=('/lidar',))
    complete = streams.complete
    streams.run(10.0)
    assert streams.complete == complete + 10


def test_messages_withheld_are_counted_from_status_to_status():
    topic = Streams().topics['/camera']
    topic.withheld[Reason.STAMP_OLD] += 3
    assert topic.lately_withheld() == {Reason.STAMP_OLD: 3}
    topic.withheld[Reason.STAMP_OLD] += 2
    topic.withheld[Reason.UNREADABLE] += 1
    assert topic.lately_withheld() == {Reason.STAMP_OLD: 2, Reason.UNREADABLE: 1}
    assert not topic.lately_withheld()
    assert topic.withheld == {Reason.STAMP_OLD: 5, Reason.UNREADABLE: 1}
