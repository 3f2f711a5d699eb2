# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A covariance that is none closes the gate for a while, and does nothing else."""

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
RATE_HZ = 50
TURN_WALK_RAD = 0.0008 * 0.1 ** 0.5
BAD = [float('nan'), float('inf'), 1e308, -1.0]


class Walk:
    """A unit whose yaw walks as far as it says, beside a gyroscope."""

    def __init__(self):
        limits = TrustLimits()
        self.trust = MotionTrust(limits, {'imu': SecondSource(limits)})
        self.monitor = PoseMonitor(
            'unit', PoseLimits(), 3.0, rate_hz=RATE_HZ, trust=self.trust)
        self.random = np.random.default_rng(1)
        self.ticks, self.yaw_rad = 0, 0.0

    def step(self, bad=None):
        self.ticks += 1
        now_ns = START_NS + self.ticks * S // RATE_HZ
        rate = 0.3 * np.sin(0.02 * self.ticks)
        self.yaw_rad += rate / RATE_HZ + TURN_WALK_RAD * self.random.standard_normal()
        self.monitor.add_motion('imu', now_ns, now_ns, tuple(
            np.array([0.0, 0.0, rate]) + 0.0005 * self.random.standard_normal(3)))
        covariance = np.diag([4e-6 + 1e-8 * self.ticks] * 3
                             + [1e-8 + TURN_WALK_RAD ** 2 * self.ticks] * 3)
        if bad is not None:
            covariance[3:, 3:] = bad
        half = self.yaw_rad / 2.0
        self.monitor.add(Odometry(
            now_ns, 'odom', 'unit', np.array([0.7 * self.ticks / RATE_HZ, 0.0, 0.0]),
            np.array([0.0, 0.0, np.sin(half), np.cos(half)]), covariance, None, None, None),
            now_ns)

    def steps(self, number):
        for _ in range(number):
            self.step()

    def verdict(self):
        return self.monitor.verdict(START_NS + self.ticks * S // RATE_HZ)


@pytest.fixture(scope='module')
def as_ever():
    """Return the verdict on a walk with good covariances only."""
    walk = Walk()
    walk.steps(2001)
    assert walk.trust.is_confirmed
    return walk.verdict()


@pytest.mark.parametrize('bad', BAD)
def test_one_in_the_middle_leaves_the_judgement_as_it_was(bad, as_ever):
    walk = Walk()
    walk.steps(1000)
    walk.step(bad)
    verdict = walk.verdict()
    condition, = verdict.conditions
    assert (condition.kind, condition.severity) == ('covariance_invalid', Severity.HARD)
    assert verdict.figures['point_error_m'] is None
    walk.steps(1000)
    last = walk.verdict()
    assert last.conditions == as_ever.conditions == ()
    # The windows have seen nothing of it, neither for the unit nor against it.
    assert 0.5 < last.figures['inflation'] / as_ever.figures['inflation'] < 2.0
    assert last.figures['point_error_m'] == pytest.approx(
        as_ever.figures['point_error_m'], rel=0.01)


@pytest.mark.parametrize('bad', BAD)
def test_one_at_the_start_is_not_what_the_unit_said_of_its_start(bad, as_ever):
    walk = Walk()
    walk.step(bad)
    walk.steps(2000)
    assert walk.trust.is_confirmed
    assert walk.verdict().figures['estimated_sigma_m'] == pytest.approx(
        as_ever.figures['estimated_sigma_m'], rel=0.05)
