# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The error that grows along the way is the compound of those of the steps, in ROS order."""

from dataclasses import replace

from drawn_covariances import (
    assert_same_covariance, random_covariance, random_pose, SAMPLES)
import numpy as np
import pytest
from robot_mapping_qa.pose import se3
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.error_growth import Constraint, ErrorGrowth
from scipy.spatial.transform import Rotation

# Errors that neither change on the way nor are taken back by gravity.
LASTING = replace(DegradationLimits(), scale_error=0.0, scale_error_lasts_m=1e12,
                  dead_reckoning_lasts_m=1e12, gravity_holds_m=1e12)


def random_walk(random):
    """Return steps, each with the covariance of its error about the axes of where it begins."""
    return [(random_pose(random), random_covariance(random)) for _ in range(4)]


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
