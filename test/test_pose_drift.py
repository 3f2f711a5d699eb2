# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Drift per distance of an odometry against a better trajectory."""

from evo.core import metrics, sync
from evo.core.trajectory import PosePath3D
from evo.tools import file_interface
import numpy as np
from open_data import evo_data
import pytest
from robot_mapping_qa.pose.drift import drift_per_distance
from robot_mapping_qa.pose.se3 import exp, pose_matrix


def kitti(name):
    poses = np.loadtxt(evo_data() / name).reshape(-1, 3, 4)
    return pose_matrix(poses[..., :3], poses[..., 3])


@pytest.mark.parametrize('name', ['KITTI_00_SPTAM.txt', 'KITTI_00_ORB.txt'])
@pytest.mark.parametrize('distance_m', [100.0, 400.0])
def test_drift_agrees_with_the_relative_error_of_evo(name, distance_m):
    """KITTI 00 with two odometries, from evo's source distribution, against evo itself."""
    reference, trajectory = kitti('KITTI_00_gt.txt'), kitti(name)
    error = metrics.RPE(
        metrics.PoseRelation.translation_part, delta=distance_m, rel_delta_tol=0.02,
        delta_unit=metrics.Unit.meters, all_pairs=True, pairs_from_reference=True)
    error.process_data((PosePath3D(poses_se3=list(reference)),
                        PosePath3D(poses_se3=list(trajectory))))
    found = drift_per_distance(reference, trajectory, distance_m)
    assert found.mean_fraction == pytest.approx(np.mean(error.error) / distance_m, rel=0.02)
    assert found.rms_fraction == pytest.approx(
        np.sqrt(np.mean(error.error ** 2)) / distance_m, rel=0.02)


@pytest.mark.parametrize('distance_m', [5.0, 10.0])
def test_drift_of_a_flying_robot_agrees_with_the_relative_error_of_evo(distance_m):
    """Data set EuRoC V1_02 and an estimate of it, from the same source, against evo itself."""
    reference, trajectory = sync.associate_trajectories(
        file_interface.read_euroc_csv_trajectory(str(evo_data() / 'V102_groundtruth.csv')),
        file_interface.read_tum_trajectory_file(str(evo_data() / 'V102.txt')))
    error = metrics.RPE(
        metrics.PoseRelation.translation_part, delta=distance_m, rel_delta_tol=0.02,
        delta_unit=metrics.Unit.meters, all_pairs=True, pairs_from_reference=True)
    error.process_data((reference, trajectory))
    found = drift_per_distance(
        np.array(reference.poses_se3), np.array(trajectory.poses_se3), distance_m)
    assert found.pieces > 500
    assert found.mean_fraction == pytest.approx(np.mean(error.error) / distance_m, rel=0.02)
    assert found.rms_fraction == pytest.approx(
        np.sqrt(np.mean(error.error ** 2)) / distance_m, rel=0.02)


def test_scale_error_is_found_as_such_wherever_the_frames_lie():
    steps = np.cumsum(np.full(400, 0.5))
    reference = pose_matrix(np.eye(3), np.stack([steps, 0.1 * steps, 0.0 * steps], axis=-1))
    scaled = reference.copy()
    scaled[:, :3, 3] *= 1.001
    elsewhere = exp(np.array([5.0, -3.0, 2.0, 0.3, 0.2, -1.0])) @ scaled
    found = drift_per_distance(reference, elsewhere, 20.0)
    assert found.mean_fraction == pytest.approx(0.001, rel=1e-6)
    assert found.mean_rad_per_m == pytest.approx(0.0, abs=1e-9)


def test_way_that_is_too_short_has_no_drift():
    poses = pose_matrix(np.eye(3), np.stack([np.arange(10.0)] * 3, axis=-1))
    assert drift_per_distance(poses, poses, 100.0) is None


@pytest.mark.parametrize('reference, trajectory, distance_m, what', [
    (np.zeros((3, 4, 4)), np.zeros((2, 4, 4)), 1.0, 'shape'),
    (np.zeros((3, 3)), np.zeros((3, 3)), 1.0, 'shape'),
    (np.zeros((3, 4, 4)), np.zeros((3, 4, 4)), 0.0, 'distance_m')])
def test_what_cannot_be_compared_is_refused(reference, trajectory, distance_m, what):
    with pytest.raises(ValueError, match=what):
        drift_per_distance(reference, trajectory, distance_m)
