# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Poses and their covariance: the group SE(3), to first order in the uncertainty.

A pose is a matrix (..., 4, 4) that takes points of the child frame into the parent frame (the
header's frame of a ROS message). Every function takes any leading dimensions and broadcasts.

Three ways to say by how much a pose (R, p) may be off are in use. They differ in what the six
numbers mean, and a covariance must be converted before it is used by formulas of another:

ros    position error in the parent frame, rotation error about the parent frame's axes:
       R' = exp(t) R, p' = p + d. Order d, t. The convention of
       geometry_msgs/PoseWithCovariance, and of every function here unless it says otherwise.
left   T' = exp(xi) T, the perturbation of Barfoot and Furgale (2014), "Associating uncertainty
       with three-dimensional poses for use in estimation problems". Order translation, rotation.
       Turning about the parent's origin moves the pose: d = rho - p x phi, t = phi.
body   T' = T exp(xi), about the child frame's axes, as several estimation libraries have it.
       Order translation, rotation here. d = R rho, t = R phi.
"""

from __future__ import annotations

import numpy as np

from robot_mapping_qa.pose import so3


def pose_matrix(rotation: np.ndarray, position_m: np.ndarray) -> np.ndarray:
    """Return the pose (..., 4, 4) of a rotation (..., 3, 3) and a position (..., 3)."""
    rotation = np.asarray(rotation, dtype=float)
    position_m = np.asarray(position_m, dtype=float)
    shape = np.broadcast_shapes(rotation.shape[:-2], position_m.shape[:-1])
    pose = np.zeros(shape + (4, 4))
    pose[..., :3, :3] = rotation
    pose[..., :3, 3] = position_m
    pose[..., 3, 3] = 1.0
    return pose


def inverse(pose: np.ndarray) -> np.ndarray:
    """Return the pose (..., 4, 4) of the parent in the child's frame."""
    rotation, position_m = _parts(pose)
    back = np.swapaxes(rotation, -1, -2)
    return pose_matrix(back, -_apply(back, position_m))


def exp(motion: np.ndarray) -> np.ndarray:
    """
    Return the pose (..., 4, 4) reached by a motion (..., 6) of constant body velocity.

    The motion is translation (m) then rotation (rad) in the body frame, both times time.
    Barfoot and Furgale 2014, mathematical review.
    """
    motion = np.asarray(motion, dtype=float)
    turn = motion[..., 3:]
    return pose_matrix(so3.exp(turn), _apply(so3.left_jacobian(turn), motion[..., :3]))


def log(pose: np.ndarray) -> np.ndarray:
    """Return the motion (..., 6), translation then rotation, that leads to a pose; see `exp`."""
    rotation, position_m = _parts(pose)
    turn = so3.log(rotation)
    shift = np.linalg.solve(so3.left_jacobian(turn), position_m[..., None])[..., 0]
    return np.concatenate([shift, turn], axis=-1)


def adjoint(pose: np.ndarray) -> np.ndarray:
    """
    Return the matrix (..., 6, 6) of the adjoint, in the order translation, rotation.

    It takes a small motion in the child frame to the same motion in the parent frame:
    T exp(x) = exp(adjoint(T) x) T. Barfoot and Furgale 2014, as `exp`.
    """
    rotation, position_m = _parts(pose)
    return _blocks(rotation, so3.hat(position_m) @ rotation, rotation)


def left_to_ros(pose: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return in ROS order the covariance (..., 6, 6) of a left perturbation of the pose."""
    return _propagate(_ros_from_left(pose, 1.0), covariance)


def ros_to_left(pose: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return for a left perturbation the covariance (..., 6, 6) given in ROS order."""
    return _propagate(_ros_from_left(pose, -1.0), covariance)


def body_to_ros(pose: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return in ROS order the covariance (..., 6, 6) of a body perturbation of the pose."""
    rotation, _ = _parts(pose)
    return turn_covariance(rotation, covariance)


def ros_to_body(pose: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return for a body perturbation the covariance (..., 6, 6) given in ROS order."""
    rotation, _ = _parts(pose)
    return turn_covariance(np.swapaxes(rotation, -1, -2), covariance)


def compound(first: np.ndarray, first_covariance: np.ndarray, second: np.ndarray,
             second_covariance: np.ndarray, cross_covariance: np.ndarray | None = None,
             ) -> tuple[np.ndarray, np.ndarray]:
    """
    Return the pose ``first`` then ``second`` and its covariance.

    ``first`` places b in a, ``second`` c in b; the result places c in a. Each covariance is in
    ROS order in the parent frame of its pose; ``cross_covariance`` (..., 6, 6) is that of the
    first's error (rows) with the second's (columns), none if the two are independent.
    First order: Barfoot and Furgale 2014, compounding of poses, written in ROS order.
    """
    jacobian_first, jacobian_second = _compound_jacobians(first, second)
    covariance = (_propagate(jacobian_first, first_covariance)
                  + _propagate(jacobian_second, second_covariance))
    if cross_covariance is not None:
        cross = jacobian_first @ cross_covariance @ np.swapaxes(jacobian_second, -1, -2)
        covariance = covariance + cross + np.swapaxes(cross, -1, -2)
    return first @ second, covariance


def invert(pose: np.ndarray, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the inverse pose and its covariance, both sides in ROS order."""
    return inverse(pose), _propagate(_inverse_jacobian(pose), covariance)


def between(first: np.ndarray, first_covariance: np.ndarray, second: np.ndarray,
            second_covariance: np.ndarray, cross_covariance: np.ndarray | None = None,
            ) -> tuple[np.ndarray, np.ndarray]:
    """
    Return the pose of ``second`` in the frame of ``first`` and its covariance.

    Both poses are in one parent frame. Two poses of one odometry share most of their error:
    without ``cross_covariance`` (first's error by rows, second's by columns) the result is far
    too large for them.
    """
    back, back_covariance = invert(first, first_covariance)
    if cross_covariance is not None:
        cross_covariance = _inverse_jacobian(first) @ cross_covariance
    return compound(back, back_covariance, second, second_covariance, cross_covariance)


def change_parent(parent: np.ndarray, pose: np.ndarray, covariance: np.ndarray,
                  ) -> tuple[np.ndarray, np.ndarray]:
    """
    Express a pose and its covariance in another parent frame, known exactly.

    ``parent`` (..., 4, 4) places the old parent frame in the new one.
    """
    rotation, _ = _parts(parent)
    return parent @ pose, turn_covariance(rotation, covariance)


def change_child(pose: np.ndarray, covariance: np.ndarray, mount: np.ndarray,
                 ) -> tuple[np.ndarray, np.ndarray]:
    """
    Move a pose and its covariance to another point of the same rigid body, known exactly.

    ``mount`` (..., 4, 4) places the new child frame in the old one, as a sensor on the unit.
    """
    jacobian, _ = _compound_jacobians(pose, mount)
    return pose @ mount, _propagate(jacobian, covariance)


def turn_covariance(rotation: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Express a covariance (..., 6, 6) about axes turned by a rotation (..., 3, 3)."""
    return _propagate(_blocks(rotation, None, rotation), covariance)


def interpolate(first: np.ndarray, first_covariance: np.ndarray, second: np.ndarray,
                second_covariance: np.ndarray, fraction: np.ndarray,
                ) -> tuple[np.ndarray, np.ndarray]:
    """
    Return pose and covariance at a share ``fraction`` (...) of the time from first to second.

    The pose moves at constant body velocity. The covariance is blended linearly, which is exact
    for an error that grows by independent steps, as that of an odometry does, and too large, not
    too small, for two independent errors. Raises ValueError outside 0 to 1: this is no
    extrapolation.
    """
    fraction = np.asarray(fraction, dtype=float)
    if not np.all((fraction >= 0.0) & (fraction <= 1.0)):
        raise ValueError('fraction: found a value outside 0 to 1')
    motion = log(inverse(first) @ second)
    weight = fraction[..., None, None]
    covariance = (1.0 - weight) * first_covariance + weight * np.asarray(second_covariance)
    return first @ exp(fraction[..., None] * motion), covariance


def _compound_jacobians(first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the derivative of the compound's error by the first's and by the second's error."""
    rotation, _ = _parts(first)
    _, offset_m = _parts(second)
    identity = np.eye(3)
    lever = so3.hat(_apply(rotation, offset_m))
    return _blocks(identity, -lever, identity), _blocks(rotation, None, rotation)


def _inverse_jacobian(pose: np.ndarray) -> np.ndarray:
    """Return the derivative of the inverse pose's error by the pose's error."""
    rotation, position_m = _parts(pose)
    back = np.swapaxes(rotation, -1, -2)
    return -_blocks(back, back @ so3.hat(position_m), back)


def _ros_from_left(pose: np.ndarray, sign: float) -> np.ndarray:
    """Return the matrix from a left perturbation to ROS order, for sign -1 the one back."""
    _, position_m = _parts(pose)
    identity = np.eye(3)
    return _blocks(identity, -sign * so3.hat(position_m), identity)


def _parts(pose: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    pose = np.asarray(pose, dtype=float)
    return pose[..., :3, :3], pose[..., :3, 3]


def _apply(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    return (matrix @ vector[..., None])[..., 0]


def _propagate(jacobian: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    return jacobian @ np.asarray(covariance, dtype=float) @ np.swapaxes(jacobian, -1, -2)


def _blocks(upper_left: np.ndarray, upper_right: np.ndarray | None,
            lower_right: np.ndarray) -> np.ndarray:
    """Return a matrix (..., 6, 6) of blocks, zero at the lower left and where None is given."""
    blocks = [(0, 0, upper_left), (3, 3, lower_right)]
    if upper_right is not None:
        blocks.append((0, 3, upper_right))
    shape = np.broadcast_shapes(*(block.shape[:-2] for _, _, block in blocks))
    matrix = np.zeros(shape + (6, 6))
    for row, column, block in blocks:
        matrix[..., row:row + 3, column:column + 3] = block
    return matrix
