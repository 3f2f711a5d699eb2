# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Which directions of motion a lidar's surroundings hold, and how well."""

from dataclasses import replace

from lidar_scenes import beams, BOX, CEILING, CORRIDOR, FLOOR, hits, Plane, Round, scan, WALLS
import numpy as np
import pytest
from robot_mapping_qa.pose import se3, so3
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.lidar_geometry import (
    cloud_information, localizability, patch_information)
from robot_mapping_qa.pose.planar_patches import Patches, planar_patches
from scipy.linalg import null_space, subspace_angles
from scipy.spatial.transform import Rotation

LIMITS = GeometryLimits()
BARE = replace(LIMITS, unevenness=0.0, noise_margin=0.0, stray_share=0.0, chance_share=0.0)
"""Nothing but independent noise of the points: what theory speaks of."""

X, Y, Z = np.eye(3)
SENSORS = [(16, 125), (16, 1024), (32, 1024), (64, 1024), (128, 512)]
"""Rings and columns: 2,000 to 65,536 points."""


def turning(center):
    """Return the three rotations about a point as motions (3, 6) of the sensor at the origin."""
    return np.hstack([np.cross(center, np.eye(3)), np.eye(3)])


def shifts(*directions):
    return np.hstack([np.array(directions), np.zeros((len(directions), 3))])


BALL, PIPE = (0.5, -0.3, 0.2), (0.0, 0.2, 0.3)
# Motions that slide a surface along itself: Gelfand, Ikemoto, Rusinkiewicz, Levoy 2003,
# "Geometrically stable sampling for the ICP algorithm" (their list from memory: plane two
# translations and a rotation, sphere three rotations, cylinder one of each, extrusion one
# translation). The vectors follow from the definition of each surface.
UNCONSTRAINED = {
    'plane': ([FLOOR], np.vstack([shifts(X, Y), turning(np.zeros(3))[2:]])),
    'two planes': ([FLOOR, Plane((0, 1, 0), 2.0)], shifts(X)),
    'parallel planes': (WALLS, np.vstack([shifts(X, Z), turning(np.zeros(3))[1:2]])),
    'sphere': ([Round(BALL, 5.0)], turning(BALL)),
    'sphere from outside': ([Round((6, 0, 0), 2.5, outside=True)], turning((6, 0, 0))),
    'cylinder': ([Round(PIPE, 2.0, X)], np.vstack([shifts(X), turning(PIPE)[:1]])),
    'corridor': (CORRIDOR, shifts(X)),
    'corridor with ceiling': ([*CORRIDOR, CEILING], shifts(X)),
    'box': (BOX, np.empty((0, 6))),
}


@pytest.mark.parametrize('rings, columns', SENSORS)
@pytest.mark.parametrize('name', UNCONSTRAINED)
def test_motions_that_slide_a_surface_along_itself_are_unconstrained(name, rings, columns):
    surfaces, motions = UNCONSTRAINED[name]
    if name == 'sphere from outside' and rings == 16:
        rings = 32
    information = cloud_information(
        scan(surfaces, beams(rings, columns), np.random.default_rng(rings), 0.02), LIMITS)
    free = null_space(information, rcond=1e-9)
    assert free.shape[1] == len(motions)
    if len(motions):
        # Per unit of motion, m or rad. A wrong direction would be off by about 1.
        assert subspace_angles(free, motions.T).max() < 0.12


@pytest.mark.parametrize('noise_m', [0.01, 0.02])
@pytest.mark.parametrize('rings, columns', SENSORS)
def test_featureless_corridor_at_any_tilt(rings, columns, noise_m):
    random = np.random.default_rng(rings + columns)
    for surfaces in (CORRIDOR, [*CORRIDOR, CEILING]):
        for yaw_rad in random.uniform(-np.pi, np.pi, 3):
            turn = Rotation.from_euler(
                'zyx', [yaw_rad, *random.uniform(-0.2, 0.2, 2)]).as_matrix()
            points = scan(surfaces, beams(rings, columns) @ turn.T, random, noise_m) @ turn
            found = localizability(cloud_information(points, LIMITS))
            along, *across = found.translation_sigma_m
            assert along >= 5.0 * max(across)
            assert max(across) < 0.5
            assert abs(found.translation_axes[0] @ turn.T @ X) > 0.99


