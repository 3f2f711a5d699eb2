# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A clock that is wrong, the unit's or the host's, does not take back what the unit has lost."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.pose.motion_trust import MotionTrust
from robot_mapping_qa.pose.second_source import SecondSource
from robot_mapping_qa.pose.trust_limits import TrustLimits
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Severity

S = 1_000_000_000
START_NS = 1_700_000_000 * S
DELAY_NS = 4_000_000
NAME, LIDAR = 'unit_odometry', 'roof_lidar'
RATE_HZ, SPEED_MPS, LIMIT_M = 50, 1.0, 0.05
HELD = np.diag([1e6] * 3 + [1e7] * 3)
OPEN_ALONG_X = np.diag([0.0, 1e6, 1e6] + [1e7] * 3)
STANDING = 0.0


def nothing(_):
    return np.zeros((6, 6))


def placeholder(_):
    return np.diag([1e-6] * 3 + [1e-8] * 3)


class Robot:
    """Walks along x; its unit's clock and its host's go as they are told."""

    def __init__(self, covariance_of=nothing, trust=None):
        self.monitor = PoseMonitor(
            NAME, PoseLimits(), 3.0, rate_hz=RATE_HZ, mounts={LIDAR: np.eye(4)},
            point_error_limit_m=LIMIT_M, trust=trust)
        self.has_imu = trust is not None
        self.random, self.shaky_rad = np.random.default_rng(1), 0.0
        self.covariance_of = covariance_of
        self.frame = 'odom'
        self.unit_ns = self.host_ns = START_NS
        self.ticks, self.x_m, self.texts = 0, 0.0, []

    def message(self, ahead_ns=0):
        half_yaw = self.shaky_rad * self.random.standard_normal() / 2.0
        return Odometry(
            self.unit_ns + ahead_ns, self.frame, 'unit', np.array([self.x_m, 0.0, 0.0]),
            np.array([0.0, 0.0, np.sin(half_yaw), np.cos(half_yaw)]),
            self.covariance_of(self.ticks), None, None, None)

    def give(self, message):
        self.texts += [event.text for event in self.monitor.add(message, self.now_ns)
                       if event.kind == 'time_restarted']

    def walk(self, seconds, information=HELD, speed_mps=SPEED_MPS):
        for _ in range(round(seconds * RATE_HZ)):
            self.ticks += 1
            self.x_m += speed_mps / RATE_HZ
            self.unit_ns += S // RATE_HZ
            self.host_ns += S // RATE_HZ
            if information is not None and self.monitor.wants_geometry(LIDAR, self.now_ns):
                self.monitor.add_geometry(LIDAR, information, self.now_ns)
            if self.has_imu:
                self.monitor.add_motion('imu', self.unit_ns, self.now_ns, (0.0, 0.0, 0.0))
            self.give(self.message())

    @property
    def now_ns(self):
        return self.host_ns + DELAY_NS

    def verdict(self):
        return self.monitor.verdict(self.now_ns)

    @property
    def point_error_m(self):
        return self.verdict().figures['point_error_m']

    def condition(self, kind):
        return next((c for c in self.verdict().conditions if c.kind == kind), None)


def one_stamp_ahead(robot):
    robot.give(robot.message(ahead_ns=5 * S))


def one_stamp_behind(robot):
    robot.give(robot.message(ahead_ns=-5 * S))


def unit_clock_set_back(robot):
    robot.unit_ns -= 3600 * S


def host_clock_set_back(robot):
    robot.host_ns -= 3600 * S


CLOCKS = [one_stamp_ahead, one_stamp_behind, unit_clock_set_back, host_clock_set_back]


@pytest.mark.parametrize('goes_wrong', CLOCKS)
@pytest.mark.parametrize('covariance_of', [nothing, placeholder])
def test_what_was_lost_in_the_open_counts_on(goes_wrong, covariance_of):
    robot = Robot(covariance_of)
    robot.walk(6.0)
    robot.walk(20.0, OPEN_ALONG_X)
    lost_m = robot.point_error_m
    assert lost_m > 4.0 * LIMIT_M
    goes_wrong(robot)
    robot.walk(5.0, OPEN_ALONG_X, STANDING)
    text, = robot.texts
    assert text.endswith(f': what {NAME} has lost still counts')
    assert robot.point_error_m == pytest.approx(lost_m, rel=0.01)
    robot.walk(20.0)
    assert robot.point_error_m > 0.9 * lost_m
    robot.monitor.rebase(robot.now_ns)
    robot.walk(1.0)
    assert robot.point_error_m < LIMIT_M


@pytest.mark.parametrize('goes_wrong', CLOCKS)
def test_changed_frame_is_for_a_rebase_to_end(goes_wrong):
    robot = Robot()
    robot.walk(2.0)
    robot.frame = 'map'
    robot.walk(2.0)
    goes_wrong(robot)
    robot.walk(2.0)
    condition = robot.condition('frame')
    assert condition.severity is Severity.HARD
    assert robot.now_ns - condition.onset_ns == pytest.approx(4.0 * S, abs=0.1 * S)
    robot.monitor.rebase(robot.now_ns)
    assert robot.condition('frame') is None


