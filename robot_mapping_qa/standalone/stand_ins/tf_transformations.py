# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Stand-in for tf_transformations, for machines where that package is not installed.

Only the call that this package makes, with the conventions of the real one: quaternions are
(x, y, z, w) as in geometry_msgs, Euler angles default to roll, pitch, yaw about fixed axes
('sxyz'), all angles in radians.
"""

from transforms3d import euler


def euler_from_quaternion(quaternion, axes='sxyz'):
    """Return the three Euler angles of a quaternion, which is normalized."""
    x, y, z, w = quaternion
    return euler.quat2euler((w, x, y, z), axes=axes)
