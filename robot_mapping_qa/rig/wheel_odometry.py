# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Wheel odometry of an omnidirectional base: planar motion, a wrong scale, and slip."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, between
from robot_mapping_qa.rig.records import OdometrySample, Payload
from robot_mapping_qa.rig.rotation import from_roll_pitch_yaw
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.sensor import Episode, SensorSpec
from robot_mapping_qa.rig.trajectory import Walk

UNMEASURED_VARIANCE = 1e6
"""Variance of what wheels do not measure: height, roll and pitch."""


@dataclass(frozen=True, kw_only=True)
class WheelOdometrySpec(SensorSpec):
    """
    Wheels below the body: pose in frame, which is where they started, twist in child_frame.

    speed_noise_m_s and turn_noise_rad_s are those of each message; scale_error and
    turn_drift_rad_s are constant in a run and drawn for it; all one sigma. The reported twist
    covariance is that of these, the pose's grows with the way by pose_growth (one sigma a metre,
    a metre and a radian alike). Neither knows of slip: from slip_at_s, and again every
    slip_every_s (0: once only), the wheels turn by 1 + slip_ratio as fast as the way passes below
    them, for slip_length_s (0: never); -1 is a wheel that is locked.
    """

    kind: ClassVar[str] = 'wheel_odometry'

    child_frame: str
    speed_noise_m_s: float = 0.01
    turn_noise_rad_s: float = 0.01
    scale_error: float = 0.003
    turn_drift_rad_s: float = 0.0005
    pose_growth: float = 0.01
    slip_at_s: float = 0.0
    slip_every_s: float = 0.0
    slip_length_s: float = 0.0
    slip_ratio: float = 0.3

    def __post_init__(self) -> None:
        """Refuse negative errors, and slips that do not end before the next."""
        SensorSpec.__post_init__(self)
        for name in ('speed_noise_m_s', 'turn_noise_rad_s', 'scale_error', 'turn_drift_rad_s',
                     'pose_growth', 'slip_at_s', 'slip_every_s', 'slip_length_s'):
            at_least(name, getattr(self, name), 0.0)
        if self.slip_every_s > 0.0:
            above('slip_every_s', self.slip_every_s, self.slip_length_s)
        between('slip_ratio', self.slip_ratio, -1.0, 10.0)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        return {self.topic: 'nav_msgs/msg/Odometry'}

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> WheelOdometry:
        """Return the wheels, ready to measure the motion with errors drawn from rng."""
        return WheelOdometry(self, motion, rng)

    def slips(self, time_s: float) -> bool:
        """Return whether the wheels slip at a time."""
        since_s = time_s - self.slip_at_s
        if self.slip_every_s > 0.0 and since_s >= 0.0:
            since_s %= self.slip_every_s
        return 0.0 <= since_s < self.slip_length_s

    def episodes(self, motion: Walk | Route, duration_s: float) -> list[Episode]:
        """Return when the wheels slip."""
        found: list[Episode] = []
        at_s = self.slip_at_s
        while self.slip_length_s > 0.0 and at_s < duration_s:
            found.append(Episode('slip', at_s, min(at_s + self.slip_length_s, duration_s), {
                'slip_ratio': self.slip_ratio}))
            at_s = self.slip_at_s + len(found) * self.slip_every_s
            if self.slip_every_s == 0.0:
                break
        return found


class WheelOdometry:
    """The wheels at work."""

    def __init__(
            self, spec: WheelOdometrySpec, motion: Walk | Route,
            rng: np.random.Generator) -> None:
        """Draw scale and drift."""
        self.spec = spec
        self._motion = motion
        self._rng = rng
        self._scale = 1.0 + spec.scale_error * rng.standard_normal()
        self._turn_drift = spec.turn_drift_rad_s * rng.standard_normal()
        self._time_s: float | None = None
        self._x = self._y = self._yaw = self._way_m = 0.0

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the twist that the wheels make, and the pose that it adds up to."""
        spec = self.spec
        true = self._motion.at(time_s)
        elapsed_s = 0.0 if self._time_s is None else time_s - self._time_s
        self._time_s = time_s
        n = self._rng.standard_normal(3).tolist()
        turned = self._scale * (1.0 + spec.slip_ratio if spec.slips(time_s) else 1.0)
        vx = turned * true.linear[0] + spec.speed_noise_m_s * n[0]
        vy = turned * true.linear[1] + spec.speed_noise_m_s * n[1]
        turn = true.angular[2] + self._turn_drift + spec.turn_noise_rad_s * n[2]
        heading = self._yaw + 0.5 * turn * elapsed_s
        self._x += (vx * math.cos(heading) - vy * math.sin(heading)) * elapsed_s
        self._y += (vx * math.sin(heading) + vy * math.cos(heading)) * elapsed_s
        self._yaw += turn * elapsed_s
        speed = math.hypot(vx, vy)
        self._way_m += speed * elapsed_s
        pose_variance = (spec.pose_growth * self._way_m) ** 2
        speed_variance = spec.speed_noise_m_s ** 2 + (spec.scale_error * speed) ** 2
        turn_variance = spec.turn_noise_rad_s ** 2 + spec.turn_drift_rad_s ** 2
        return [(spec.topic, OdometrySample(
            child_frame=spec.child_frame, position=(self._x, self._y, 0.0),
            quaternion=from_roll_pitch_yaw(0.0, 0.0, self._yaw),
            linear=(vx, vy, 0.0), angular=(0.0, 0.0, turn),
            pose_covariance=_planar(pose_variance, pose_variance),
            twist_covariance=_planar(speed_variance, turn_variance)))]


def _planar(along: float, about: float) -> np.ndarray:
    """Return a covariance (36,) of motion in the plane."""
    return np.diag([along, along] + [UNMEASURED_VARIANCE] * 3 + [about]).ravel()