def times_of(goes_wrong):
    """Return what the estimate and the latch say before and after, less the host's time."""
    robot = Robot()
    robot.walk(6.0)
    robot.walk(10.0, OPEN_ALONG_X)
    robot.x_m += 0.3
    robot.walk(0.2, OPEN_ALONG_X)
    onsets = {c.key: robot.now_ns - c.onset_ns for c in robot.verdict().conditions}
    goes_wrong(robot)
    robot.walk(0.1, OPEN_ALONG_X)
    after = {c.key: robot.now_ns - S // 10 - c.onset_ns for c in robot.verdict().conditions}
    return robot, onsets, after


def test_conditions_are_as_old_as_they_were_after_the_host_clock_was_set_back():
    robot, before, after = times_of(host_clock_set_back)
    assert f'{NAME}/jump' in before and f'{NAME}/open_direction' in before
    assert after.keys() == before.keys()
    for key, age_ns in after.items():
        # A little of the step is taken for time in which no message came.
        assert age_ns == pytest.approx(before[key], abs=0.05 * S)
    robot.walk(1.0, OPEN_ALONG_X)
    assert robot.condition('jump') is None


def test_lidar_that_fell_silent_is_missed_as_soon_when_the_host_clock_was_set_back():
    robot = Robot()
    robot.walk(6.0)
    host_clock_set_back(robot)
    robot.walk(4.0, None)
    assert robot.verdict().figures['geometry_known'] == 0.0


def test_bag_that_is_played_again_is_judged_anew():
    robot = Robot()
    robot.walk(6.0)
    robot.walk(20.0, OPEN_ALONG_X)
    assert robot.point_error_m > LIMIT_M
    robot.unit_ns = robot.host_ns = START_NS
    robot.x_m, robot.frame = 0.0, 'map'
    robot.walk(1.0)
    assert robot.texts == [
        f'host time and the stamps of {NAME} went back by 26.0 s: the pose is judged anew']
    assert robot.point_error_m < LIMIT_M
    assert robot.condition('frame') is None


@pytest.mark.parametrize('first', ['host', 'stamps'])
def test_simulated_time_that_was_reset_is_a_new_start_whichever_is_heard_of_first(first):
    robot = Robot()
    robot.walk(6.0)
    robot.walk(20.0, OPEN_ALONG_X)
    before_ns = robot.host_ns
    if first == 'host':
        # A message of the time before was under way.
        robot.host_ns = START_NS
        robot.monitor.tick(robot.now_ns)
        robot.unit_ns += S // RATE_HZ
        robot.give(robot.message())
        robot.unit_ns = START_NS
    else:
        robot.unit_ns = START_NS
        robot.give(robot.message())
        assert robot.host_ns == before_ns
        robot.host_ns = START_NS
    robot.walk(1.0)
    assert robot.texts[-1].endswith(': the pose is judged anew')
    assert robot.point_error_m < LIMIT_M


def test_host_clock_and_unit_clock_that_are_set_one_after_the_other_are_no_new_start():
    robot = Robot()
    robot.walk(6.0)
    robot.walk(20.0, OPEN_ALONG_X)
    host_clock_set_back(robot)
    robot.walk(3.0, OPEN_ALONG_X, STANDING)
    unit_clock_set_back(robot)
    robot.walk(3.0, OPEN_ALONG_X, STANDING)
    assert robot.point_error_m > LIMIT_M


def test_placeholder_is_known_again_after_the_unit_clock_was_set_back():
    # It began to be the same with a stamp that is now far ahead.
    robot = Robot(placeholder)
    robot.walk(2.0)
    unit_clock_set_back(robot)
    robot.walk(20.0)
    assert robot.condition('covariance_placeholder') is not None


def test_unit_that_was_refuted_is_not_believed_again_for_one_wrong_stamp():
    limits = TrustLimits()
    robot = Robot(lambda ticks: np.diag([1e-6 + 1e-10 * ticks] * 3 + [1e-8 + 1e-12 * ticks] * 3),
                  trust=MotionTrust(limits, {'imu': SecondSource(limits)}))
    robot.walk(10.0)
    # It says 0.1 mrad, and turns by 2 mrad from pose to pose where the gyroscope sees nothing.
    robot.shaky_rad = 0.002
    robot.walk(20.0)
    assert robot.condition('covariance_optimistic') is not None
    robot.walk(20.0, OPEN_ALONG_X)
    lost_m = robot.point_error_m
    assert lost_m > 4.0 * LIMIT_M
    one_stamp_ahead(robot)
    robot.walk(10.0, HELD)
    assert robot.point_error_m > 0.9 * lost_m


def test_late_message_is_left_out_as_ever():
    robot = Robot()
    robot.walk(2.0)
    late = replace(robot.message(), stamp_ns=robot.unit_ns - S // 2)
    robot.give(late)
    assert robot.texts == [] and robot.monitor.newest.stamp_ns == robot.unit_ns
