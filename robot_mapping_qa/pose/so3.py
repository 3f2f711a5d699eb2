# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Rotations as arrays: exponential, logarithm, Jacobian, and quaternions.

Every function takes any leading dimensions. Formulas after Barfoot, "State Estimation for
Robotics" (2017), section 7.1; near zero angle by their Taylor series.
"""

from __future__ import annotations

import numpy as np

# Below this angle the series is exact to rounding and the closed form is not.
_SMALL = 1e-4


def hat(vector: np.ndarray) -> np.ndarray:
    """Return the matrix (..., 3, 3) of the cross product with a vector (..., 3)."""
    x, y, z = np.moveaxis(np.asarray(vector, dtype=float), -1, 0)
    zero = np.zeros_like(x)
    return np.stack([
        np.stack([zero, -z, y], -1),
        np.stack([z, zero, -x], -1),
        np.stack([-y, x, zero], -1)], -2)


def exp(rotation_vector: np.ndarray) -> np.ndarray:
    """Return the rotation matrix (..., 3, 3) by |vector| rad about a vector (..., 3)."""
    sine, cosine, _ = _coefficients(rotation_vector)
    skew = hat(rotation_vector)
    return np.eye(3) + sine * skew + cosine * skew @ skew


def log(rotation: np.ndarray) -> np.ndarray:
    """Return the rotation vector (..., 3), of length 0 to pi rad, of a matrix (..., 3, 3)."""
    quaternion = to_quaternion(rotation)
    axis, w = quaternion[..., :3], quaternion[..., 3:]
    sine = np.linalg.norm(axis, axis=-1, keepdims=True)
    # atan2(s, w) / s tends to 1 for small s, where w is 1.
    with np.errstate(invalid='ignore', divide='ignore'):
        scale = np.where(sine > 1e-9, 2.0 * np.arctan2(sine, w) / sine, 2.0)
    return scale * axis


def left_jacobian(rotation_vector: np.ndarray) -> np.ndarray:
    """
    Return the left Jacobian (..., 3, 3) of the rotation group at a vector (..., 3).

    exp(v + d) is exp(J d) exp(v) to first order in d; J also is the mean rotation of a motion
    that turns by v at a constant rate.
    """
    _, cosine, cubic = _coefficients(rotation_vector)
    skew = hat(rotation_vector)
    return np.eye(3) + cosine * skew + cubic * skew @ skew


def _coefficients(rotation_vector: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return sin a / a, (1 - cos a) / a^2, (a - sin a) / a^3 at the angle a, (..., 1, 1)."""
    angle = np.linalg.norm(np.asarray(rotation_vector, dtype=float), axis=-1)[..., None, None]
    square = angle * angle
    with np.errstate(invalid='ignore', divide='ignore'):
        sine = np.where(angle < _SMALL, 1.0 - square / 6.0, np.sin(angle) / angle)
        # 2 sin^2(a/2) keeps the digits that 1 - cos a loses.
        cosine = np.where(angle < _SMALL, 0.5 - square / 24.0,
                          2.0 * np.sin(angle / 2.0) ** 2 / square)
        # a - sin a loses digits below a tenth of a radian, where three terms give them all.
        series = 1 / 6 - square / 120 + square ** 2 / 5040 - square ** 3 / 362880
        cubic = np.where(angle < 0.1, series, (angle - np.sin(angle)) / (square * angle))
    return sine, cosine, cubic


def from_quaternion(quaternion: np.ndarray) -> np.ndarray:
    """Return the rotation matrix (..., 3, 3) of a quaternion (..., 4) in x, y, z, w order."""
    quaternion = np.asarray(quaternion, dtype=float)
    quaternion = quaternion / np.linalg.norm(quaternion, axis=-1, keepdims=True)
    skew = hat(quaternion[..., :3])
    return np.eye(3) + 2.0 * quaternion[..., 3, None, None] * skew + 2.0 * skew @ skew


def to_quaternion(rotation: np.ndarray) -> np.ndarray:
    """
    Return the quaternion (..., 4), x, y, z, w with w >= 0, of a matrix (..., 3, 3).

    From the largest of the four components, so that none is divided by a small number (Shepperd
    1978, "Quaternion from rotation matrix").
    """
    rotation = np.asarray(rotation, dtype=float)
    xx, yy, zz = (rotation[..., i, i] for i in range(3))
    # Rows of 4 q q^T.
    outer = np.empty(rotation.shape[:-2] + (4, 4))
    outer[..., 0, 0] = 1.0 + xx - yy - zz
    outer[..., 1, 1] = 1.0 - xx + yy - zz
    outer[..., 2, 2] = 1.0 - xx - yy + zz
    outer[..., 3, 3] = 1.0 + xx + yy + zz
    for i, j, value in (
            (0, 1, rotation[..., 0, 1] + rotation[..., 1, 0]),
            (0, 2, rotation[..., 0, 2] + rotation[..., 2, 0]),
            (1, 2, rotation[..., 1, 2] + rotation[..., 2, 1]),
            (0, 3, rotation[..., 2, 1] - rotation[..., 1, 2]),
            (1, 3, rotation[..., 0, 2] - rotation[..., 2, 0]),
            (2, 3, rotation[..., 1, 0] - rotation[..., 0, 1])):
        outer[..., i, j] = outer[..., j, i] = value
    largest = np.argmax(np.diagonal(outer, axis1=-2, axis2=-1), axis=-1)
    quaternion = np.take_along_axis(outer, largest[..., None, None], axis=-2)[..., 0, :]
    quaternion = quaternion / np.linalg.norm(quaternion, axis=-1, keepdims=True)
    return np.where(quaternion[..., 3:] < 0.0, -quaternion, quaternion)
