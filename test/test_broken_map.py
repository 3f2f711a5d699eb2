# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What makes pictures before and after a place disagree: an open stretch, and a jump."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.resources import share_file

S = 1_000_000_000
START_NS = 1_700_000_000 * S
LIDAR = 'roof_lidar'
RATE_HZ, SPEED_MPS = 20, 0.8
LIMIT_M = 0.05
HELD = np.diag([1e6] * 3 + [1e7] * 3)
OPEN_ALONG_X = np.diag([0.0, 1e6, 1e6] + [1e7] * 3)
NOTHING = np.zeros((6, 6))


class Robot:
    """Walks along x before the pose monitor of the demo's configuration."""

    def __init__(self):
        configuration = load_configuration(share_file('config/demo_streams.yaml'))
        self.monitor = make_pose_monitor(replace(configuration, point_error_limit_m=LIMIT_M))
        self.ticks = 0
        self.aside_m = 0.0

    @property
    def now_ns(self):
        return START_NS + self.ticks * S // RATE_HZ

    def walk(self, way_m, information, covariance_of):
        for _ in range(round(way_m / SPEED_MPS * RATE_HZ)):
            self.step(information, covariance_of)

    def step(self, information=HELD, covariance_of=lambda ticks: NOTHING):
        self.ticks += 1
        if self.monitor.wants_geometry(LIDAR, self.now_ns):
            self.monitor.add_geometry(LIDAR, information, self.now_ns)
        self.monitor.add(Odometry(
            self.now_ns, 'map', 'unit', np.array([
                self.ticks * SPEED_MPS / RATE_HZ, self.aside_m, 0.0]),
            np.array([0.0, 0.0, 0.0, 1.0]), covariance_of(self.ticks),
            np.array([SPEED_MPS, 0.0, 0.0]), np.zeros(3), None), self.now_ns)

    @property
    def point_error_m(self):
        return self.monitor.verdict(self.now_ns).figures['point_error_m']


def none_at_all(_):
    return NOTHING


def says_that_it_is_held(ticks):
    return np.diag([1e-6 + 1e-9 * ticks] * 3 + [1e-8] * 3)


def test_unit_that_reports_nothing_stays_doubted_behind_an_open_stretch():
    robot = Robot()
    robot.walk(6.0, HELD, none_at_all)
    assert robot.point_error_m < LIMIT_M
    robot.walk(20.0, OPEN_ALONG_X, none_at_all)
    lost_m = robot.point_error_m
    assert lost_m > 0.2
    robot.walk(30.0, HELD, none_at_all)
    assert robot.point_error_m > 0.9 * lost_m
    robot.monitor.rebase(robot.now_ns)
    robot.walk(3.0, HELD, none_at_all)
    assert robot.point_error_m < LIMIT_M


def test_unit_whose_word_counts_is_doubted_for_some_metres_only():
    robot = Robot()
    robot.walk(6.0, HELD, says_that_it_is_held)
    robot.walk(20.0, OPEN_ALONG_X, says_that_it_is_held)
    assert robot.point_error_m > LIMIT_M
    robot.walk(30.0, HELD, says_that_it_is_held)
    assert robot.point_error_m < LIMIT_M


@pytest.mark.parametrize('jump_m', [0.1, 0.5])
def test_jump_begins_with_the_pose_before_it(jump_m):
    robot = Robot()
    for _ in range(100):
        robot.step()
    before_ns = robot.now_ns
    robot.aside_m += jump_m
    for _ in range(3):
        robot.step()
        jumps = [c for c in robot.monitor.verdict(robot.now_ns).conditions if c.kind == 'jump']
        if jumps:
            break
    # Between the two a picture would be placed half-way.
    assert jumps[0].onset_ns == before_ns