def test_what_stands_in_a_corridor_holds_along_it():
    random = np.random.default_rng(3)
    end_wall = [*CORRIDOR, Plane((1, 0, 0), 10.0)]
    information = cloud_information(scan(end_wall, beams(64, 1024), random, 0.02), LIMITS)
    assert localizability(information).translation_sigma_m[0] < 0.01
    assert np.linalg.matrix_rank(information) == 6


def test_hall_in_which_nearly_each_point_has_a_voxel_of_its_own_is_judged_with_larger_ones():
    hall = [Plane((0, 1, 0), 22.0), Plane((0, -1, 0), 18.0), Plane((0, 0, 1), 12.0), FLOOR,
            Plane((1, 0, 0), 35.0), Plane((-1, 0, 0), 25.0)]
    points = scan(hall, beams(64, 1024), np.random.default_rng(14), 0.02)
    patches = planar_patches(points, LIMITS)
    assert patches.edge_m.min() > LIMITS.voxel_m
    assert np.isclose(patches.edge_m.max(), 8.0 * LIMITS.voxel_m)
    found = localizability(cloud_information(points, LIMITS))
    assert np.all(found.translation_sigma_m < 0.01)


@pytest.mark.parametrize('count', [20_000, 65_536])
def test_foliage_holds_nothing(count):
    random = np.random.default_rng(4)
    directions = beams(64, count // 64)
    depth_m = 3.0 + random.exponential(2.0, len(directions))
    found = localizability(cloud_information(depth_m[:, None] * directions, LIMITS))
    assert np.isinf(found.translation_sigma_m).all() and np.isinf(found.rotation_sigma_rad).all()


@pytest.mark.parametrize('points', [
    np.empty((0, 3)), np.full((500, 3), np.nan), np.zeros((500, 3)), np.full((9, 3), 1e30),
    np.tile([3.0, 1.0, 2.0], (500, 1)), [[3.0, 0.0, 0.0]], np.eye(3, dtype=np.float32)])
def test_a_cloud_that_shows_no_surface_holds_nothing(points):
    information = cloud_information(points, LIMITS)
    found = localizability(information)
    assert np.array_equal(information, np.zeros((6, 6)))
    assert np.isinf(found.translation_sigma_m).all() and np.isinf(found.rotation_sigma_rad).all()
    assert len(planar_patches(points, LIMITS).points) == 0
    assert np.allclose(found.rotation_axes @ found.rotation_axes.T, np.eye(3))


def test_points_without_range_or_out_of_range_change_nothing():
    points = scan(BOX, beams(32, 512), np.random.default_rng(5), 0.02)
    extra = np.full((100, 3), np.nan, np.float32)
    extra[50:70] = 0.0
    extra[70:] = [np.inf, 1.0, 200.0]
    more = np.vstack([extra, points])
    assert np.allclose(cloud_information(more, LIMITS), cloud_information(points, LIMITS),
                       rtol=1e-9)
    count, expected = (planar_patches(cloud, LIMITS).points.sum() for cloud in (more, points))
    assert count == expected > 10_000


def test_the_order_of_the_points_does_not_matter():
    points = scan(BOX, beams(16, 1024), np.random.default_rng(6), 0.02)
    expected = cloud_information(points, LIMITS)
    shuffled = np.random.default_rng(7).permutation(points)
    assert np.allclose(cloud_information(shuffled, LIMITS), expected, rtol=1e-6)


@pytest.mark.parametrize('shape', [(5,), (5, 2), (4, 5, 3)])
def test_an_array_that_is_no_cloud_is_refused(shape):
    with pytest.raises(ValueError, match=r'found an array of shape .*, expected \(n, 3\)'):
        cloud_information(np.ones(shape), LIMITS)


def test_normals_agree_with_lapack_and_lie_within_their_own_covariance():
    # The same patch seen 250 times, so that variances are known within 9 %; numpy's eigh is
    # LAPACK's.
    random = np.random.default_rng(8)
    turn = Rotation.from_euler('xyz', [0.4, -0.7, 0.2]).as_matrix()
    normal = turn[:, 2]
    center = np.array([2.85, 1.65, 2.25])
    flat = np.column_stack([random.uniform(-0.12, 0.12, 30), random.uniform(-0.08, 0.08, 30)])
    errors, covariances = [], []
    for _ in range(250):
        height = 0.01 * random.standard_normal(30)
        points = center + np.column_stack([flat, height]) @ turn.T
        patches = planar_patches(points, replace(LIMITS, range_noise_m=0.01, voxel_m=0.3))
        assert patches.points.tolist() == [30]
        value, vector = np.linalg.eigh(np.cov(points.T, bias=True))
        assert abs(patches.normal[0] @ vector[:, 0]) > 1.0 - 1e-9
        assert np.allclose(patches.centroid_m[0], points.mean(axis=0))
        assert np.isclose(patches.variance_m2[0], max(1e-4, value[0] * 30 / 27))
        errors.append(patches.normal[0] * np.sign(patches.normal[0] @ normal) - normal)
        covariances.append(patches.normal_covariance[0])
        assert np.linalg.norm(covariances[-1] @ patches.normal[0]) < 1e-12
    seen, said = np.cov(np.array(errors).T), np.mean(covariances, axis=0)
    # The stated variance is at least that of the range noise, and larger where a patch happens to
    # look rougher: on average 7 % here.
    for axis in turn.T[:2]:
        assert 0.8 < (axis @ said @ axis) / (axis @ seen @ axis) < 1.4


@pytest.mark.parametrize('actual_rad, changes', [
    (0.08, {'noise_margin': 0.0}),
    # Noise a third larger than the patches say is what the margin is for.
    (0.105, {})])
def test_noise_of_the_normals_does_not_hold_a_wall_along_itself(actual_rad, changes):
    # It feigns a share of actual_rad squared, 0.006 and 0.011; all but 0.002 must be explained.
    random = np.random.default_rng(13)
    count, said_rad = 3000, 0.08
    centroid_m = np.column_stack([random.uniform(-8, 8, count), np.full(count, 2.0),
                                  random.uniform(-2, 2, count)])
    tilt = actual_rad * random.standard_normal((count, 3)) * (X + Z)
    normal = (Y + tilt) / np.linalg.norm(Y + tilt, axis=1, keepdims=True)
    covariance = said_rad ** 2 * (np.eye(3) - np.einsum('ki,kj->kij', normal, normal))
    patches = Patches(centroid_m, normal, covariance, np.full(count, 4e-4),
                      np.full(count, 20), np.full(count, 0.3), 0)
    limits = replace(LIMITS, stray_share=0.002, **changes)
    free = null_space(patch_information(patches, limits), rcond=1e-9)
    assert subspace_angles(free, np.vstack([shifts(X, Z), np.eye(6)[4:5]]).T).max() < 0.12


def test_information_moves_with_the_frame():
    # In another frame the same patches give the same information by the adjoint, the doubts that
    # are taken off included.
    patches = planar_patches(
        scan(CORRIDOR, beams(32, 512), np.random.default_rng(9), 0.02), LIMITS)
    mount = se3.pose_matrix(so3.exp(np.array([0.3, -0.5, 1.1])), np.array([0.4, -0.2, 1.5]))
    turn = mount[:3, :3]
    moved = Patches(
        patches.centroid_m @ turn.T + mount[:3, 3], patches.normal @ turn.T,
        turn @ patches.normal_covariance @ turn.T, patches.variance_m2, patches.points,
        patches.edge_m, patches.loose_points)
    back = np.linalg.inv(se3.adjoint(mount))
    expected = back.T @ patch_information(patches, LIMITS) @ back
    assert np.allclose(patch_information(moved, LIMITS), expected,
                       atol=1e-8 * np.abs(expected).max())


def registered(points, planes, start):
    """Return the motion (6,) by which point-to-plane ICP moves a scan onto known planes."""
    pose = se3.exp(start)
    normals = np.stack([plane.normal for plane in planes])
    distances_m = np.array([plane.distance_m for plane in planes])
    for _ in range(3):
        placed = points @ pose[:3, :3].T + pose[:3, 3]
        gaps = distances_m - placed @ normals.T
        nearest = np.argmin(np.abs(gaps), axis=1)
        normal, gap = normals[nearest], gaps[np.arange(len(placed)), nearest]
        jacobian = np.hstack([normal, np.cross(placed, normal)])
        # The step of least norm leaves alone what the scan does not hold.
        step = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-6) @ (jacobian.T @ gap)
        pose = se3.exp(step) @ pose
    return se3.log(pose)


