# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How well a lidar's surroundings hold its pose, in each direction.

Registration of a cloud by the distances of its points from planes: a small motion of the sensor,
translation t and rotation r about its own axes, changes the distance of a patch with centroid c
and normal n by h . (t, r) with h = (n, c x n) (Chen and Medioni 1992; Gelfand et al. 2003,
"Geometrically stable sampling for the ICP algorithm"). The information matrix is the sum of
h h' / variance over the patches, its inverse the covariance of the registration (Censi 2007, "An
accurate closed-form estimate of ICP's covariance").

Two things make that sum promise too much. Noise turns the normals, so that a smooth wall seems to
hold along itself: the information that the normals' own covariance explains is taken off. And a
direction may hang on a handful of patches that are no part of the structure: that much is taken
off every direction of the motion space, so that what is left falls to zero steadily, not at a
threshold. Zhang, Kaess and Singh 2016, "On degeneracy of optimization-based state estimation
problems", likewise look at the smallest eigenvalues and at what noise makes of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robot_mapping_qa.pose import so3
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.planar_patches import Patches, planar_patches


LOOSE_SIGMA_M, LOOSE_SIGMA_RAD = 0.5, 0.1
"""A direction whose predicted standard deviation is larger counts as unconstrained. Also what is
known of the motions that it is coupled with: gyroscope and gravity keep the attitude within
0.1 rad without any lidar."""


@dataclass(frozen=True, slots=True)
class Localizability:
    """
    How well each direction is held, by an information as of `cloud_information`.

    ``translation_axes`` (3, 3) are unit vectors by rows, weakest first, each with its predicted
    standard deviation in ``translation_sigma_m`` (3,), the coupled rotation accounted for;
    infinite where unconstrained. ``rotation_axes`` and ``rotation_sigma_rad`` likewise. All along
    the axes that the information is given about.
    """

    translation_axes: np.ndarray
    translation_sigma_m: np.ndarray
    rotation_axes: np.ndarray
    rotation_sigma_rad: np.ndarray

    def figures(self, name: str) -> dict[str, float]:
        """Return the standard deviations, weakest first, and the axis that is held least."""
        return {
            **{f'{name}/weakest_axis_{axis}': part
               for axis, part in zip('xyz', self.translation_axes[0].tolist())},
            **{f'{name}/sigma_{rank}_m': sigma
               for rank, sigma in enumerate(self.translation_sigma_m.tolist(), start=1)},
            **{f'{name}/sigma_{rank}_rad': sigma
               for rank, sigma in enumerate(self.rotation_sigma_rad.tolist(), start=1)}}


def localizability(information: np.ndarray) -> Localizability:
    """Split an information (6, 6) in ROS order into the directions of translation and rotation."""
    translation, rotation = information[:3, :3], information[3:, 3:]
    cross = information[:3, 3:]
    axes, sigma_m = _directions(
        translation, cross, rotation, LOOSE_SIGMA_RAD ** -2, LOOSE_SIGMA_M)
    turn_axes, sigma_rad = _directions(
        rotation, cross.T, translation, LOOSE_SIGMA_M ** -2, LOOSE_SIGMA_RAD)
    return Localizability(axes, sigma_m, turn_axes, sigma_rad)


def cloud_information(points_m: np.ndarray, limits: GeometryLimits) -> np.ndarray:
    """
    Return the information (6, 6) of one cloud: points (n, 3) in the sensor's frame, m.

    The inverse covariance of a small motion of the sensor about its own axes, in ROS order (x, y,
    z, rotation about X, Y, Z; 1/m^2, 1/rad^2), positive semi-definite, with zero eigenvalues
    where the cloud does not hold the sensor: zero for a cloud without points, or without any
    surface. Raises ValueError as `planar_patches`.
    """
    return patch_information(planar_patches(points_m, limits), limits)


def patch_information(patches: Patches, limits: GeometryLimits) -> np.ndarray:
    """
    Return the information (6, 6) of planar patches about the sensor, in ROS order.

    The patches' own noise is that of the limits; the planes that they are registered with are
    taken as exact.
    """
    if not len(patches.points):
        return np.zeros((6, 6))
    # As of a random walk, the deviation from a plane grows with the square root of its size: a
    # wall's own flatness tolerance does not grow as fast as the wall.
    weight = 1.0 / (patches.variance_m2 / patches.points
                    + limits.unevenness ** 2 * limits.voxel_m * patches.edge_m)
    centroid_m = patches.centroid_m
    motion = np.hstack([patches.normal, np.cross(centroid_m, patches.normal)])
    seen = (motion * weight[:, None]).T @ motion
    lever = so3.hat(centroid_m)
    turned = patches.normal_covariance * weight[:, None, None]
    coupled = turned @ np.swapaxes(lever, 1, 2)
    feigned = _blocks(turned.sum(axis=0), coupled.sum(axis=0),
                      np.tensordot(lever, coupled, axes=([0, 2], [0, 1])))
    # What the same patches would give if each of them faced every motion. Measured in this, the
    # information of metres and of radians has one scale, from 0 to 1, wherever the origin is.
    second = (centroid_m * weight[:, None]).T @ centroid_m
    # Turning a patch about its own centroid moves its points too.
    own = weight @ patches.edge_m ** 2 / 12.0
    most = _blocks(np.eye(3) * weight.sum(), -so3.hat(weight @ centroid_m),
                   np.eye(3) * (np.trace(second) + own) - second)
    root = np.linalg.cholesky(most)
    share, direction = np.linalg.eigh(_whitened(seen - feigned, root))
    noise = np.einsum('ij,ik,kj->j', direction, _whitened(feigned, root), direction)
    stray = (limits.stray_share
             + limits.chance_share * patches.loose_points / patches.points.sum())
    held = np.maximum(share - limits.noise_margin * noise - stray, 0.0)
    back = root @ direction
    return (back * held) @ back.T


def _blocks(upper_left: np.ndarray, upper_right: np.ndarray, lower_right: np.ndarray,
            ) -> np.ndarray:
    """Return a symmetric matrix (6, 6) of blocks."""
    return np.block([[upper_left, upper_right], [upper_right.T, lower_right]])


def _whitened(information: np.ndarray, root: np.ndarray) -> np.ndarray:
    """Return an information (6, 6) in units of root root'."""
    half = np.linalg.solve(root, information)
    return np.linalg.solve(root, half.T)


def _directions(held: np.ndarray, cross: np.ndarray, other: np.ndarray, rigid: float,
                loose: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Return principal axes by rows, weakest first, and standard deviations of three motions.

    ``other`` (3, 3) is the information of the three motions that they are coupled with by
    ``cross`` (3, 3), with as much more as is known without the cloud, ``rigid``. The Schur
    complement is the information that is left of ``held`` when the others are unknown.
    """
    alone = held - cross @ np.linalg.solve(other + rigid * np.eye(3), cross.T)
    value, direction = np.linalg.eigh(alone)
    with np.errstate(divide='ignore'):
        sigma = 1.0 / np.sqrt(np.maximum(value, 0.0))
    return direction.T, np.where(sigma <= loose, sigma, np.inf)
