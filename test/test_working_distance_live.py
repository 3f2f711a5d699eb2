# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A range finder that gives the working distance, and a stream that is only useful, live."""

from math import inf
import time

from live_site import MONITORS, Site
import pytest
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 146
RATE_HZ = 50.0
USEFUL_S = 1.5
PARAMETERS = {
    'streams': ['unit', 'range_finder', 'body_imu'],
    'unit': {'topic': '/unit/odometry', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose',
             'rate_hz': RATE_HZ},
    'range_finder': {'topic': '/front/range', 'type': 'sensor_msgs/msg/Range',
                     'role': 'distance', 'rate_hz': 10.0},
    'body_imu': {'topic': '/body/imu', 'type': 'sensor_msgs/msg/Imu', 'role': 'motion',
                 'rate_hz': 10.0, 'useful': True},
    'timing': {'settle_s': 1.0, 'silence_s': 0.7, 'delay_limit_s': 0.5},
    'pose': {'stale_s': 0.7},
    'gate': {'off_delay_s': 0.5, 'useful_delay_s': USEFUL_S},
}


class WorkingSite(Site):
    """A unit that stands still, 4 mrad unsure of its heading, and what it measures."""

    def __init__(self, folder, monkeypatch):
        from diagnostic_msgs.msg import DiagnosticStatus
        from nav_msgs.msg import Odometry
        from rclpy.node import Node
        from robot_mapping_qa.messages.topics import GATE
        from robot_mapping_qa.nodes.qos import LATCHED_QOS
        from sensor_msgs.msg import Imu, Range
        super().__init__(folder, monkeypatch, DOMAIN)
        self.node = self.watch(Node('around', context=self.context))
        self.text, self.range_m, self.has_imu, self._steps = '', 2.0, True, 0
        self.node.create_subscription(DiagnosticStatus, GATE.name, self._take, LATCHED_QOS)
        self._odometry, self._imu = Odometry(), Imu()
        self._range = Range(min_range=0.25, max_range=10.0)
        self._odometry.header.frame_id, self._odometry.child_frame_id = 'map', 'unit'
        self._odometry.pose.pose.orientation.w = 1.0
        self._publishers = [
            (self.node.create_publisher(type(message), topic, 10), message)
            for topic, message in (('/unit/odometry', self._odometry),
                                   ('/front/range', self._range), ('/body/imu', self._imu))]
        file = folder / 'streams.yaml'
        file.write_text(yaml.safe_dump({'/**': {'ros__parameters': PARAMETERS}}))
        for node in MONITORS:
            self.nodes.start(node, parameter_files=(file,))
        self.node.create_timer(1.0 / RATE_HZ, self._step)

    def _take(self, status):
        self.text = status.message

    def _step(self):
        self._steps += 1
        covariance = [0.0] * 36
        for place, sigma in enumerate((1e-4, 1e-4, 1e-4, 1e-4, 4e-3, 4e-3)):
            covariance[7 * place] = sigma ** 2 * (1.0 + 1e-6 * self._steps)
        self._odometry.pose.covariance = covariance
        self._range.range = self.range_m
        for number, (publisher, message) in enumerate(self._publishers):
            if number and self._steps % 5 or (message is self._imu and not self.has_imu):
                continue
            stamp = message.header.stamp
            stamp.sec, stamp.nanosec = divmod(time.time_ns(), 10 ** 9)
            publisher.publish(message)

    def says(self, words, seconds=15.0):
        assert self.wait(lambda: words in self.text, seconds) is not None, self.text

    def opens(self, seconds=15.0):
        assert self.wait(lambda: self.text == 'open', seconds) is not None, self.text


@pytest.fixture
def site(tmp_path, monkeypatch):
    site = WorkingSite(tmp_path, monkeypatch)
    try:
        yield site
    finally:
        statuses = site.close()
    assert set(statuses.values()) == {0}


def test_gate_follows_the_range_finder_and_waits_for_a_useful_stream(site):
    site.opens(40.0)
    site.range_m = 8.0
    site.says('held: a point on the structure is only known to 0.07')
    site.range_m = inf
    site.says('held: the distance to the structure is not known from range_finder for ')
    assert site.text.endswith('it sees nothing within its 0.25 to 10 m')
    site.range_m = 2.0
    site.opens()

    site.has_imu = False
    start = time.monotonic()
    site.says('open, about to hold: body_imu silent')
    site.says('held: body_imu silent')
    assert time.monotonic() - start > 0.7 + USEFUL_S - 0.2
    site.has_imu = True
    site.opens()
