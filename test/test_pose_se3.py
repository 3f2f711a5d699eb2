# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Covariances follow poses through chains of frames, in ROS order."""

from drawn_covariances import (
    assert_same_covariance, random_covariance, random_pose, SAMPLES)
import numpy as np
import pytest
from robot_mapping_qa.pose import se3, so3
from scipy.linalg import expm, logm
from scipy.spatial.transform import Rotation


def disturb(random, pose, covariance, samples=SAMPLES):
    """Draw true poses around a reported one, as geometry_msgs/PoseWithCovariance means it."""
    error = random.multivariate_normal(np.zeros(6), covariance, size=samples)
    return se3.pose_matrix(so3.exp(error[:, 3:]) @ pose[:3, :3], pose[:3, 3] + error[:, :3])


def observed_covariance(poses, mean):
    shift = poses[:, :3, 3] - mean[:3, 3]
    turn = so3.log(poses[:, :3, :3] @ mean[:3, :3].T)
    return np.cov(np.hstack([shift, turn]).T)


def test_compound_against_drawn_samples():
    random = np.random.default_rng(1)
    first, second = random_pose(random), random_pose(random)
    first_covariance, second_covariance = random_covariance(random), random_covariance(random)
    pose, covariance = se3.compound(first, first_covariance, second, second_covariance)
    drawn = (disturb(random, first, first_covariance)
             @ disturb(random, second, second_covariance))
    assert_same_covariance(observed_covariance(drawn, pose), covariance)


def test_inverse_against_drawn_samples():
    random = np.random.default_rng(2)
    pose, covariance = random_pose(random), random_covariance(random)
    back, back_covariance = se3.invert(pose, covariance)
    assert back @ pose == pytest.approx(np.eye(4), abs=1e-12)
    drawn = np.linalg.inv(disturb(random, pose, covariance))
    assert_same_covariance(observed_covariance(drawn, back), back_covariance)


def test_sensor_on_a_lever_and_map_frame_against_drawn_samples():
    random = np.random.default_rng(3)
    pose, covariance = random_pose(random), random_covariance(random)
    mount, parent = random_pose(random), random_pose(random)
    drawn = disturb(random, pose, covariance)
    moved, moved_covariance = se3.change_child(pose, covariance, mount)
    assert_same_covariance(observed_covariance(drawn @ mount, moved), moved_covariance)
    moved, moved_covariance = se3.change_parent(parent, pose, covariance)
    assert_same_covariance(observed_covariance(parent @ drawn, moved), moved_covariance)


def test_relative_pose_of_one_odometry_has_only_the_error_of_the_way_between():
    random = np.random.default_rng(4)
    first, step = random_pose(random), random_pose(random)
    first_covariance, step_covariance = random_covariance(random), random_covariance(random)
    second, second_covariance = se3.compound(first, first_covariance, step, step_covariance)
    # What the first error adds to the second one, from the definition of the compound.
    lever = first[:3, :3] @ step[:3, 3]
    jacobian = np.eye(6)
    jacobian[:3, 3:] = -so3.hat(lever)
    relative, covariance = se3.between(
        first, first_covariance, second, second_covariance, first_covariance @ jacobian.T)
    assert relative == pytest.approx(step, abs=1e-12)
    assert covariance == pytest.approx(step_covariance, rel=1e-6, abs=1e-12)


def test_other_parent_frame_against_drawn_samples():
    random = np.random.default_rng(5)
    covariance, parent = random_covariance(random), random_pose(random)[:3, :3]
    error = random.multivariate_normal(np.zeros(6), covariance, size=SAMPLES)
    turned = parent @ Rotation.from_rotvec(error[:, 3:]).as_matrix() @ parent.T
    seen = np.hstack([error[:, :3] @ parent.T, Rotation.from_matrix(turned).as_rotvec()])
    assert_same_covariance(np.cov(seen.T), se3.turn_covariance(parent, covariance))


