# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The unit's pose in the map: what counts as a closed loop, and what frame people are shown."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.resources import share_file

S = 1_000_000_000
START_NS = 1_700_000_000 * S
NAME, LIDAR = 'unit_odometry', 'roof_lidar'
RATE_HZ, SPEED_MPS = 50, 0.7
OPEN_ALONG_X = np.diag([0.0, 1e6, 1e6] + [1e7] * 3)
UPRIGHT = np.array([0.0, 0.0, 0.0, 1.0])


def honest(way_m):
    """Return a covariance of 2 % of the way."""
    return np.diag([(0.002 + 0.02 * way_m) ** 2] * 3 + [1e-8] * 3)


def nothing(_):
    return np.zeros((6, 6))


class Robot:
    """Walks along x; five times a second its unit tells where it is in the map."""

    def __init__(self, covariance_of=honest, monitor=None):
        self.monitor = monitor or PoseMonitor(
            NAME, PoseLimits(), 3.0, rate_hz=RATE_HZ, mounts={LIDAR: np.eye(4)},
            point_error_limit_m=0.05)
        self.covariance_of = covariance_of
        self.ticks, self.x_m, self.y_m = 0, 0.0, 0.0
        self.map_shift_m, self.map_yaw_rad, self.map_frame = np.zeros(3), 0.0, 'map'
        self.events, self.shown = [], []

    @property
    def now_ns(self):
        return START_NS + self.ticks * S // RATE_HZ

    def walk(self, way_m=0.0, seconds=None, information=OPEN_ALONG_X):
        for _ in range(round(RATE_HZ * (way_m / SPEED_MPS if seconds is None else seconds))):
            self.ticks += 1
            self.x_m += 0.0 if way_m == 0.0 else SPEED_MPS / RATE_HZ
            if self.monitor.wants_geometry(LIDAR, self.now_ns):
                self.monitor.add_geometry(LIDAR, information, self.now_ns)
            odometry = Odometry(
                self.now_ns, 'odom', 'unit', np.array([self.x_m, self.y_m, 0.0]), UPRIGHT,
                self.covariance_of(self.x_m), None, None, None)
            self.events += self.monitor.add(odometry, self.now_ns)
            if self.map_frame and self.ticks % 10 == 0:
                half = self.map_yaw_rad / 2.0
                self.events += self.monitor.add_map_pose(replace(
                    odometry, frame=self.map_frame, quaternion=np.array([
                        0.0, 0.0, np.sin(half), np.cos(half)]),
                    position_m=odometry.position_m + self.map_shift_m), self.now_ns)
            pose = self.monitor.corrected_pose()
            self.shown.append(None if pose is None else (pose.frame, pose.position_m[1]))

    @property
    def point_error_m(self):
        return self.monitor.verdict(self.now_ns).figures['point_error_m']

    def told(self):
        found = [(event.kind, event.text) for event in self.events
                 if event.kind in ('loop_closure', 'pose_jump')]
        self.events.clear()
        return found


@pytest.mark.parametrize('covariance_of', [honest, nothing])
@pytest.mark.parametrize('shift_m, yaw_rad', [(50.0, 0.0), (-50.0, 0.0), (0.0, 1.0)])
def test_move_in_the_map_that_nothing_lost_explains_forgives_nothing(
        covariance_of, shift_m, yaw_rad):
    robot = Robot(covariance_of)
    robot.walk(21.0)
    lost_m = robot.point_error_m
    assert lost_m > 0.2 and robot.told() == []
    robot.map_shift_m, robot.map_yaw_rad = np.array([shift_m, 0.0, 0.0]), yaw_rad
    robot.walk(seconds=2.0)
    (kind, text), = robot.told()
    assert kind == 'pose_jump'
    assert text == (f'{NAME}: its place in the map moved by {abs(shift_m):.2f} m and '
                    f'{yaw_rad:.2f} rad, more than the estimate explains: not taken for a closed '
                    'loop (rebase if the map is right)')
    assert robot.point_error_m == pytest.approx(lost_m, rel=0.01)
    # People are shown the map as the unit has it now.
    assert robot.monitor.corrected_pose().position_m[0] == pytest.approx(robot.x_m + shift_m)


@pytest.mark.parametrize('covariance_of', [honest, nothing])
def test_correction_of_what_was_lost_is_a_closed_loop(covariance_of):
    robot = Robot(covariance_of)
    robot.walk(21.0)
    robot.map_shift_m = np.array([0.3, 0.0, 0.0])
    robot.walk(seconds=2.0)
    (kind, text), = robot.told()
    assert kind == 'loop_closure' and 'a loop was closed, the map moved by 0.30 m' in text
    assert robot.point_error_m < 0.05


def test_unit_that_says_it_has_lost_more_than_is_estimated_may_be_corrected_by_as_much():
    robot = Robot()
    robot.walk(21.0, information=np.diag([1e6] * 3 + [1e7] * 3))
    # Its 0.42 m per axis explain that, the estimate's 0.03 m do not.
    robot.map_shift_m = np.array([1.2, 0.0, 0.0])
    robot.walk(seconds=2.0)
    (kind, _), = robot.told()
    assert kind == 'loop_closure'


@pytest.mark.parametrize('shift_m', [0.0, 0.3, 7.0])
def test_map_in_another_frame_is_no_closed_loop(shift_m):
    robot = Robot()
    robot.walk(21.0)
    lost_m = robot.point_error_m
    robot.map_shift_m, robot.map_frame = np.array([shift_m, 0.0, 0.0]), 'other_map'
    robot.walk(seconds=2.0)
    assert robot.told() == []
    assert robot.point_error_m == pytest.approx(lost_m, rel=0.01)
    # But a correction within it is.
    robot.map_shift_m = robot.map_shift_m + np.array([0.3, 0.0, 0.0])
    robot.walk(seconds=2.0)
    assert [kind for kind, _ in robot.told()] == ['loop_closure']


def jump_aside(robot):
    robot.y_m += 0.4


def play_again(robot):
    robot.ticks -= 5 * RATE_HZ


@pytest.mark.parametrize('breaks', [jump_aside, play_again])
def test_pose_for_people_is_in_one_frame_or_not_there(breaks):
    robot = Robot()
    robot.map_shift_m = np.array([0.0, 1000.0, 0.0])
    robot.walk(5.0)
    robot.shown.clear()
    breaks(robot)
    robot.map_frame = None
    robot.walk(2.0)
    assert robot.shown[-1] is None
    robot.map_frame = 'map'
    robot.walk(2.0)
    assert {each[0] for each in robot.shown if each} == {'map'}
    assert all(each[1] > 900.0 for each in robot.shown if each)
    assert robot.shown[-1] is not None


@pytest.mark.parametrize('has_map', [True, False])
def test_before_the_first_map_pose_the_configuration_says_whether_to_wait_for_it(
        tmp_path, has_map):
    text = share_file('config/walk_streams.yaml').read_text()
    if not has_map:
        text = text.replace('role: map_pose', 'role: timing')
        assert 'role: map_pose' not in text
    file = tmp_path / 'streams.yaml'
    file.write_text(text)
    robot = Robot(monitor=make_pose_monitor(load_configuration(file)))
    robot.map_frame = None
    robot.walk(2.0)
    assert set(robot.shown) == ({None} if has_map else {('odom', 0.0)})
    # The gate and the ledger go by the pose in the unit's own frame all the same.
    judged, is_known = robot.monitor.judged_pose()
    assert is_known and judged.frame == 'odom'