def uneven(surfaces, directions, random, edge_m, height_m):
    """Return a scan of surfaces whose every square of an edge stands out by a random height."""
    ranges, first = hits(surfaces, directions)
    for number, surface in enumerate(surfaces):
        on = first == number
        points = ranges[on, None] * directions[on]
        square = np.floor(points[:, surface.normal == 0.0] / edge_m + random.uniform(size=2))
        height = height_m * random.standard_normal((100, 100))
        ranges[on] += height[tuple(square.astype(int).T)] / (directions[on] @ surface.normal)
    return ranges[:, None] * directions


def predicted_over_seen(scan_again, limits, trials=30):
    """Return the ratio of standard deviations (6,): predicted over found in registrations."""
    random = np.random.default_rng(10)
    errors = []
    for _ in range(trials):
        points = scan_again(random)
        start = 0.02 * random.standard_normal(6)
        errors.append(registered(points, BOX, start))
    information = cloud_information(points, limits)
    return np.sqrt(np.diag(np.linalg.inv(information))) / np.std(errors, axis=0)


# Monte Carlo registration: 30 scans of a box with known walls, each started up to some
# centimetres and degrees off. 30 trials know a standard deviation within 13 % (one sigma).

def test_predicted_covariance_where_the_theory_is_exact():
    # Noise the same in all directions. The prediction is a little larger: points on no patch, a
    # tenth here, are not counted, and a patch that looks smoother than the noise is not believed.
    flat = scan(BOX, beams(64, 512)).astype(float)
    ratio = predicted_over_seen(
        lambda random: flat + 0.02 * random.standard_normal(flat.shape), BARE)
    assert np.all(ratio > 0.75) and np.all(ratio < 1.6), ratio


