# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Two robots on one network, each in its namespace: what befalls one leaves the other alone."""

import os
import signal
import subprocess
import sys

from live_site import MONITORS, Site
import pytest
import yaml

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')
from diagnostic_msgs.msg import DiagnosticArray  # noqa: E402, I100
from rclpy.node import Node  # noqa: E402
from std_msgs.msg import Bool  # noqa: E402
from std_srvs.srv import SetBool  # noqa: E402

DOMAIN = 153
ROBOTS = ('north', 'south')
# Names without a slash in front are below the robot's namespace.
STREAMS = {
    'streams': ['unit_odometry', 'body_imu'],
    'unit_odometry': {'topic': 'unit/odometry', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose'},
    'body_imu': {'topic': 'body/imu', 'type': 'sensor_msgs/msg/Imu', 'role': 'motion'},
    'timing': {'settle_s': 1.0, 'silence_s': 0.8, 'delay_limit_s': 0.5},
    'pose': {'stale_s': 0.8}, 'gate': {'off_delay_s': 0.5}, 'point_error_limit_m': 0.5}
SCENARIO = """
name: up and down, healthy
duration_s: 600.0
sensors:
  unit_odometry: {kind: odometry, topic: /unit/odometry, rate_hz: 50.0, frame: map,
                  child_frame: unit, clock: {offset_s: 0.0, skew_ppm: 0.0},
                  delay: {least_s: 0.005, queue_mean_s: 0.0005}}
  body_imu: {kind: imu, topic: /body/imu, rate_hz: 50.0, frame: unit,
             clock: {offset_s: 0.0, skew_ppm: 0.0},
             delay: {least_s: 0.001, queue_mean_s: 0.0003}}
"""


class Person(Node):
    """Sees the gates of both robots and everything on /diagnostics."""

    def __init__(self, context):
        from robot_mapping_qa.nodes.qos import GATE_QOS
        super().__init__('person', context=context)
        self.allowed, self.closed, self.names = {}, dict.fromkeys(ROBOTS, 0), set()
        for robot in ROBOTS:
            self.create_subscription(
                Bool, f'/{robot}/mapping_qa/capture_allowed',
                lambda message, robot=robot: self._take(robot, message.data), GATE_QOS)
        self.create_subscription(DiagnosticArray, '/diagnostics', self._diagnostics, 50)

    def _take(self, robot, allowed):
        self.closed[robot] += self.allowed.get(robot, False) and not allowed
        self.allowed[robot] = allowed

    def _diagnostics(self, message):
        self.names.update(status.name for status in message.status)


@pytest.fixture
def site(tmp_path, monkeypatch):
    streams, scenario = tmp_path / 'streams.yaml', tmp_path / 'scenario.yaml'
    streams.write_text(yaml.safe_dump({'/**': {'ros__parameters': STREAMS}}))
    scenario.write_text(SCENARIO)
    site = Site(tmp_path, monkeypatch, DOMAIN)
    site.robots = {}
    try:
        for seed, robot in enumerate(ROBOTS):
            for node in (*MONITORS, 'rig'):
                given = ['--params-file', str(streams)] if node != 'rig' else [
                    '-p', f'scenario:={scenario}', '-p', f'seed:={seed}',
                    '-r', '/unit/odometry:=unit/odometry', '-r', '/body/imu:=body/imu']
                with (tmp_path / f'{robot}_{node}.log').open('w') as log:
                    site.robots[robot, node] = subprocess.Popen(
                        [sys.executable, '-m', f'robot_mapping_qa.nodes.{node}', '--ros-args',
                         '-r', f'__ns:=/{robot}', *given], env=dict(os.environ),
                        stdout=log, stderr=subprocess.STDOUT)
        site.person = site.watch(Person(site.context))
        yield site
    finally:
        for process in site.robots.values():
            process.send_signal(signal.SIGINT)
        for process in site.robots.values():
            try:
                process.wait(5.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        site.close()


def test_what_befalls_one_robot_leaves_the_other_alone(site):
    person = site.person
    assert site.wait(lambda: all(person.allowed.get(robot) for robot in ROBOTS), 120.0) is not None
    closed_before = dict(person.closed)

    # A hold by hand, by the service in the robot's namespace.
    hold = person.create_client(SetBool, '/north/mapping_qa/hold')
    assert hold.wait_for_service(5.0)
    for held in (True, False):
        answer = hold.call_async(SetBool.Request(data=held))
        assert site.wait(answer.done, 5.0) is not None
        assert site.wait(lambda: person.allowed['north'] is not held, 5.0) is not None

    # The unit of one robot falls silent.
    site.robots['north', 'rig'].send_signal(signal.SIGINT)
    assert site.wait(lambda: not person.allowed['north'], 5.0) is not None
    site.spin(1.0)
    assert person.allowed == {'north': False, 'south': True}
    assert person.closed == {**closed_before, 'north': closed_before['north'] + 2}

    # All robots share /diagnostics: the names say whose status it is.
    for robot in ROBOTS:
        for status in ('gate', 'pose unit_odometry', 'stream body_imu'):
            assert f'{robot}/robot_mapping_qa: {status}' in person.names
    assert all(name.startswith(ROBOTS) for name in person.names)
