# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A stretch without clouds: the worst while it lasts, judged by both of its sides afterwards.

And one that clouds show to be open: what is lost there stays lost.
"""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.pose.degradation import DegradationEstimate
from robot_mapping_qa.pose.degradation_limits import DegradationLimits

S = 1_000_000_000
START_NS = 1_700_000_000 * S
LIMITS = DegradationLimits()
UPRIGHT = (0.0, 0.0, 0.0, 1.0)
# Inverse covariances of one cloud: held everywhere to a millimetre, less so, or nowhere along x.
HELD = np.diag([1e6] * 3 + [1e7] * 3)
HELD_LESS = np.diag([2e4, 1e6, 1e6] + [1e7] * 3)
OPEN_ALONG_X = np.diag([0.0, 1e6, 1e6] + [1e7] * 3)


class Robot:
    """Walks along x at 1 m/s; a metre begins with two clouds, if any."""

    def __init__(self, limits=LIMITS):
        self.estimate = DegradationEstimate(limits, {'lidar': np.eye(4)})
        self.ticks = 0

    def walk(self, way_m, information=None):
        for _ in range(round(way_m * 50)):
            if information is not None and self.ticks % 25 == 0:
                self.see(information)
            self.ticks += 1
            self.stand()

    def stand(self):
        self.estimate.add_pose((self.ticks / 50.0, 0.0, 0.0), UPRIGHT, self.now_ns)

    def see(self, information):
        self.estimate.add_geometry('lidar', information, self.now_ns)

    @property
    def now_ns(self):
        return START_NS + self.ticks * S // 50

    @property
    def sigma_m(self):
        return self.estimate.covariance[0, 0] ** 0.5

    @property
    def sigma_of_late_m(self):
        return self.estimate.covariance_of_late[0, 0] ** 0.5


def sigmas_after(*stretches, limits=LIMITS):
    robot = Robot(limits)
    for stretch in stretches:
        robot.walk(*stretch)
    return np.array([robot.sigma_m, robot.sigma_of_late_m])


def test_short_stretch_between_held_ones_counts_as_held():
    seen = sigmas_after((10.0, HELD), (6.0, HELD), (2.0, HELD))
    bridged = sigmas_after((10.0, HELD), (6.0,), (2.0, HELD))
    assert bridged == pytest.approx(seen, rel=0.05)


def test_the_worst_counts_while_it_lasts():
    robot = Robot()
    robot.walk(10.0, HELD)
    before_m = robot.sigma_of_late_m
    robot.walk(6.0)
    assert robot.estimate.is_blind
    assert robot.sigma_of_late_m > before_m + 0.03


def test_robot_that_stands_need_not_walk_on():
    robot = Robot()
    robot.walk(10.0, HELD)
    before_m = robot.sigma_of_late_m
    robot.walk(6.0)
    robot.see(HELD)
    robot.stand()
    assert robot.sigma_of_late_m < 1.5 * before_m


@pytest.mark.parametrize('before, after', [(HELD, OPEN_ALONG_X), (OPEN_ALONG_X, HELD)])
def test_stretch_that_is_open_on_one_side_stays_as_the_worst(before, after):
    limits = replace(LIMITS, geometry_bridge_m=0.0)
    assert sigmas_after((10.0, before), (6.0,), (0.5, after)) == pytest.approx(
        sigmas_after((10.0, before), (6.0,), (0.5, after), limits=limits))


@pytest.mark.parametrize('before, after', [(HELD, HELD_LESS), (HELD_LESS, HELD)])
def test_side_that_is_held_less_decides(before, after):
    seen = sigmas_after((10.0, before), (6.0, HELD_LESS), (2.0, after))
    bridged = sigmas_after((10.0, before), (6.0,), (2.0, after))
    # The last cloud before it counts for some way more.
    assert bridged == pytest.approx(seen, rel=0.15)


def test_long_stretch_stays_as_the_worst():
    limits = replace(LIMITS, geometry_bridge_m=0.0)
    way = (10.0, HELD), (14.0,), (1.0, HELD)
    assert sigmas_after(*way) == pytest.approx(sigmas_after(*way, limits=limits))


def test_first_clouds_of_all_say_nothing_of_what_lay_before():
    limits = replace(LIMITS, geometry_bridge_m=0.0)
    assert sigmas_after((6.0,), (1.0, HELD)) == pytest.approx(
        sigmas_after((6.0,), (1.0, HELD), limits=limits))


def test_two_stretches_are_judged_each_by_its_sides():
    seen = sigmas_after((22.0, HELD))
    bridged = sigmas_after((4.0, HELD), (6.0,), (2.0, HELD), (6.0,), (4.0, HELD))
    assert bridged == pytest.approx(seen, rel=0.05)


def test_what_happened_meanwhile_is_not_lost():
    robot = Robot()
    robot.walk(10.0, HELD)
    robot.walk(4.0)
    jump = np.array([0.3, 0.0, 0.0, 0.0, 0.0, 0.0])
    robot.estimate.skip((robot.ticks / 50.0, 0.0, 0.0), UPRIGHT, jump)
    robot.walk(2.0)
    robot.walk(1.0, HELD)
    assert robot.sigma_m > 0.3


def test_loop_closed_meanwhile_stays_closed():
    robot = Robot()
    robot.walk(60.0, OPEN_ALONG_X)
    robot.walk(1.0, HELD)
    robot.walk(4.0)
    robot.estimate.close_loop()
    closed_m = robot.sigma_m
    robot.walk(1.0, HELD)
    assert robot.sigma_m < closed_m + 0.05


def test_turning_on_the_spot_for_long_is_not_kept():
    robot = Robot()
    robot.walk(10.0, HELD)
    robot.walk(2.0)
    before_m = robot.sigma_of_late_m
    for step in range(2000):
        robot.ticks += 1
        angle = 0.2 * step
        robot.estimate.add_pose((12.0, 0.0, 0.0), (
            0.0, 0.0, np.sin(angle / 2.0), np.cos(angle / 2.0)), robot.now_ns)
    robot.see(HELD)
    robot.stand()
    assert robot.sigma_of_late_m >= before_m


def lost_m(robot):
    return robot.estimate.covariance_lost[0, 0] ** 0.5


def test_what_was_lost_in_the_open_stays_lost():
    robot = Robot()
    robot.walk(10.0, HELD)
    assert lost_m(robot) == 0.0
    robot.walk(20.0, OPEN_ALONG_X)
    lost = lost_m(robot)
    assert lost > 0.15
    robot.walk(40.0, HELD)
    assert robot.sigma_of_late_m < 0.02
    assert lost_m(robot) == pytest.approx(lost, rel=0.1)


def test_no_clouds_alone_break_no_map():
    robot = Robot()
    robot.walk(10.0, HELD)
    robot.walk(20.0)
    robot.walk(5.0, HELD)
    # A step may pass until the first cloud counts.
    assert lost_m(robot) < 0.005


def test_lidar_that_is_lost_in_the_open_leaves_it_open():
    robot = Robot()
    robot.walk(5.0, OPEN_ALONG_X)
    before = lost_m(robot)
    robot.walk(20.0)
    assert lost_m(robot) > before + 0.1


@pytest.mark.parametrize('mend', [
    lambda robot: robot.estimate.close_loop(),
    lambda robot: robot.estimate.start((robot.ticks / 50.0, 0.0, 0.0), UPRIGHT, robot.now_ns)])
def test_known_good_pose_ends_what_was_lost(mend):
    robot = Robot()
    robot.walk(20.0, OPEN_ALONG_X)
    robot.walk(2.0, HELD)
    mend(robot)
    robot.walk(2.0, HELD)
    assert lost_m(robot) == 0.0


@pytest.mark.parametrize('jump', [np.array([0.1, 0.0, 0.0, 0.0, 0.0, 0.0]), None])
def test_jump_or_another_frame_mends_nothing(jump):
    robot = Robot()
    robot.walk(20.0, OPEN_ALONG_X)
    robot.walk(2.0, HELD)
    lost = lost_m(robot)
    robot.estimate.skip((robot.ticks / 50.0, 0.0, 0.0), UPRIGHT, jump)
    robot.walk(2.0, HELD)
    assert lost_m(robot) == pytest.approx(lost, rel=0.01)


def test_jump_in_the_open_hides_nothing_of_what_is_lost_on():
    robot, straight = Robot(), Robot()
    for each in (robot, straight):
        each.walk(10.0, OPEN_ALONG_X)
    robot.estimate.skip(
        (robot.ticks / 50.0, 0.0, 0.0), UPRIGHT, np.array([0.06, 0.0, 0.0, 0.0, 0.0, 0.0]))
    for each in (robot, straight):
        each.walk(10.0, OPEN_ALONG_X)
    assert lost_m(robot) == pytest.approx(lost_m(straight), rel=0.01)


def metres_until(robot, limit_m, with_lost):
    return robot.estimate.metres_until(
        lambda covariance: covariance[0, 0] ** 0.5, limit_m, with_lost=with_lost)


def test_outlook_counts_what_was_lost():
    robot = Robot()
    robot.walk(5.0, HELD)
    robot.walk(2.0, OPEN_ALONG_X)
    robot.walk(30.0, HELD)
    lost, limit_m = lost_m(robot), lost_m(robot) + 0.02
    assert robot.sigma_of_late_m < 0.5 * lost
    # Nothing grows where the unit is held; over already is over.
    assert metres_until(robot, limit_m, True) is None
    assert metres_until(robot, 0.9 * lost, False) is None
    assert metres_until(robot, 0.9 * lost, True) == 0.0
    robot.walk(0.8, OPEN_ALONG_X)
    begun = robot.ticks
    told_m, late_m = metres_until(robot, limit_m, True), metres_until(robot, limit_m, False)
    assert 0.0 < told_m < 0.8 * late_m
    while lost_m(robot) < limit_m:
        robot.walk(0.1, OPEN_ALONG_X)
    assert told_m == pytest.approx((robot.ticks - begun) / 50.0, abs=0.15)
