# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The inertial sensor: turn rate and specific force with bias and noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import at_least
from robot_mapping_qa.rig.records import ImuSample, Payload
from robot_mapping_qa.rig.rotation import conjugate, rotate
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.trajectory import Walk

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of gravity, m/s^2 (CGPM 1901)."""


@dataclass(frozen=True, kw_only=True)
class ImuSpec(SensorSpec):
    """An IMU at the body's origin; each message's noise and the constant bias, one sigma."""

    kind: ClassVar[str] = 'imu'

    gyro_noise_rad_s: float = 0.002
    gyro_bias_rad_s: float = 0.001
    accel_noise_m_s2: float = 0.03
    accel_bias_m_s2: float = 0.02

    def __post_init__(self) -> None:
        """Refuse negative errors."""
        SensorSpec.__post_init__(self)
        for name in ('gyro_noise_rad_s', 'gyro_bias_rad_s', 'accel_noise_m_s2',
                     'accel_bias_m_s2'):
            at_least(name, getattr(self, name), 0.0)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        return {self.topic: 'sensor_msgs/msg/Imu'}

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> Imu:
        """Return the IMU, ready to measure the motion with errors drawn from rng."""
        return Imu(self, motion, rng)


class Imu:
    """The IMU at work."""

    def __init__(self, spec: ImuSpec, motion: Walk | Route, rng: np.random.Generator) -> None:
        """Draw the biases."""
        self.spec = spec
        self._motion = motion
        self._rng = rng
        self._gyro_bias = (spec.gyro_bias_rad_s * rng.standard_normal(3)).tolist()
        self._accel_bias = (spec.accel_bias_m_s2 * rng.standard_normal(3)).tolist()

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the turn rate and specific force."""
        spec = self.spec
        true = self._motion.at(time_s)
        n = self._rng.standard_normal(6).tolist()
        # An accelerometer at rest feels the support that holds it up against gravity.
        support = rotate(conjugate(true.quaternion), (0.0, 0.0, STANDARD_GRAVITY))
        angular = tuple(
            w + bias + spec.gyro_noise_rad_s * noise
            for w, bias, noise in zip(true.angular, self._gyro_bias, n[:3]))
        acceleration = tuple(
            a + g + bias + spec.accel_noise_m_s2 * noise
            for a, g, bias, noise in zip(true.acceleration, support, self._accel_bias, n[3:]))
        return [(spec.topic, ImuSample(
            angular, acceleration,
            spec.gyro_noise_rad_s ** 2 + spec.gyro_bias_rad_s ** 2,
            spec.accel_noise_m_s2 ** 2 + spec.accel_bias_m_s2 ** 2))]