def test_left_and_body_perturbations_against_drawn_samples():
    random = np.random.default_rng(5)
    pose, covariance = random_pose(random), random_covariance(random)
    error = se3.exp(random.multivariate_normal(np.zeros(6), covariance, size=SAMPLES))
    assert_same_covariance(
        observed_covariance(error @ pose, pose), se3.left_to_ros(pose, covariance))
    assert_same_covariance(
        observed_covariance(pose @ error, pose), se3.body_to_ros(pose, covariance))
    for there, back in ((se3.left_to_ros, se3.ros_to_left), (se3.body_to_ros, se3.ros_to_body)):
        assert back(pose, there(pose, covariance)) == pytest.approx(covariance, abs=1e-15)


def test_picture_between_two_poses_of_a_drifting_odometry():
    random = np.random.default_rng(6)
    first, start_covariance = random_pose(random), random_covariance(random)
    growth = random_covariance(random)
    motion = np.array([0.10, 0.01, 0.0, 0.0, 0.0, 0.02])
    second = first @ se3.exp(motion)
    # Position and rotation errors grow by independent steps over the two parts of the interval.
    fraction = 0.3
    start = random.multivariate_normal(np.zeros(6), start_covariance, size=SAMPLES)
    part = random.multivariate_normal(np.zeros(6), fraction * growth, size=SAMPLES)
    pose, covariance = se3.interpolate(
        first, start_covariance, second, start_covariance + growth, fraction)
    assert pose == pytest.approx(first @ expm(fraction * logm(np.linalg.inv(first) @ second)).real,
                                 abs=1e-9)
    error = start + part
    drawn = se3.pose_matrix(so3.exp(error[:, 3:]) @ pose[:3, :3], pose[:3, 3] + error[:, :3])
    assert_same_covariance(observed_covariance(drawn, pose), covariance)
    with pytest.raises(ValueError, match='fraction'):
        se3.interpolate(first, growth, second, growth, 1.01)


def motion_matrix(motion):
    matrix = np.zeros((4, 4))
    matrix[:3, :3] = so3.hat(motion[3:])
    matrix[:3, 3] = motion[:3]
    return matrix


def test_exponential_is_that_of_the_matrix_and_the_logarithm_undoes_it():
    random = np.random.default_rng(7)
    angles = (0.0, 1e-12, 1e-7, 9e-5, 2e-4, 0.099, 0.101, 1.0, 3.0, np.pi - 1e-7)
    for angle in angles:
        axis = random.standard_normal(3)
        motion = np.concatenate([random.standard_normal(3), angle * axis / np.linalg.norm(axis)])
        pose = se3.exp(motion)
        # scipy's general matrix exponential.
        assert pose == pytest.approx(expm(motion_matrix(motion)), abs=1e-12)
        assert se3.log(pose) == pytest.approx(motion, abs=1e-7 if angle > 3.1 else 1e-11)


def test_rotations_agree_with_scipy():
    random = np.random.default_rng(8)
    vectors = random.standard_normal((500, 3))
    vectors[0] = (np.pi, 0.0, 0.0)
    reference = Rotation.from_rotvec(vectors)
    assert so3.exp(vectors) == pytest.approx(reference.as_matrix(), abs=1e-14)
    assert so3.from_quaternion(reference.as_quat()) == pytest.approx(so3.exp(vectors), abs=1e-14)
    assert so3.to_quaternion(so3.exp(vectors)) == pytest.approx(
        reference.as_quat(canonical=True), abs=1e-14)
    assert so3.log(so3.exp(vectors)) == pytest.approx(reference.as_rotvec(), abs=1e-13)
    for quaternion in random.standard_normal((100, 4)):
        assert so3.from_quaternion(quaternion) == pytest.approx(
            Rotation.from_quat(quaternion).as_matrix(), abs=1e-14)


