# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The mapping unit: a pose that drifts slowly, with the covariance that it really has."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import at_least
from robot_mapping_qa.rig.records import OdometrySample, Payload
from robot_mapping_qa.rig.rotation import from_rotation_vector, multiply
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.trajectory import Walk


@dataclass(frozen=True, kw_only=True)
class OdometrySpec(SensorSpec):
    """
    A unit that reports its pose in frame and its twist in child_frame.

    The error of the pose starts with start_sigma_*, walks at random by drift_* per square root of
    the metres travelled, and has noise_* in each message besides; twist_noise_* is that of the
    twist. Position errors are along, rotation errors about, the axes of frame.
    """

    kind: ClassVar[str] = 'odometry'

    child_frame: str
    start_sigma_m: float = 0.002
    start_sigma_rad: float = 0.0005
    drift_m: float = 0.001
    drift_rad: float = 0.0002
    noise_m: float = 0.0005
    noise_rad: float = 0.0002
    twist_noise_m_s: float = 0.01
    twist_noise_rad_s: float = 0.002

    def __post_init__(self) -> None:
        """Refuse negative errors."""
        SensorSpec.__post_init__(self)
        for name in ('start_sigma_m', 'start_sigma_rad', 'drift_m', 'drift_rad', 'noise_m',
                     'noise_rad', 'twist_noise_m_s', 'twist_noise_rad_s'):
            at_least(name, getattr(self, name), 0.0)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        return {self.topic: 'nav_msgs/msg/Odometry'}

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> Odometry:
        """Return the unit, ready to measure the motion with errors drawn from rng."""
        return Odometry(self, motion, rng)


class Odometry:
    """The mapping unit at work."""

    def __init__(self, spec: OdometrySpec, motion: Walk | Route, rng: np.random.Generator) -> None:
        """Draw the error that the unit starts with."""
        self.spec = spec
        self._motion = motion
        self._rng = rng
        self._variance = [spec.start_sigma_m ** 2] * 3 + [spec.start_sigma_rad ** 2] * 3
        self._drift = [math.sqrt(v) * n for v, n in zip(self._variance, rng.standard_normal(6))]
        self._time_s: float | None = None
        self._twist_covariance = np.diag(
            [spec.twist_noise_m_s ** 2] * 3 + [spec.twist_noise_rad_s ** 2] * 3).ravel()

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the pose and twist that the unit reports."""
        spec = self.spec
        true = self._motion.at(time_s)
        elapsed_s = 0.0 if self._time_s is None else time_s - self._time_s
        self._time_s = time_s
        travelled_m = math.hypot(*true.linear) * elapsed_s

        n = self._rng.standard_normal(18).tolist()
        error = []
        covariance = np.zeros(36)
        for axis in range(6):
            drift = spec.drift_m if axis < 3 else spec.drift_rad
            noise = spec.noise_m if axis < 3 else spec.noise_rad
            self._drift[axis] += drift * math.sqrt(travelled_m) * n[axis]
            self._variance[axis] += drift * drift * travelled_m
            error.append(self._drift[axis] + noise * n[6 + axis])
            covariance[7 * axis] = self._variance[axis] + noise * noise

        x, y, z = true.position
        vx, vy, vz = true.linear
        wx, wy, wz = true.angular
        m_s, rad_s = spec.twist_noise_m_s, spec.twist_noise_rad_s
        return [(spec.topic, OdometrySample(
            child_frame=spec.child_frame,
            position=(x + error[0], y + error[1], z + error[2]),
            quaternion=multiply(
                from_rotation_vector((error[3], error[4], error[5])), true.quaternion),
            linear=(vx + m_s * n[12], vy + m_s * n[13], vz + m_s * n[14]),
            angular=(wx + rad_s * n[15], wy + rad_s * n[16], wz + rad_s * n[17]),
            pose_covariance=covariance,
            twist_covariance=self._twist_covariance))]