def test_predicted_covariance_is_not_optimistic_with_noise_along_the_beams():
    # On floor and ceiling, seen at grazing incidence, such noise counts less than is assumed: the
    # prediction is larger by up to one over the cosine of incidence.
    ratio = predicted_over_seen(
        lambda random: scan(BOX, beams(64, 512), random, 0.02).astype(float), BARE)
    assert np.all(ratio > 0.9) and np.all(ratio < 5.0), ratio


def test_predicted_covariance_with_uneven_walls():
    # What the default settings are made for. Larger patches, far away, are taken to be more
    # uneven than these walls are.
    directions = beams(64, 512)
    ratio = predicted_over_seen(lambda random: uneven(
        BOX, directions, random, LIMITS.voxel_m, LIMITS.unevenness * LIMITS.voxel_m)
        + 0.02 * random.standard_normal((len(directions), 1)) * directions, LIMITS)
    assert np.all(ratio > 0.75) and np.all(ratio < 5.0), ratio


def test_sigma_along_each_axis_accounts_for_the_coupled_rotation():
    # The standard deviations of the axes are those of the full inverse where all six directions
    # are held well: the Schur complement is the inverse of the inverse's block.
    points = scan(BOX, beams(64, 512), np.random.default_rng(12), 0.02)
    information = cloud_information(points, LIMITS)
    found, covariance = localizability(information), np.linalg.inv(information)
    for block, axes, sigma in ((covariance[:3, :3], found.translation_axes,
                                found.translation_sigma_m),
                               (covariance[3:, 3:], found.rotation_axes,
                                found.rotation_sigma_rad)):
        assert np.allclose(axes @ block @ axes.T, np.diag(sigma ** 2), atol=1e-3 * sigma[0] ** 2)
        assert np.all(np.diff(sigma) <= 0.0)
    alone = 1.0 / np.sqrt(np.linalg.eigvalsh(information[:3, :3])[0])
    assert found.translation_sigma_m[0] > alone


def test_registration_slides_along_a_corridor_as_predicted():
    tube = [*CORRIDOR, CEILING]
    points = scan(tube, beams(64, 512), np.random.default_rng(11), 0.02).astype(float)
    points = points[np.isfinite(points).all(axis=1)]
    error = registered(points, tube, np.array([0.1, 0.05, -0.05, 0.0, 0.01, 0.01]))
    assert abs(error[0]) > 0.09
    assert np.all(np.abs(error[1:3]) < 0.005)
    sigma_m = localizability(cloud_information(points, LIMITS)).translation_sigma_m
    assert np.isinf(sigma_m[0]) and np.all(sigma_m[1:] < 0.005)
