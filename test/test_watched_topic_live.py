# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Subscriptions ask for what the publishers offer, and say what does not match: over DDS."""

import time

import pytest

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')
from rclpy.executors import SingleThreadedExecutor  # noqa: E402, I100
from rclpy.node import Node  # noqa: E402
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy  # noqa: E402
from std_msgs.msg import Float64, Header  # noqa: E402

DOMAIN = 151
RELIABLE = ReliabilityPolicy.RELIABLE
BEST_EFFORT = ReliabilityPolicy.BEST_EFFORT
LATCHED = DurabilityPolicy.TRANSIENT_LOCAL
VOLATILE = DurabilityPolicy.VOLATILE


class Bench:
    """A watching node and a publishing one in one process, over the real middleware."""

    def __init__(self):
        from robot_mapping_qa.nodes.watched_topic import LOOK_S, WatchedTopic
        self.context = rclpy.Context()
        rclpy.init(context=self.context, domain_id=DOMAIN)
        self.executor = SingleThreadedExecutor(context=self.context)
        self.watching = Node('watching', context=self.context)
        self.sending = Node('sending', context=self.context)
        for node in (self.watching, self.sending):
            self.executor.add_node(node)
        self.received, self.told = [], []
        self.watched = WatchedTopic(
            self.watching, '/stamps', 'std_msgs/msg/Header', 50.0,
            lambda data, info: self.received.append(data),
            lambda kind, topic, text: self.told.append((kind, topic, text)),
            'camera', 'the file says')
        self.watching.create_timer(LOOK_S, self.watched.look)

    def publish(self, reliability, durability=VOLATILE, kind=Header):
        return self.sending.create_publisher(kind, '/stamps', QoSProfile(
            depth=10, reliability=reliability, durability=durability))

    def wait(self, condition, seconds=10.0):
        end = time.monotonic() + seconds
        while time.monotonic() < end and not condition():
            self.executor.spin_once(timeout_sec=0.02)
        return condition()

    def asked_for(self):
        """Return the reliability of the subscription as the graph shows it."""
        return [info.qos_profile.reliability
                for info in self.sending.get_subscriptions_info_by_topic('/stamps')]

    def heard_from(self, publisher):
        """Publish until a message arrives."""
        self.received.clear()

        def arrived():
            publisher.publish(Header(frame_id='x'))
            return bool(self.received)
        return self.wait(arrived)

    def close(self):
        self.executor.shutdown(timeout_sec=1.0)
        for node in (self.watching, self.sending):
            node.destroy_node()
        rclpy.shutdown(context=self.context)


@pytest.fixture
def bench(monkeypatch):
    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    bench = Bench()
    yield bench
    bench.close()


@pytest.mark.parametrize('reliability', [RELIABLE, BEST_EFFORT])
@pytest.mark.parametrize('durability', [VOLATILE, LATCHED])
def test_every_offer_is_heard_and_a_reliable_one_reliably(bench, reliability, durability):
    publisher = bench.publish(reliability, durability)
    assert bench.heard_from(publisher)
    assert bench.asked_for() == [reliability]
    assert bench.told == []


def test_messages_kept_for_latecomers_are_not_asked_for(bench):
    publisher = bench.publish(RELIABLE, LATCHED)
    publisher.publish(Header(frame_id='old'))
    assert bench.wait(lambda: bench.asked_for() == [RELIABLE])
    assert not bench.wait(lambda: bool(bench.received), 0.5)
    assert bench.heard_from(publisher)


def test_a_lesser_offer_is_told_with_both_sides_and_is_heard(bench):
    first = bench.publish(RELIABLE)
    assert bench.heard_from(first)
    second = bench.publish(BEST_EFFORT)
    assert bench.wait(lambda: bool(bench.told))
    assert bench.told == [('qos_mismatch', '/stamps', (
        'camera: /stamps: a publisher offers best effort, volatile, asked for was reliable, '
        'volatile; best effort is asked for from now on'))]
    assert bench.heard_from(second)
    assert bench.heard_from(first)
    bench.sending.destroy_publisher(second)
    assert bench.wait(lambda: bench.asked_for() == [RELIABLE])
    assert bench.heard_from(first)
    assert len(bench.told) == 1


def test_another_type_on_the_topic_is_told_once(bench):
    stranger = bench.publish(RELIABLE, kind=Float64)
    assert bench.wait(lambda: bool(bench.told))
    assert bench.told == [('type_mismatch', '/stamps', (
        'camera: /stamps is sent as std_msgs/msg/Float64, the file says std_msgs/msg/Header: it '
        'is not heard'))]
    assert bench.asked_for() == []
    bench.sending.destroy_publisher(stranger)
    assert bench.heard_from(bench.publish(BEST_EFFORT))
    assert len(bench.told) == 1


def test_another_type_beside_the_right_one_is_told_and_the_right_one_is_heard(bench):
    publisher = bench.publish(RELIABLE)
    assert bench.heard_from(publisher)
    # One participant cannot have two types on a topic.
    context = rclpy.Context()
    rclpy.init(context=context, domain_id=DOMAIN)
    try:
        stranger = Node('stranger', context=context)
        stranger.create_publisher(Float64, '/stamps', 10)
        assert bench.wait(lambda: bool(bench.told))
        stranger.destroy_node()
    finally:
        rclpy.shutdown(context=context)
    assert bench.told == [('type_mismatch', '/stamps', (
        'camera: /stamps is also sent as std_msgs/msg/Float64, the file says '
        'std_msgs/msg/Header: that is not heard'))]
    assert bench.heard_from(publisher)


def test_a_storm_is_told_and_not_heard_for_a_while(bench):
    publisher = bench.publish(RELIABLE)
    assert bench.heard_from(publisher)
    kept = Header(frame_id='kept')
    for _ in range(400):
        # What was kept during a pause comes at once, and is none.
        publisher.publish(kept)
    assert not bench.wait(lambda: bool(bench.told), 0.5)

    def stormed():
        for _ in range(2):
            publisher.publish(kept)
        return bool(bench.told)
    assert bench.wait(stormed)
    (kind, topic, text), = bench.told
    assert (kind, topic) == ('storm', '/stamps')
    assert text.endswith('messages a second, expected 50 Hz: it is not heard for 10 s')
    assert bench.wait(lambda: bench.asked_for() == [])


@pytest.mark.parametrize('received, latest, now, expected', [
    (5, 3, 6, 5),
    # A lost message was sent again: what came after it was there before, and had to wait.
    (3, 5, 6, 5),
    # The host's clock was set back.
    (3, 5, 4, 3)])
def test_a_message_arrives_when_it_can_be_heard(received, latest, now, expected):
    from robot_mapping_qa.nodes.watched_topic import arrival_ns
    assert arrival_ns(received, latest, now) == expected
