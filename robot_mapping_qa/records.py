# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Sensor data as the core sees it: plain records without any ROS type."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Odometry:
    """
    One odometry or pose message.

    ``position_m`` (3,) and ``quaternion`` (4,) in x, y, z, w order place ``child_frame`` in
    ``frame``. ``covariance`` (6, 6) is that of the pose in ROS order (x, y, z, rotation about
    X, Y, Z of ``frame``; m, rad). ``linear_mps`` and ``angular_radps`` (3,) are expressed in
    ``child_frame`` with ``twist_covariance`` (6, 6); all three are None for a message without
    a twist.
    """

    stamp_ns: int
    frame: str
    child_frame: str
    position_m: np.ndarray
    quaternion: np.ndarray
    covariance: np.ndarray
    linear_mps: np.ndarray | None
    angular_radps: np.ndarray | None
    twist_covariance: np.ndarray | None


@dataclass(frozen=True, slots=True)
class Range:
    """
    One reading of a range finder, m, and the least and most that it can measure.

    Infinite where nothing is in reach, minus infinite where something is too near (REP 117).
    """

    stamp_ns: int
    frame: str
    least_m: float
    most_m: float
    range_m: float


@dataclass(frozen=True, slots=True)
class Imu:
    """
    One inertial measurement in the sensor's frame.

    ``angular_radps`` and ``acceleration_mps2`` (3,) or None where the message says that the
    quantity is not measured (sensor_msgs/Imu: first covariance element -1).
    """

    stamp_ns: int
    frame: str
    angular_radps: np.ndarray | None
    acceleration_mps2: np.ndarray | None
