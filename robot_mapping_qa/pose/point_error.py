# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Error of a point on the structure that follows from the error of the unit's pose.

With position error d and rotation error t (small rotations about the fixed axes, REP 103) a
point seen at the lever l from the unit is displaced by d + t x l. Frames: the covariance of a
geometry_msgs/PoseWithCovariance is about the fixed axes of the header's frame, so the lever is
the viewing direction turned from the unit's frame into the header's frame, times the working
distance.
"""

from __future__ import annotations

from typing import Sequence

import numpy as np
from robot_mapping_qa.pose.quaternion import Quaternion, rotate, Vector
from scipy.special import gammaincinv

CONFIDENCE = 0.95
WIDEST_RADIUS = 1.96
"""
No 95 % radius is more times the root mean square of the error.

Of all normal errors of one root mean square the one along a single axis has the widest, 1.95996
times it; that of `point_error_m` is exact there and below elsewhere.
"""


def point_covariance(covariance: np.ndarray, lever_m: np.ndarray) -> np.ndarray:
    """
    Return the covariance (..., 3, 3) of a point on the structure, m^2, header frame.

    ``covariance`` (..., 6, 6) is that of the pose in ROS order, cross-covariances included;
    ``lever_m`` (..., 3) leads from the unit to the point, in the header's frame. First-order
    propagation, GUM (JCGM 100:2008) section 5.2.2, equation 13.
    """
    covariance = np.asarray(covariance, dtype=float)
    x, y, z = np.moveaxis(np.asarray(lever_m, dtype=float), -1, 0)
    zero = np.zeros_like(x)
    # t x l = -[l]x t
    turn = np.stack([
        np.stack([zero, z, -y], -1),
        np.stack([-z, zero, x], -1),
        np.stack([y, -x, zero], -1)], -2)
    cross = covariance[..., :3, 3:] @ np.swapaxes(turn, -1, -2)
    return (covariance[..., :3, :3] + cross + np.swapaxes(cross, -1, -2)
            + turn @ covariance[..., 3:, 3:] @ np.swapaxes(turn, -1, -2))


def error_radius(covariance: np.ndarray, confidence: float = CONFIDENCE) -> np.ndarray:
    """
    Return the radius (...), m, that |e| stays below with the given confidence.

    e is a zero-mean normal error with the covariance (..., 3, 3). |e|^2 is a weighted sum of
    chi-square variables; it is replaced by the scaled chi-square variable of the same mean and
    variance (Satterthwaite 1946, "An approximate distribution of estimates of variance
    components"; GUM annex G.4). At 95 % the radius so found is between 0.1 % under and 0.6 %
    over the exact one for every ratio of eigenvalues, and exact where one, two or three equal
    eigenvalues stand alone.
    """
    covariance = np.asarray(covariance, dtype=float)
    mean = np.trace(covariance, axis1=-2, axis2=-1)
    square = np.sum(covariance * np.swapaxes(covariance, -1, -2), axis=(-2, -1))
    return _radius(mean, square, confidence)


def _radius(mean, square, confidence):
    """Return the radius for the trace of a covariance and the trace of its square."""
    with np.errstate(invalid='ignore', divide='ignore'):
        half_freedom = mean * mean / (2.0 * square)
        quantile = 2.0 * gammaincinv(half_freedom, confidence)
        radius = np.sqrt(quantile * square / mean)
    return np.where(mean > 0.0, radius, 0.0)


def point_error_m(covariance: np.ndarray, lever_m: Sequence[float]) -> float:
    """
    Return the 95 % radius, m, of one pose: `error_radius` of `point_covariance`, ten times faster.

    ``covariance`` (6, 6) in ROS order and symmetric, ``lever_m`` three numbers, both in the
    header's frame. Written out in plain numbers, as it runs for every odometry message.
    """
    ((xx, xy, xz, xa, xb, xc), (_, yy, yz, ya, yb, yc), (_, _, zz, za, zb, zc),
     (_, _, _, aa, ab, ac), (_, _, _, _, bb, bc), (_, _, _, _, _, cc)) = covariance.tolist()
    x, y, z = lever_m
    # Rows of the error: dx + b z - c y, dy + c x - a z, dz + a y - b x, where a, b, c are the
    # rotation errors about X, Y, Z.
    s_xx = xx + 2.0 * (z * xb - y * xc) + z * z * bb - 2.0 * y * z * bc + y * y * cc
    s_yy = yy + 2.0 * (x * yc - z * ya) + x * x * cc - 2.0 * x * z * ac + z * z * aa
    s_zz = zz + 2.0 * (y * za - x * zb) + y * y * aa - 2.0 * x * y * ab + x * x * bb
    s_xy = (xy + x * xc - z * xa + z * yb - y * yc
            + x * z * bc - z * z * ab - x * y * cc + y * z * ac)
    s_xz = (xz + y * xa - x * xb + z * zb - y * zc
            + y * z * ab - x * z * bb - y * y * ac + x * y * bc)
    s_yz = (yz + y * ya - x * yb + x * zc - z * za
            + x * y * ac - x * x * bc - y * z * aa + x * z * ab)
    mean = s_xx + s_yy + s_zz
    if mean <= 0.0:
        return 0.0
    square = (s_xx * s_xx + s_yy * s_yy + s_zz * s_zz
              + 2.0 * (s_xy * s_xy + s_xz * s_xz + s_yz * s_yz))
    quantile = 2.0 * float(gammaincinv(mean * mean / (2.0 * square), CONFIDENCE))
    return (quantile * square / mean) ** 0.5


def worst_point_error_m(covariance: np.ndarray, quaternion: Quaternion,
                        levers_m: Sequence[Vector]) -> float:
    """
    Return `point_error_m` of the worst of several points, m.

    ``levers_m`` lead to them in the unit's frame, whose attitude in the header's frame is the
    unit ``quaternion`` (x, y, z, w).
    """
    return max(point_error_m(covariance, rotate(quaternion, lever)) for lever in levers_m)
