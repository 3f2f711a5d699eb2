# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""An odometry message as the checks of the pose take it, and what makes it unusable."""

from __future__ import annotations

from math import hypot, isfinite

import numpy as np

from robot_mapping_qa.pose.jumps import PoseSample
from robot_mapping_qa.pose.quaternion import normalized, Quaternion, Vector
from robot_mapping_qa.records import Odometry

# tf2 accepts no quaternion whose length is off by more (common practice, no source).
_LENGTH_TOLERANCE = 0.01
# Twice the way to the Moon: no frame that a robot is placed in reaches so far, and whatever is
# computed from what is let through stays finite.
_FURTHEST_M = 1e9
FASTEST = 1e6
"""No robot moves or turns so fast, m/s or rad/s."""


def frames_of(odometry: Odometry) -> tuple[str, str]:
    """Return the names of the frame and of the child frame."""
    return odometry.frame, odometry.child_frame


def problem_of(odometry: Odometry) -> str | None:
    """Return what makes the pose unusable, to follow the stream's name; None if nothing does."""
    position = odometry.position_m.tolist()
    quaternion = odometry.quaternion.tolist()
    if not all(map(isfinite, position)):
        return f'gives a position that is not finite: {_to_a_mm(position)}'
    if max(map(abs, position)) > _FURTHEST_M:
        return f'gives a position that is nowhere near: {_to_a_mm(position)}'
    # The length of a quaternion with a NaN is NaN, which is not within the tolerance either.
    length = hypot(*quaternion)
    if not abs(length - 1.0) <= _LENGTH_TOLERANCE:
        return f'gives a quaternion of length {length:.3g}, expected 1'
    return None


def _to_a_mm(position: list[float]) -> list[float]:
    return [round(value, 3) for value in position]


def unit_quaternion(odometry: Odometry) -> Quaternion:
    """Return the orientation as a quaternion of length 1."""
    return normalized(*odometry.quaternion.tolist())


def sample_of(odometry: Odometry) -> PoseSample:
    """Return pose and twist as plain numbers."""
    return PoseSample(
        odometry.stamp_ns, tuple(odometry.position_m.tolist()), unit_quaternion(odometry),
        _finite(odometry.linear_mps), _finite(odometry.angular_radps))


def _finite(vector: np.ndarray | None) -> Vector | None:
    """Return the numbers of a twist, None where it has none or they cannot be used."""
    if vector is None:
        return None
    values = tuple(vector.tolist())
    x, y, z = values
    # A NaN is not below the limit either.
    return values if abs(x) < FASTEST and abs(y) < FASTEST and abs(z) < FASTEST else None
