# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the simulated sensors measure, and the message that carries it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Union

import numpy as np
from robot_mapping_qa.rig.rotation import Quaternion, Vector


@dataclass(frozen=True, slots=True)
class OdometrySample:
    """
    Pose of child_frame in the frame of the message, twist in child_frame.

    Covariances: (36,) float64, row major, ROS order (x, y, z, rotation about X, Y, Z).
    """

    child_frame: str
    position: Vector
    quaternion: Quaternion
    linear: Vector
    angular: Vector
    pose_covariance: np.ndarray
    twist_covariance: np.ndarray


@dataclass(frozen=True, slots=True)
class PoseSample:
    """A pose in the frame of the message; covariance as in OdometrySample."""

    position: Vector
    quaternion: Quaternion
    covariance: np.ndarray


@dataclass(frozen=True, slots=True)
class ImuSample:
    """Turn rate (rad/s) and specific force (m/s^2) with their variances, equal on all axes."""

    angular: Vector
    acceleration: Vector
    angular_variance: float
    acceleration_variance: float


@dataclass(frozen=True, slots=True)
class CameraInfo:
    """Calibration of a pinhole camera without distortion, principal point in the middle."""

    width: int
    height: int
    focal_px: float


@dataclass(frozen=True, slots=True)
class Picture:
    """A grey picture: pixels is (height, width) uint8."""

    pixels: np.ndarray


@dataclass(frozen=True, slots=True)
class Cloud:
    """
    A lidar scan: points is (rings, columns) of lidar.POINT, or (1, points) without order.

    dense says that every point has a place; where not, x, y and z are NaN.
    """

    points: np.ndarray
    dense: bool = True


Payload = Union[OdometrySample, PoseSample, ImuSample, CameraInfo, Picture, Cloud]


@dataclass(frozen=True, slots=True)
class Message:
    """
    A message as the rig publishes it.

    measured_ns is the true host time of the measurement, stamp_ns the sensor clock's reading then,
    publish_ns the host time of publication. faults are the places, in the scenario's list, of the
    faults of this sensor that were in force at the measurement.
    """

    sensor: str
    topic: str
    frame: str
    measured_ns: int
    stamp_ns: int
    publish_ns: int
    payload: Payload
    faults: tuple[int, ...] = ()
