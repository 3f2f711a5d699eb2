# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Stand-in for tf_transformations, for machines where that package is not installed.

Only the calls that this package makes, with the conventions of the real ones: quaternions are
(x, y, z, w) as in geometry_msgs, rotations are 4x4 homogeneous matrices, Euler angles default to
roll, pitch, yaw about fixed axes ('sxyz'), all angles in radians.
"""

import numpy as np
from transforms3d import affines, euler, quaternions


def _w_first(quaternion):
    x, y, z, w = quaternion
    return w, x, y, z


def _w_last(quaternion):
    w, x, y, z = quaternion
    return x, y, z, w


def quaternion_matrix(quaternion):
    """Return the 4x4 homogeneous rotation matrix of a quaternion, which is normalized."""
    matrix = np.eye(4)
    matrix[:3, :3] = quaternions.quat2mat(_w_first(quaternion))
    return matrix


def quaternion_from_matrix(matrix):
    """Return the quaternion of the rotation part of a 4x4 homogeneous matrix."""
    return _w_last(quaternions.mat2quat(affines.decompose(matrix)[1]))


def quaternion_from_euler(ai, aj, ak, axes='sxyz'):
    """Return the quaternion of three Euler angles."""
    return _w_last(euler.euler2quat(ai, aj, ak, axes=axes))


def euler_from_quaternion(quaternion, axes='sxyz'):
    """Return the three Euler angles of a quaternion."""
    return euler.mat2euler(quaternion_matrix(quaternion), axes=axes)


def quaternion_multiply(quaternion1, quaternion0):
    """Return the product quaternion1 quaternion0: the rotation by 0 first, then by 1."""
    return _w_last(quaternions.qmult(_w_first(quaternion1), _w_first(quaternion0)))


def quaternion_inverse(quaternion):
    """Return the inverse as an array: the conjugate over the squared norm."""
    x, y, z, w = quaternion
    return np.array((-x, -y, -z, w)) / np.dot(quaternion, quaternion)
