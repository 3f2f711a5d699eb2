# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A mapping unit on a route: its error grows where the scene leaves it open."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, ScenarioError, topic_name
from robot_mapping_qa.rig.drift import DrawnError, DriftSpec, error_growth
from robot_mapping_qa.rig.records import OdometrySample, Payload, PoseSample
from robot_mapping_qa.rig.rotation import (
    conjugate, from_rotation_vector, multiply, Quaternion, rotate, Vector)
from robot_mapping_qa.rig.route import needs_route, Route
from robot_mapping_qa.rig.sensor import Episode, SensorSpec
from robot_mapping_qa.rig.trajectory import MotionState, Walk

REPORTS = ('honest', 'zero', 'constant', 'optimistic')
"""What a unit may say of its covariance."""


@dataclass(frozen=True, kw_only=True)
class LidarOdometrySpec(SensorSpec):
    """
    A unit at the body's origin that reports its pose in frame and its twist in child_frame.

    drift says how its error grows. reports is what it says of it: the covariance that the error
    has (honest), none (zero), one that never changes (constant: constant_sigma_*), or one whose
    standard deviations are too small by the factor optimism (optimistic). noise_* is that of each
    pose besides, twist_noise_* that of the twist, whose covariance is always that of its noise.
    With a map_topic, every map_every-th pose is published there in map_frame, corrected by loop
    closures; corrects_odometry corrects the odometry too, which then jumps.
    """

    kind: ClassVar[str] = 'lidar_odometry'

    child_frame: str
    reports: str = 'honest'
    optimism: float = 3.0
    constant_sigma_m: float = 0.01
    constant_sigma_rad: float = 0.002
    map_topic: str | None = None
    map_frame: str = 'map'
    map_every: int = 10
    corrects_odometry: bool = False
    drift: DriftSpec = field(default_factory=DriftSpec)
    noise_m: float = 0.0005
    noise_rad: float = 0.0002
    twist_noise_m_s: float = 0.01
    twist_noise_rad_s: float = 0.002

    def __post_init__(self) -> None:
        """Refuse negative errors, and a report that is none of REPORTS."""
        SensorSpec.__post_init__(self)
        if self.reports not in REPORTS:
            raise ScenarioError(
                f'reports: found {self.reports!r}, expected one of {", ".join(REPORTS)}')
        for name in ('optimism', 'constant_sigma_m', 'constant_sigma_rad'):
            above(name, getattr(self, name), 0.0)
        for name in ('noise_m', 'noise_rad', 'twist_noise_m_s', 'twist_noise_rad_s'):
            at_least(name, getattr(self, name), 0.0)
        if self.map_topic is not None:
            topic_name('map_topic', self.map_topic)
            if self.map_topic == self.topic:
                raise ScenarioError(
                    f'map_topic: found {self.map_topic!r}, expected another than topic')
        at_least('map_every', self.map_every, 1)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        topics = {self.topic: 'nav_msgs/msg/Odometry'}
        if self.map_topic is not None:
            topics[self.map_topic] = 'geometry_msgs/msg/PoseWithCovarianceStamped'
        return topics

    def frame_of(self, topic: str) -> str:
        """Return the frame of a topic's messages."""
        return self.map_frame if topic == self.map_topic else self.frame

    def check(self, motion: Walk | Route) -> None:
        """Refuse a walk without a structure to register."""
        needs_route(self.kind, motion)

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> LidarOdometry:
        """Return the unit, ready to measure the motion with errors drawn from rng."""
        return LidarOdometry(self, needs_route(self.kind, motion), rng)

    def episodes(self, motion: Walk | Route, duration_s: float) -> list[Episode]:
        """Return when the scene leaves a direction open, and when loops are closed."""
        growth = error_growth(needs_route(self.kind, motion), self.drift)
        found: list[Episode] = []
        open_from, directions = None, []
        for number in range(int(duration_s / growth.period_s) + 1):
            keyframe = growth.keyframe(number)
            if keyframe.closes:
                found.append(Episode('loop_closure', keyframe.time_s, keyframe.time_s))
            if keyframe.open_direction is not None:
                # The step to a keyframe begins at the one before.
                if open_from is None:
                    open_from = keyframe.time_s - growth.period_s
                directions.append(keyframe.open_direction)
            elif open_from is not None:
                found.append(_left_open(
                    open_from, keyframe.time_s - growth.period_s, directions))
                open_from, directions = None, []
        if open_from is not None:
            found.append(_left_open(open_from, duration_s, directions))
        return sorted(found, key=lambda episode: episode.from_s)


