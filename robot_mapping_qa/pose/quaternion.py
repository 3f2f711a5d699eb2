# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Unit quaternions as plain tuples x, y, z, w, for code that runs once a message.

For arrays see `so3` and `se3`.
"""

from __future__ import annotations

from math import atan2, cos, sin, sqrt
from typing import Iterable

Vector = tuple[float, float, float]
Quaternion = tuple[float, float, float, float]


def vector(values: Iterable[float]) -> Vector:
    """Return three numbers as a vector; raises ValueError for another count."""
    x, y, z = values
    return x, y, z


def minus(left: Vector, right: Vector) -> Vector:
    """Return the difference of two vectors."""
    return (left[0] - right[0], left[1] - right[1], left[2] - right[2])


def times(vector: Vector, factor: float) -> Vector:
    """Return a multiple of a vector."""
    return (vector[0] * factor, vector[1] * factor, vector[2] * factor)


def mean_times(left: Vector, right: Vector, factor: float) -> Vector:
    """Return a multiple of the mean of two vectors."""
    half = 0.5 * factor
    return ((left[0] + right[0]) * half, (left[1] + right[1]) * half, (left[2] + right[2]) * half)


def normalized(x: float, y: float, z: float, w: float) -> Quaternion:
    """Return the quaternion with length 1; ZeroDivisionError for one of length 0."""
    length = sqrt(x * x + y * y + z * z + w * w)
    return (x / length, y / length, z / length, w / length)


def rotate(quaternion: Quaternion, vector: Vector) -> Vector:
    """Return the vector turned by the quaternion: from the child frame into the parent frame."""
    x, y, z, w = quaternion
    a, b, c = vector
    # v + 2 w (q x v) + 2 q x (q x v)
    d, e, f = 2.0 * (y * c - z * b), 2.0 * (z * a - x * c), 2.0 * (x * b - y * a)
    return (a + w * d + y * f - z * e, b + w * e + z * d - x * f, c + w * f + x * e - y * d)


def conjugate(quaternion: Quaternion) -> Quaternion:
    """Return the inverse rotation."""
    x, y, z, w = quaternion
    return (-x, -y, -z, w)


def multiply(left: Quaternion, right: Quaternion) -> Quaternion:
    """Return the rotation ``right`` followed by ``left``."""
    x, y, z, w = left
    a, b, c, d = right
    return (w * a + x * d + y * c - z * b, w * b - x * c + y * d + z * a,
            w * c + x * b - y * a + z * d, w * d - x * a - y * b - z * c)


def rotation_vector(quaternion: Quaternion) -> Vector:
    """Return axis times angle, rad, of the shorter way round (angle up to pi)."""
    x, y, z, w = quaternion
    sine = sqrt(x * x + y * y + z * z)
    if w < 0.0:
        x, y, z, w = -x, -y, -z, -w
    # 2 atan2(s, w) / s tends to 2 / w; at 1e-9 the difference is below rounding.
    scale = 2.0 * atan2(sine, w) / sine if sine > 1e-9 else 2.0
    return (scale * x, scale * y, scale * z)


def rotation_rows(quaternion: Quaternion) -> tuple[Vector, Vector, Vector]:
    """Return the rows of the rotation matrix."""
    x, y, z, w = quaternion
    return ((1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)),
            (2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)),
            (2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)))


def from_rotation_vector(vector: Vector) -> Quaternion:
    """Return the rotation by |vector| rad about it."""
    a, b, c = vector
    half = 0.5 * sqrt(a * a + b * b + c * c)
    # sin(h) / 2h tends to 1/2; at 1e-9 the difference is below rounding.
    scale = 0.5 * sin(half) / half if half > 1e-9 else 0.5
    return (scale * a, scale * b, scale * c, cos(half))
