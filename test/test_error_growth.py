# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Covariances follow poses through chains of frames and steps, in ROS order."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.pose import se3, so3
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.error_growth import Constraint, ErrorGrowth
from scipy.linalg import expm
from scipy.spatial.transform import Rotation

SAMPLES = 100_000
# Errors that neither change on the way nor are taken back by gravity.
LASTING = replace(DegradationLimits(), scale_error=0.0, scale_error_lasts_m=1e12,
                  dead_reckoning_lasts_m=1e12, gravity_holds_m=1e12)


def random_pose(random):
    turn = Rotation.from_rotvec(random.standard_normal(3))
    return se3.pose_matrix(turn.as_matrix(), 2.0 * random.standard_normal(3))


def random_covariance(random, sigma_m=0.01, sigma_rad=0.005):
    factor = random.standard_normal((6, 6))
    scale = np.array([sigma_m] * 3 + [sigma_rad] * 3)
    return factor @ factor.T / 6.0 * np.outer(scale, scale)


def random_walk(random):
    """Return steps, each with the covariance of its error about the axes of where it begins."""
    return [(random_pose(random), random_covariance(random)) for _ in range(4)]


def motion_matrix(motion):
    matrix = np.zeros((4, 4))
    matrix[:3, :3] = so3.hat(motion[3:])
    matrix[:3, 3] = motion[:3]
    return matrix


def assert_same_covariance(found, expected):
    """
    Compare each variance within 3 %, each correlation within 0.03.

    With 1e5 samples the random error of both is 0.5 % (one sigma); the rest is for the terms
    that first order leaves out.
    """
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.abs((found - expected) / scale).max() < 0.03


def grown(steps, limits=LASTING, open_share=np.zeros((6, 6))):
    """Return the pose after the steps, and what `ErrorGrowth` says of its covariance."""
    growth, pose = ErrorGrowth(limits), np.eye(4)
    for step, covariance in steps:
        way_m = np.linalg.norm(step[:3, 3])
        growth.move(pose[:3, :3], pose[:3, :3] @ step[:3, 3], 0.0,
                    Constraint(open_share, covariance / way_m))
        pose = pose @ step
    return pose, growth.covariance


def drawn(random, steps, speed_error=0.0, scale_error=0.0):
    """Return positions (n, 3) and turns after the steps, each with an error drawn anew."""
    speed = speed_error * random.standard_normal((SAMPLES, 3))
    scale = scale_error * random.standard_normal((SAMPLES, 1))
    place, turn = np.zeros((SAMPLES, 3)), Rotation.from_rotvec(np.zeros((SAMPLES, 3)))
    for step, covariance in steps:
        error = random.multivariate_normal(np.zeros(6), covariance, size=SAMPLES)
        moved = step[:3, 3]
        place = place + turn.apply(
            moved + error[:, :3] + np.linalg.norm(moved) * speed + scale * moved)
        turn = turn * Rotation.from_rotvec(error[:, 3:]) * Rotation.from_matrix(step[:3, :3])
    return place, turn


def observed_covariance(place, turn, mean):
    error = (turn * Rotation.from_matrix(mean[:3, :3]).inv()).as_rotvec()
    return np.cov(np.hstack([place - mean[:3, 3], error]).T)


@pytest.mark.parametrize('seed', [1, 2, 3])
def test_errors_of_steps_add_up_as_in_drawn_samples(seed):
    random = np.random.default_rng(seed)
    steps = random_walk(random)
    pose, covariance = grown(steps)
    assert_same_covariance(observed_covariance(*drawn(random, steps), pose), covariance)


def test_lasting_errors_of_speed_and_scale_add_up_as_in_drawn_samples():
    random = np.random.default_rng(4)
    steps = random_walk(random)
    pose, covariance = grown(
        steps, replace(LASTING, dead_reckoning_error=0.01, scale_error=0.02),
        np.diag([1.0] * 3 + [0.0] * 3))
    assert_same_covariance(
        observed_covariance(*drawn(random, steps, 0.01, 0.02), pose), covariance)


def test_other_parent_frame_against_drawn_samples():
    random = np.random.default_rng(5)
    covariance, parent = random_covariance(random), random_pose(random)[:3, :3]
    error = random.multivariate_normal(np.zeros(6), covariance, size=SAMPLES)
    turned = parent @ Rotation.from_rotvec(error[:, 3:]).as_matrix() @ parent.T
    seen = np.hstack([error[:, :3] @ parent.T, Rotation.from_matrix(turned).as_rotvec()])
    assert_same_covariance(np.cov(seen.T), se3.turn_covariance(parent, covariance))


def test_rotation_of_a_quaternion_agrees_with_scipy():
    for quaternion in np.random.default_rng(8).standard_normal((100, 4)):
        assert so3.from_quaternion(quaternion) == pytest.approx(
            Rotation.from_quat(quaternion).as_matrix(), abs=1e-14)


def test_adjoint_moves_a_motion_to_the_parent_frame():
    random = np.random.default_rng(9)
    pose, motion = random_pose(random), random.standard_normal(6)
    # scipy's general matrix exponential.
    assert pose @ expm(motion_matrix(motion)) == pytest.approx(
        expm(motion_matrix(se3.adjoint(pose) @ motion)) @ pose, abs=1e-12)
    assert se3.inverse(pose) == pytest.approx(np.linalg.inv(pose), abs=1e-12)


# gtsam orders rotation before translation and perturbs in the body frame.
FROM_GTSAM = np.r_[3:6, 0:3]


def test_errors_of_steps_add_up_as_in_the_marginal_of_a_gtsam_graph():
    gtsam = pytest.importorskip('gtsam', reason='the reference library gtsam is not installed')
    steps = random_walk(np.random.default_rng(21))
    graph, values, pose = gtsam.NonlinearFactorGraph(), gtsam.Values(), np.eye(4)
    for index, (step, covariance) in enumerate(steps):
        # From the axes where the step begins to those where it ends.
        body = se3.turn_covariance(step[:3, :3].T, covariance)[np.ix_(FROM_GTSAM, FROM_GTSAM)]
        noise = gtsam.noiseModel.Gaussian.Covariance(body)
        if index == 0:
            graph.add(gtsam.PriorFactorPose3(0, gtsam.Pose3(step), noise))
        else:
            graph.add(gtsam.BetweenFactorPose3(index - 1, index, gtsam.Pose3(step), noise))
        pose = pose @ step
        values.insert(index, gtsam.Pose3(pose))
    marginal = gtsam.Marginals(graph, values).marginalCovariance(len(steps) - 1)
    expected = se3.turn_covariance(pose[:3, :3], marginal[np.ix_(FROM_GTSAM, FROM_GTSAM)])
    assert grown(steps)[1] == pytest.approx(expected, rel=1e-6, abs=1e-12)
    reference = gtsam.Pose3(pose)
    assert se3.adjoint(pose) == pytest.approx(
        reference.AdjointMap()[np.ix_(FROM_GTSAM, FROM_GTSAM)], abs=1e-12)
    assert se3.inverse(pose) == pytest.approx(reference.inverse().matrix(), abs=1e-12)
