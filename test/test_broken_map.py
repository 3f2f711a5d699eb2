# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What makes pictures before and after a place disagree: an open stretch, and a jump."""

from dataclasses import replace
import math

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
        self.along_m = self.aside_m = 0.0

    @property
    def now_ns(self):
        return START_NS + self.ticks * S // RATE_HZ

    def walk(self, way_m, information, covariance_of):
        for _ in range(round(way_m / SPEED_MPS * RATE_HZ)):
            self.step(information, covariance_of)

    def stand(self, seconds, information, covariance_of):
        for _ in range(round(seconds * RATE_HZ)):
            self.step(information, covariance_of, 0.0)

    def step(self, information=HELD, covariance_of=lambda ticks: NOTHING, speed_mps=SPEED_MPS):
        self.ticks += 1
        self.along_m += speed_mps / RATE_HZ
        if self.monitor.wants_geometry(LIDAR, self.now_ns):
            self.monitor.add_geometry(LIDAR, information, self.now_ns)
        self.monitor.add(Odometry(
            self.now_ns, 'map', 'unit', np.array([self.along_m, self.aside_m, 0.0]),
            np.array([0.0, 0.0, 0.0, 1.0]), covariance_of(self.ticks),
            np.array([speed_mps, 0.0, 0.0]), np.zeros(3), None), self.now_ns)

    @property
    def figures(self):
        return self.monitor.verdict(self.now_ns).figures

    @property
    def point_error_m(self):
        return self.figures['point_error_m']


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


@pytest.mark.parametrize('size_m', [0.06, 0.5])
def test_jump_does_not_bring_back_what_was_lost(size_m):
    robot = Robot()
    robot.walk(6.0, HELD, none_at_all)
    robot.walk(20.0, OPEN_ALONG_X, none_at_all)
    lost_m = robot.point_error_m
    robot.aside_m += size_m
    robot.stand(3.0, HELD, none_at_all)
    assert [jump['size_m'] for jump in robot.monitor.summary()['jumps']] == [
        pytest.approx(size_m, abs=0.01)]
    assert robot.point_error_m > 0.9 * lost_m
    robot.walk(20.0, HELD, none_at_all)
    assert robot.point_error_m > 0.9 * lost_m


def test_unit_that_says_no_more_while_it_stands_is_doubted_at_once():
    robot = Robot()
    robot.walk(6.0, HELD, says_that_it_is_held)
    robot.walk(20.0, OPEN_ALONG_X, says_that_it_is_held)
    robot.walk(30.0, HELD, says_that_it_is_held)
    assert robot.figures['point_error_m'] < LIMIT_M
    assert robot.figures['until_limit_m'] is None
    robot.stand(0.05, HELD, none_at_all)
    silent = robot.figures
    assert silent['point_error_m'] > LIMIT_M
    assert silent['until_limit_m'] == 0.0
    assert silent['estimated_sigma_of_late_m'] == silent['sigma_position_m']
    # It speaks again, and is believed once it has for a while.
    robot.stand(3.0, HELD, says_that_it_is_held)
    assert robot.figures['point_error_m'] < LIMIT_M
    assert robot.figures['until_limit_m'] is None


def test_outlook_knows_of_what_was_lost():
    robot = Robot()
    robot.walk(6.0, HELD, none_at_all)
    while robot.point_error_m < 0.7 * LIMIT_M:
        robot.walk(0.1, OPEN_ALONG_X, none_at_all)
    robot.walk(20.0, HELD, none_at_all)
    assert robot.point_error_m > 0.6 * LIMIT_M
    assert robot.figures['until_limit_m'] is None
    robot.walk(0.8, OPEN_ALONG_X, none_at_all)
    told_m, ticks = robot.figures['until_limit_m'], robot.ticks
    while robot.point_error_m < LIMIT_M:
        robot.step(OPEN_ALONG_X, none_at_all)
    # It is worked out twice a second: up to 0.4 m before.
    assert told_m == pytest.approx((robot.ticks - ticks) * SPEED_MPS / RATE_HZ, abs=0.4)
    robot.walk(1.0, OPEN_ALONG_X, none_at_all)
    robot.walk(10.0, HELD, none_at_all)
    assert robot.point_error_m > LIMIT_M and robot.figures['until_limit_m'] == 0.0


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


def test_how_well_a_lidar_holds_each_direction_is_told_while_its_clouds_come():
    robot = Robot()
    robot.walk(6.0, OPEN_ALONG_X, none_at_all)
    told = robot.monitor.brief(robot.now_ns)
    assert abs(told[f'{LIDAR}/weakest_axis_x']) == pytest.approx(1.0)
    assert told[f'{LIDAR}/sigma_1_m'] == math.inf
    assert 0.0 < told[f'{LIDAR}/sigma_3_m'] <= told[f'{LIDAR}/sigma_2_m'] < 0.1
    assert 0.0 < told[f'{LIDAR}/sigma_1_rad'] < 0.1
    robot.walk(6.0, HELD, none_at_all)
    assert robot.monitor.brief(robot.now_ns)[f'{LIDAR}/sigma_1_m'] < 0.1
    assert f'{LIDAR}/sigma_1_m' not in robot.monitor.brief(robot.now_ns + 60 * S)
