# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Rotations of one body, as plain tuples of floats.

Quaternions are (x, y, z, w), the order of geometry_msgs. One message at a time, tuples of floats
are several times quicker than small arrays.
"""

from __future__ import annotations

import math

Vector = tuple[float, float, float]
Quaternion = tuple[float, float, float, float]


def from_roll_pitch_yaw(roll: float, pitch: float, yaw: float) -> Quaternion:
    """Quaternion of a rotation about the fixed X, then Y, then Z axis (REP 103), radians."""
    cr, sr = math.cos(roll / 2), math.sin(roll / 2)
    cp, sp = math.cos(pitch / 2), math.sin(pitch / 2)
    cy, sy = math.cos(yaw / 2), math.sin(yaw / 2)
    return (
        sr * cp * cy - cr * sp * sy,
        cr * sp * cy + sr * cp * sy,
        cr * cp * sy - sr * sp * cy,
        cr * cp * cy + sr * sp * sy)


def from_rotation_vector(vector: Vector) -> Quaternion:
    """Quaternion of a rotation about vector by its length in radians."""
    x, y, z = vector
    angle = math.sqrt(x * x + y * y + z * z)
    # Below 1e-8 rad the sine equals the angle to double precision, and dividing is unsafe.
    scale = 0.5 if angle < 1e-8 else math.sin(angle / 2) / angle
    return (x * scale, y * scale, z * scale, math.cos(angle / 2))


def multiply(a: Quaternion, b: Quaternion) -> Quaternion:
    """Quaternion of the rotation b followed by a, both about fixed axes."""
    ax, ay, az, aw = a
    bx, by, bz, bw = b
    return (
        aw * bx + ax * bw + ay * bz - az * by,
        aw * by - ax * bz + ay * bw + az * bx,
        aw * bz + ax * by - ay * bx + az * bw,
        aw * bw - ax * bx - ay * by - az * bz)


def conjugate(q: Quaternion) -> Quaternion:
    """Quaternion of the opposite rotation."""
    return (-q[0], -q[1], -q[2], q[3])


def rotate(q: Quaternion, vector: Vector) -> Vector:
    """Vector turned by a unit quaternion."""
    x, y, z, w = q
    vx, vy, vz = vector
    tx, ty, tz = 2 * (y * vz - z * vy), 2 * (z * vx - x * vz), 2 * (x * vy - y * vx)
    return (
        vx + w * tx + y * tz - z * ty,
        vy + w * ty + z * tx - x * tz,
        vz + w * tz + x * ty - y * tx)


def matrix(q: Quaternion) -> tuple[Vector, Vector, Vector]:
    """Rows of the rotation matrix of a unit quaternion."""
    x, y, z, w = q
    return (
        (1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)),
        (2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)),
        (2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)))