def test_adjoint_moves_a_motion_to_the_parent_frame():
    random = np.random.default_rng(9)
    pose, motion = random_pose(random), random.standard_normal(6)
    assert pose @ se3.exp(motion) == pytest.approx(
        se3.exp(se3.adjoint(pose) @ motion) @ pose, abs=1e-12)
    # scipy's general matrix exponential.
    assert pose @ expm(motion_matrix(motion)) == pytest.approx(
        expm(motion_matrix(se3.adjoint(pose) @ motion)) @ pose, abs=1e-12)
    assert se3.inverse(pose) == pytest.approx(np.linalg.inv(pose), abs=1e-12)


def test_many_poses_at_once_equal_one_by_one():
    random = np.random.default_rng(10)
    firsts, seconds = random_pose(random, (4, 5)), random_pose(random, (5,))
    covariances = np.array([random_covariance(random) for _ in range(5)])
    poses, results = se3.compound(firsts, covariances, seconds, covariances)
    middle, middle_covariances = se3.interpolate(
        firsts, covariances, seconds, covariances, np.linspace(0.0, 1.0, 5))
    assert poses.shape == middle.shape == (4, 5, 4, 4)
    for i, j in np.ndindex(4, 5):
        pose, covariance = se3.compound(
            firsts[i, j], covariances[j], seconds[j], covariances[j])
        assert poses[i, j] == pytest.approx(pose)
        assert results[i, j] == pytest.approx(covariance)
        pose, covariance = se3.interpolate(
            firsts[i, j], covariances[j], seconds[j], covariances[j], j / 4.0)
        assert middle[i, j] == pytest.approx(pose, abs=1e-12)
        assert middle_covariances[j] == pytest.approx(covariance)


# gtsam orders rotation before translation and perturbs in the body frame.
FROM_GTSAM = np.r_[3:6, 0:3]


def test_group_functions_agree_with_gtsam():
    gtsam = pytest.importorskip('gtsam', reason='the reference library gtsam is not installed')
    random = np.random.default_rng(20)
    for _ in range(20):
        motion = random.standard_normal(6)
        reference = gtsam.Pose3.Expmap(motion[FROM_GTSAM])
        pose = se3.exp(motion)
        assert pose == pytest.approx(reference.matrix(), abs=1e-12)
        assert se3.log(pose) == pytest.approx(
            gtsam.Pose3.Logmap(reference)[FROM_GTSAM], abs=1e-9)
        assert se3.adjoint(pose) == pytest.approx(
            reference.AdjointMap()[np.ix_(FROM_GTSAM, FROM_GTSAM)], abs=1e-12)
        assert se3.inverse(pose) == pytest.approx(reference.inverse().matrix(), abs=1e-12)


def test_compounded_covariance_agrees_with_the_marginal_of_a_gtsam_graph():
    gtsam = pytest.importorskip('gtsam', reason='the reference library gtsam is not installed')
    random = np.random.default_rng(21)
    steps = [(random_pose(random), random_covariance(random)) for _ in range(4)]
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    pose, covariance = np.eye(4), np.zeros((6, 6))
    for index, (step, step_covariance) in enumerate(steps):
        body = se3.ros_to_body(step, step_covariance)[np.ix_(FROM_GTSAM, FROM_GTSAM)]
        noise = gtsam.noiseModel.Gaussian.Covariance(body)
        if index == 0:
            graph.add(gtsam.PriorFactorPose3(0, gtsam.Pose3(step), noise))
        else:
            graph.add(gtsam.BetweenFactorPose3(index - 1, index, gtsam.Pose3(step), noise))
        pose, covariance = se3.compound(pose, covariance, step, step_covariance)
        values.insert(index, gtsam.Pose3(pose))
    marginal = gtsam.Marginals(graph, values).marginalCovariance(len(steps) - 1)
    expected = se3.body_to_ros(pose, marginal[np.ix_(FROM_GTSAM, FROM_GTSAM)])
    assert covariance == pytest.approx(expected, rel=1e-6, abs=1e-12)