class LidarOdometry:
    """The mapping unit at work."""

    def __init__(self, spec: LidarOdometrySpec, motion: Route, rng: np.random.Generator) -> None:
        """Draw the error that the unit starts with."""
        self.spec = spec
        self._motion = motion
        # Noise and drift from generators of their own: the drift does not depend on the rate.
        drift_rng, self._rng = rng.spawn(2)
        self._error = DrawnError(error_growth(motion, spec.drift), drift_rng)
        self._count = 0
        self._noise = np.diag([spec.noise_m ** 2] * 3 + [spec.noise_rad ** 2] * 3)
        self._constant = np.diag(
            [spec.constant_sigma_m ** 2] * 3 + [spec.constant_sigma_rad ** 2] * 3)
        self._twist_covariance = np.diag(
            [spec.twist_noise_m_s ** 2] * 3 + [spec.twist_noise_rad_s ** 2] * 3).ravel()

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the pose and twist that the unit reports, and at times its pose in the map."""
        spec = self.spec
        true = self._motion.at(time_s)
        error, closed_error, rate = self._error.at(time_s)
        covariance, closed_covariance = self._error.covariances(time_s)
        n = self._rng.standard_normal(12).tolist()
        noise = [spec.noise_m * v for v in n[:3]] + [spec.noise_rad * v for v in n[3:6]]
        if spec.corrects_odometry:
            error, covariance = closed_error, closed_covariance
        position, quaternion = _displaced(true, error, noise)
        to_body = conjugate(true.quaternion)
        vx, vy, vz, wx, wy, wz = rate
        linear_error = rotate(to_body, (vx, vy, vz))
        angular_error = rotate(to_body, (wx, wy, wz))
        measured: list[tuple[str, Payload]] = [(spec.topic, OdometrySample(
            child_frame=spec.child_frame, position=position, quaternion=quaternion,
            linear=tuple(v + e + spec.twist_noise_m_s * w for v, e, w in zip(
                true.linear, linear_error, n[6:9])),
            angular=tuple(v + e + spec.twist_noise_rad_s * w for v, e, w in zip(
                true.angular, angular_error, n[9:])),
            pose_covariance=self._reported(covariance),
            twist_covariance=self._twist_covariance))]
        if spec.map_topic is not None and self._count % spec.map_every == 0:
            position, quaternion = _displaced(true, closed_error, noise)
            measured.append((spec.map_topic, PoseSample(
                position, quaternion, self._reported(closed_covariance))))
        self._count += 1
        return measured

    def _reported(self, covariance: np.ndarray) -> np.ndarray:
        """Return what the unit says (36,) when the covariance of its drift is this (6, 6)."""
        reports = self.spec.reports
        if reports == 'zero':
            return np.zeros(36)
        if reports == 'constant':
            return self._constant.ravel()
        honest = (covariance + self._noise).ravel()
        return honest / self.spec.optimism ** 2 if reports == 'optimistic' else honest


def _displaced(
        true: MotionState, error: list[float], noise: list[float]) -> tuple[Vector, Quaternion]:
    """Return the true pose with errors along and about the map's axes."""
    x, y, z = true.position
    ex, ey, ez, rx, ry, rz = (a + b for a, b in zip(error, noise))
    return (x + ex, y + ey, z + ez), multiply(
        from_rotation_vector((rx, ry, rz)), true.quaternion)


def _left_open(from_s: float, until_s: float, directions: list[np.ndarray]) -> Episode:
    """Return the episode in which a direction, on average this, was left to dead reckoning."""
    # A direction and its opposite are the same: their outer products agree.
    _, vectors = np.linalg.eigh(sum(np.outer(d, d) for d in directions))
    axis = vectors[:, 2] * np.sign(vectors[np.abs(vectors[:, 2]).argmax(), 2])
    return Episode('left_open', from_s, until_s, {'direction': axis.round(4).tolist()})
