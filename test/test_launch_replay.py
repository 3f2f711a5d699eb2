# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A bag replayed on the real launch is judged in its own time.

A small player stands in for `ros2 bag play`, which the tests do not need: it takes the same
arguments and publishes the same things.
"""

from dataclasses import replace
import os
from pathlib import Path
import sys
import tempfile
import time
import unittest

import hand_made_bags as bags
import pytest

launch = pytest.importorskip('launch', reason='launch is not installed on this machine')
launch_ros = pytest.importorskip('launch_ros', reason='launch_ros is not installed here')
launch_testing = pytest.importorskip('launch_testing', reason='launch_testing is not installed')

from launch.actions import SetEnvironmentVariable  # noqa: E402, I100
import launch_testing.actions  # noqa: E402
import launch_testing.markers  # noqa: E402
from launched import included  # noqa: E402
import rclpy  # noqa: E402

DOMAIN = 154
PLAYER = """#!{python}
import argparse, importlib, time
import rclpy
from rclpy.serialization import deserialize_message
from rosbags.rosbag2 import Reader
from rosgraph_msgs.msg import Clock
parser = argparse.ArgumentParser()
parser.add_argument('words', nargs=3)
parser.add_argument('--clock', type=float, required=True)
parser.add_argument('--clock-topics-all', action='store_true', required=True)
parser.add_argument('--delay', type=float, required=True)
parser.add_argument('--rate', type=float, required=True)
parser.add_argument('--disable-keyboard-controls', action='store_true')
parser.add_argument('--topics', nargs='+', required=True)
given = parser.parse_args()
assert given.words[:2] == ['bag', 'play']
rclpy.init(args=[])
node = rclpy.create_node('player')
clock = node.create_publisher(Clock, '/clock', 10)
with Reader(given.words[2]) as reader:
    chosen = [each for each in reader.connections if each.topic in given.topics]
    publishers = {{}}
    for each in chosen:
        package, _, name = each.msgtype.partition('/msg/')
        kind = getattr(importlib.import_module(package + '.msg'), name)
        publishers[each.topic] = node.create_publisher(kind, each.topic, 10)
    time.sleep(given.delay)
    start, first = time.monotonic(), None
    for each, at_ns, data in reader.messages(chosen):
        first = at_ns if first is None else first
        due = start + (at_ns - first) * 1e-9 / given.rate
        time.sleep(max(0.0, due - time.monotonic()))
        now = Clock()
        now.clock.sec, now.clock.nanosec = divmod(at_ns, 10 ** 9)
        clock.publish(now)
        publishers[each.topic].publish(bytes(data))
"""


@pytest.mark.launch_test
@launch_testing.markers.keep_alive
@launch_testing.parametrize('namespace', ['', 'north'])
def generate_test_description(namespace):
    """Replay a bag of twelve seconds as a user would, also of a robot in a namespace."""
    folder = Path(tempfile.mkdtemp())
    robot = f'/{namespace}' * bool(namespace)
    topics = {topic: robot + topic for topic in (bags.ODOMETRY, bags.CAMERA)}
    bag = bags.write(
        folder / 'run', [replace(sent, topic=topics[sent.topic]) for sent in bags.drive(12.0)],
        topics=topics.values(), types={topics[name]: bags.TYPES[name] for name in topics})
    (folder / 'streams.yaml').write_text(bags.CONFIGURATION.replace('topic: /', 'topic: '))
    (folder / 'ros2').write_text(PLAYER.format(python=sys.executable))
    (folder / 'ros2').chmod(0o755)
    os.environ['ROS_DOMAIN_ID'] = str(DOMAIN)
    os.environ['PATH'] = f'{folder}:{os.environ["PATH"]}'
    return launch.LaunchDescription([
        SetEnvironmentVariable('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST'),
        included('replay.launch.py', bag=str(bag), streams=str(folder / 'streams.yaml'),
                 namespace=namespace),
        launch_testing.actions.ReadyToTest()])


class TestRunning(unittest.TestCase):
    """While the bag plays."""

    def test_the_streams_are_judged_in_the_time_of_the_bag(self, namespace):
        """Wait for the stream's status, stamped with the time of the recording."""
        from diagnostic_msgs.msg import DiagnosticArray
        context = rclpy.Context()
        rclpy.init(context=context, domain_id=DOMAIN)
        executor = rclpy.executors.SingleThreadedExecutor(context=context)
        node = rclpy.create_node('watcher', context=context)
        executor.add_node(node)
        stamps = []
        name = f'{namespace}/' * bool(namespace) + 'robot_mapping_qa: stream unit_odometry'
        node.create_subscription(
            DiagnosticArray, '/diagnostics', lambda message: stamps.extend(
                message.header.stamp.sec for status in message.status
                if status.name == name), 10)
        try:
            end = time.monotonic() + 60.0
            while time.monotonic() < end and not (stamps and stamps[-1]):
                executor.spin_once(timeout_sec=0.1)
        finally:
            executor.shutdown(timeout_sec=1.0)
            node.destroy_node()
            rclpy.shutdown(context=context)
        start_s = bags.START_NS // 10 ** 9
        self.assertTrue(stamps and start_s <= stamps[-1] <= start_s + 13, stamps)


@launch_testing.post_shutdown_test()
class TestEnded(unittest.TestCase):
    """After the end."""

    def test_every_node_ends_with_status_0(self, proc_info):
        """Fail for any other exit status, and for a node that had to be killed."""
        nodes = [info for info in proc_info if 'ros2' not in info.process_name]
        self.assertEqual({info.process_name: info.returncode for info in nodes},
                         dict.fromkeys((info.process_name for info in nodes), 0))
        self.assertEqual(len(nodes), 3)
