# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Ledger and shown budget of the running nodes go by the pose that the gate goes by."""

import csv
import time

from live_site import MONITORS, Site
import pytest
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 172
SPEED_MPS = 15.0
MAP_M = 1000.0
PARAMETERS = {
    'streams': ['unit', 'map', 'camera'],
    'unit': {'topic': '/unit', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose', 'rate_hz': 50.0},
    'map': {'topic': '/map', 'type': 'geometry_msgs/msg/PoseStamped', 'role': 'map_pose'},
    'camera': {'topic': '/camera', 'timing_topic': '/camera_info', 'role': 'capture',
               'type': 'sensor_msgs/msg/Image', 'rate_hz': 10.0},
    # So long that a busy machine is not taken for a fault.
    'timing': {'settle_s': 1.0, 'silence_s': 0.7, 'delay_limit_s': 0.5},
    'pose': {'stale_s': 0.7, 'max_speed_mps': 20.0},
    'gate': {'off_delay_s': 1.0}}


class Robot:
    """A unit that drives fast and straight, its map far from its odometry, and a camera."""

    def __init__(self, site):
        from geometry_msgs.msg import PoseStamped, PoseWithCovarianceStamped
        from nav_msgs.msg import Odometry
        from rclpy.node import Node
        from robot_mapping_qa.messages.topics import DIAGNOSTICS, JUDGED_POSE, POSE
        from diagnostic_msgs.msg import DiagnosticArray
        from sensor_msgs.msg import CameraInfo
        node = site.watch(Node('robot', context=site.context))
        self._unit = node.create_publisher(Odometry, '/unit', 10)
        self._map = node.create_publisher(PoseStamped, '/map', 10)
        self._camera = node.create_publisher(CameraInfo, '/camera_info', 10)
        self._odometry, self._in_map, self._info = Odometry(), PoseStamped(), CameraInfo()
        self._odometry.header.frame_id, self._odometry.child_frame_id = 'odom', 'base'
        self._odometry.pose.pose.orientation.w = self._in_map.pose.orientation.w = 1.0
        self._odometry.twist.twist.linear.x = SPEED_MPS
        self._in_map.header.frame_id = 'map'
        self._start_ns, self._count, self.silent = time.time_ns(), 0, False
        self.poses, self.judged, self.radius_m = [], [], None
        node.create_timer(0.02, self._step)
        node.create_subscription(PoseWithCovarianceStamped, POSE.name, self.poses.append, 10)
        node.create_subscription(Odometry, JUDGED_POSE.name, self.judged.append, 10)
        node.create_subscription(DiagnosticArray, DIAGNOSTICS.name, self._diagnostics, 10)

    @property
    def driven_m(self):
        return SPEED_MPS * (time.time_ns() - self._start_ns) * 1e-9

    def _step(self):
        now_ns = time.time_ns()
        for message in (self._odometry, self._in_map, self._info):
            message.header.stamp.sec, message.header.stamp.nanosec = divmod(now_ns, 10 ** 9)
        x = SPEED_MPS * (now_ns - self._start_ns) * 1e-9
        self._odometry.pose.pose.position.x = x
        self._in_map.pose.position.x = x + MAP_M
        # One that never changes would be taken for a placeholder.
        self._odometry.pose.covariance = [1e-6 * (1.0 + 1e-2 * x) * (place % 7 == 0)
                                          for place in range(36)]
        if not self.silent:
            self._unit.publish(self._odometry)
        self._count += 1
        if self._count % 5 == 0:
            self._camera.publish(self._info)
        if self._count % 25 == 0:
            self._map.publish(self._in_map)

    def _diagnostics(self, message):
        for status in message.status:
            for item in status.values:
                if item.key == 'budget/camera/radius_m':
                    self.radius_m = float(item.value)


def read_rows(folder):
    """Return the last row of each capture, by its number."""
    with (folder / 'ledger' / 'captures.csv').open() as file:
        return {int(row['capture'].partition('/')[2]): row for row in csv.DictReader(file)}


@pytest.fixture
def site(tmp_path, monkeypatch):
    from robot_mapping_qa.demo.watcher import GateWatcher
    site = Site(tmp_path, monkeypatch, DOMAIN)
    file = tmp_path / 'streams.yaml'
    file.write_text(yaml.safe_dump({'/**': {'ros__parameters': PARAMETERS}}))
    try:
        site.watcher = site.watch(GateWatcher(site.context))
        for node in MONITORS:
            site.nodes.start(node, parameter_files=(file,))

        def start_ledger():
            site.nodes.start(
                'capture_ledger', f'folder:={tmp_path}/ledger', parameter_files=(file,))
        site.start_ledger = start_ledger
        start_ledger()
        yield site
    finally:
        site.close()


def test_the_nodes_judge_pictures_as_the_gate_does_and_send_no_pose_twice(site, tmp_path):
    robot = Robot(site)
    assert site.wait(lambda: site.watcher.allowed is True, 60.0) is not None, (
        site.watcher.status_text)
    first_m = robot.driven_m
    assert site.wait(lambda: robot.driven_m > first_m + 150.0, 30.0) is not None
    # The error since the start is far over the limit, that of late is not.
    assert site.watcher.allowed is True, site.watcher.status_text
    shown, judged = robot.poses[-1], robot.judged[-1]
    assert (shown.header.frame_id, judged.header.frame_id) == ('map', 'odom')
    assert shown.pose.pose.position.x - judged.pose.pose.position.x == pytest.approx(MAP_M, abs=20)
    assert shown.pose.covariance[7] ** 0.5 > 0.05
    assert 0.0 < judged.pose.covariance[7] ** 0.5 < 0.02
    assert 0.0 < robot.radius_m < 0.05
    site.spin(1.0)
    rows = read_rows(tmp_path)
    held = [row for row in rows.values() if row['verdict'] == 'held']
    late = [row for row in rows.values() if row['x'] and float(row['x']) > first_m + 100.0]
    assert held and len(late) >= 20
    assert {row['verdict'] for row in late} == {'trusted'}, late[-1]
    assert max(float(row['x']) for row in late) < robot.driven_m + 1.0

    site.nodes.process('capture_ledger').kill()
    site.nodes.process('capture_ledger').wait()
    before = read_rows(tmp_path)
    site.start_ledger()
    last = max(before)
    assert site.wait(lambda: max(read_rows(tmp_path)) > last + 5, 30.0) is not None
    after = read_rows(tmp_path)
    assert {number: after[number] for number in before} == before

    robot.silent = True
    assert site.wait(lambda: site.watcher.allowed is False, 5.0) is not None
    site.spin(0.5)
    count = len(robot.poses)
    site.spin(1.0)
    assert len(robot.poses) == count
    for sent in (robot.poses, robot.judged):
        stamps = [(m.header.stamp.sec, m.header.stamp.nanosec) for m in sent]
        assert len(set(stamps)) == len(stamps)
    assert set(site.nodes.stop().values()) == {0}
    assert (tmp_path / 'ledger' / 'redo.csv').exists()
