# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Parts of the pose error's formulas that no walk on the level shows: signs, rules, restarts."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.error_growth import Constraint, ErrorGrowth
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.pose.reported_error import ReportedError
from robot_mapping_qa.pose.second_source import SecondSource, UnitPose
from robot_mapping_qa.pose.trust_limits import TrustLimits
from robot_mapping_qa.records import Odometry

S = 1_000_000_000
START_NS = 1_700_000_000 * S
UPRIGHT = (0.0, 0.0, 0.0, 1.0)


# Growth of the error


@pytest.mark.parametrize('moved_m', [(0.3, 0.0, 0.1), (0.3, -0.2, 0.4), (-0.1, 0.5, -0.2)])
def test_a_turned_start_swings_the_way_that_follows(moved_m):
    """A rotation error t moves the end of the way m by t x m: on a climb, sideways, downwards."""
    turned = np.array([0.002, -0.003, 0.005])
    held = Constraint(np.zeros((6, 6)), np.zeros((6, 6)))
    growth = ErrorGrowth(DegradationLimits(scale_error=0.0))
    start = np.concatenate([np.zeros(3), turned])
    growth.start(np.outer(start, start))
    growth.move(np.eye(3), np.array(moved_m), 0.0, held)
    swung = np.cross(turned, moved_m)
    assert growth.covariance[:3, :3] == pytest.approx(np.outer(swung, swung), rel=1e-9, abs=1e-15)


# The unit against wheels


STEP_S, SAMPLE_S = 0.25, 0.05
REPORTED_M = 0.01


def carried(covariance, way_m):
    """Return a covariance (6, 6) after an exact motion (3,): t swings the way as t x way."""
    x, y, z = way_m
    swing = np.eye(6)
    swing[:3, 3:] = [[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]
    return swing @ covariance @ swing.T


def against_wheels(sideways_m, slip_radps=0.0, slip_mps=0.0, heading_rad=0.0):
    """
    Walk along x at 1 m/s for 12 s, 100 m from the start; return the inflation of the position.

    ``sideways_m`` are the unit's errors in each step, which it reports as `REPORTED_M`. Every
    other second the wheels turn as given, left and right in turn, and slide to the left, while
    the unit goes straight on. The unit also reports a heading that is wrong by ``heading_rad``
    since the start, and what follows.
    """
    random = np.random.default_rng(8)
    source = SecondSource(TrustLimits(), planar=True)
    covariance = carried(np.diag([1e-6] * 5 + [heading_rad ** 2]), (100.0, 0.0, 0.0))
    place = np.zeros(3)
    for step, error_m in enumerate(sideways_m):
        begin_ns = START_NS + round(step * STEP_S * S)
        source.add_pose(UnitPose(begin_ns, UPRIGHT, tuple(place), covariance))
        for i in range(round(STEP_S / SAMPLE_S)):
            second = int(step * STEP_S + i * SAMPLE_S)
            turns, slides = (0, 1, 0, -1)[second % 4], second % 2
            noise = 0.001 * random.standard_normal(3)
            source.add(begin_ns + round(i * SAMPLE_S * S), (
                0.0, 0.0, turns * slip_radps + noise[0],
                1.0 + noise[1], slides * slip_mps + noise[2], 0.0))
        way_m = np.array([STEP_S, error_m, 0.0])
        place = place + way_m
        covariance = carried(covariance, way_m)
        covariance[1, 1] += REPORTED_M ** 2
    return source.travel_inflation()


def errors(sigma_m):
    return sigma_m * np.random.default_rng(3).standard_normal(48)


def test_wheels_that_turn_more_than_the_unit_are_no_witness_of_its_way():
    assert against_wheels(errors(REPORTED_M), slip_mps=0.5).low > 1.3
    honest = against_wheels(errors(REPORTED_M), slip_radps=0.5, slip_mps=0.5)
    assert honest.low < 1.0


@pytest.mark.parametrize('factor', [1.0, 3.0])
def test_heading_error_of_old_does_not_hide_what_each_step_adds(factor):
    """It lets the error of the position grow with the way, but is no error of a step's motion."""
    found = against_wheels(errors(factor * REPORTED_M), heading_rad=0.01)
    known = against_wheels(errors(factor * REPORTED_M))
    assert known.factor > 0.6 * factor
    assert found.factor == pytest.approx(known.factor, rel=1e-3)


# What the unit reports


def test_what_a_unit_loses_after_it_corrected_itself_is_new():
    reports = ReportedError()

    def sigma2_m2(variance_m2):
        reports.add(np.diag([variance_m2] * 3 + [0.0] * 3))
        return reports.covariance[0, 0]
    sigma2_m2(1.0)
    sigma2_m2(10.0)
    reports.forgive()
    assert sigma2_m2(10.0) == pytest.approx(1.0)
    # Two of the nine that were forgiven are left; the next four are not among them.
    assert sigma2_m2(3.0) == pytest.approx(1.0)
    assert sigma2_m2(7.0) == pytest.approx(5.0)


# The map


@pytest.mark.parametrize('frame, kind', [('odom', 'pose_jump'), ('odom_2', 'frame_changed')])
def test_odometry_that_jumps_closes_no_loop(frame, kind):
    """The pose in the map goes on as before: only the odometry's place in it is another."""
    unit = PoseMonitor('unit', PoseLimits(), 3.0, rate_hz=50.0)
    covariance = np.diag([1e-6] * 6)
    kinds = []
    for i in range(400):
        stamp_ns = START_NS + i * S // 50
        now_ns = stamp_ns + S // 200
        odometry = Odometry(
            stamp_ns, 'odom' if i < 200 else frame, 'unit',
            np.array([i / 50.0, 0.0 if i < 200 else 2.0, 0.0]), np.array(UPRIGHT), covariance,
            np.array([1.0, 0.0, 0.0]), np.zeros(3), None)
        events = [*unit.add(odometry, now_ns)]
        if i % 10 == 0:
            events += unit.add_map_pose(replace(
                odometry, frame='map', position_m=np.array([i / 50.0, 5.0, 0.0])), now_ns)
        kinds += [event.kind for event in events]
    assert kinds == [kind]
