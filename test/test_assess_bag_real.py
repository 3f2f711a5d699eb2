# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The bag of a real wheeled robot: nav2_turtlebot.mcap of evo's source distribution.

Counts and times are those that an independent reader finds, the length of the path is worked out
by evo itself.
"""

import json
import os

from open_data import evo_data
import pytest
from robot_mapping_qa.bag.assess_bag import main
from rosbags.highlevel import AnyReader
from rosbags.rosbag2 import Reader

CONFIGURATION = """
/**:
  ros__parameters:
    streams: [wheel_odometry, localization]
    wheel_odometry: {topic: /odom, type: nav_msgs/msg/Odometry, role: pose}
    localization: {topic: /amcl_pose, type: geometry_msgs/msg/PoseWithCovarianceStamped,
      role: map_pose}
"""


@pytest.fixture(scope='module')
def bag():
    return evo_data() / 'nav2_turtlebot.mcap'


@pytest.fixture(scope='module')
def summary(bag, tmp_path_factory):
    folder = tmp_path_factory.mktemp('real')
    (folder / 'robot.yaml').write_text(CONFIGURATION)
    assert main([str(bag), '--config', str(folder / 'robot.yaml'),
                 '--out', str(folder / 'out')]) == 0
    return json.loads((folder / 'out' / 'summary.json').read_text())


def test_messages_and_duration_are_those_of_the_bag(summary, bag):
    assert summary['streams']['wheel_odometry']['messages'] == 2639
    assert summary['streams']['localization']['messages'] == 135
    with AnyReader([bag]) as reader:
        times = [log_ns for _, log_ns, _ in reader.messages()]
    assert summary['bag']['messages'] == len(times) == 8197
    assert summary['bag']['start_ns'] == min(times)
    assert summary['bag']['end_ns'] == max(times)
    assert (summary['bag']['end_ns'] - summary['bag']['start_ns']) * 1e-9 == pytest.approx(
        97.0, abs=0.5)


def test_rate_is_that_of_the_stamps(summary, bag):
    with AnyReader([bag]) as reader:
        stamps = []
        for connection, _, data in reader.messages(
                [c for c in reader.connections if c.topic == '/odom']):
            stamp = reader.deserialize(data, connection.msgtype).header.stamp
            stamps.append(stamp.sec + stamp.nanosec * 1e-9)
    expected = (len(stamps) - 1) / (stamps[-1] - stamps[0])
    assert summary['streams']['wheel_odometry']['rate_hz'] == pytest.approx(expected, rel=0.02)


def test_path_is_as_long_as_evo_finds_it(summary, bag):
    try:
        from evo.tools import file_interface
    except ImportError:
        if os.environ.get('CI', '').lower() == 'true':
            pytest.fail('evo is not installed, which continuous integration (CI=true) must have')
        pytest.skip('evo is not installed')
    with Reader(bag) as reader:
        trajectory = file_interface.read_bag_trajectory(reader, '/odom')
    assert summary['pose']['path_length_m'] == pytest.approx(trajectory.path_length, rel=1e-3)
