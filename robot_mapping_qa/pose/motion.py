# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether the unit can follow its own motion: by lidar alone, or only with a camera's aid.

The rule of the trade (common practice, no source): gentle level motion may rely on lidar alone;
rotating or aggressive motion needs a camera that the unit localizes with, in good health.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from math import hypot
from typing import NamedTuple, Protocol, Sequence

import numpy as np
from robot_mapping_qa.pose.latch import ConditionLatch
from robot_mapping_qa.pose.motion_limits import MotionLimits
from robot_mapping_qa.pose.quaternion import (
    conjugate, multiply, Quaternion, rotate, rotation_vector, Vector)
from robot_mapping_qa.pose.usable_pose import problem_of
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.restart import RESTART_NS
from robot_mapping_qa.verdicts import Condition, Severity

# Long enough that pose noise of 5 mm at 100 Hz leaves 0.13 m/s2, and short against a manoeuvre.
_WINDOW_NS = 400_000_000
# A parabola through three positions has nothing left to average the noise with.
_LEAST_POSES = 4
# Of faster streams not every pose is kept: the fit takes as long as there are poses.
_SPACING_NS = 8_000_000
# Poses that are farther apart say nothing about the motion in between.
_LONGEST_GAP_NS = 500_000_000

_Check = tuple[str, float, float, str]
"""A verb, a value, its limit and the unit of both."""


class AidingCamera(Protocol):
    """A camera that the unit localizes with, such as an `ImageHealthMonitor`."""

    name: str

    def problem(self, now_ns: int) -> str | None:
        """Return in a sentence why the unit cannot rely on it, None if it can."""


@dataclass(frozen=True, slots=True)
class Motion:
    """
    Means over the last 0.4 s, or over four poses where those take longer.

    Magnitudes, in the fixed frame (z up, REP 103).

    ``tilt_rate_radps`` is the part of the turn rate that is about horizontal axes.
    """

    speed_mps: float
    acceleration_mps2: float
    turn_rate_radps: float
    tilt_rate_radps: float


class _Place(NamedTuple):
    """A pose, as plain numbers: each is looked at in some twenty fits."""

    stamp_ns: int
    frame: str
    position_m: Vector
    quaternion: Quaternion


class MotionMonitor:
    """
    Holds the motion of the unit ``name`` against its limits, with regard to its aiding cameras.

    ``scan_rate_hz`` is that of the lidar; where it is not known the limits' ``scan_s`` is taken.
    Where no aiding camera is configured, motion that would need one is only a notice: the unit
    may have one of its own. A jump of the pose is taken for motion as well, until it has left the
    window; the gate tells that as what follows from the jump. ``*_ns`` arguments are host time.
    """

    def __init__(self, name: str, limits: MotionLimits, cameras: Sequence[AidingCamera],
                 scan_rate_hz: float | None = None) -> None:
        self.name = name
        self.limits = limits
        self._cameras = tuple(cameras)
        self._scan_s = 1.0 / scan_rate_hz if scan_rate_hz else limits.scan_s
        self._latch = ConditionLatch()
        # How far beyond its limit, and the sentence of that moment.
        self._worst: dict[str, tuple[float, str]] = {}
        self._restart()

    def _restart(self) -> None:
        """Forget the poses."""
        self._poses: deque[_Place] = deque()
        self._received_ns = 0
        self._motion: Motion | None = None
        self._is_old = False

    def add(self, odometry: Odometry, receive_ns: int) -> None:
        """Take a pose; one that is out of order or no pose is left out."""
        if problem_of(odometry) is not None:
            return
        if receive_ns < self._received_ns - RESTART_NS:
            # Host time was set back: what is held until a time would be held too long.
            self._latch.clear()
            self._restart()
        poses = self._poses
        if poses:
            later_ns = odometry.stamp_ns - poses[-1].stamp_ns
            if -RESTART_NS <= later_ns <= 0:
                return
            if not 0 < later_ns <= _LONGEST_GAP_NS or odometry.frame != poses[-1].frame:
                self._restart()
                poses = self._poses
        self._received_ns = receive_ns
        if poses and odometry.stamp_ns - poses[-1].stamp_ns < _SPACING_NS:
            return
        poses.append(_Place(
            odometry.stamp_ns, odometry.frame, tuple(odometry.position_m.tolist()),
            tuple(odometry.quaternion.tolist())))
        while len(poses) > _LEAST_POSES and odometry.stamp_ns - poses[0].stamp_ns > _WINDOW_NS:
            poses.popleft()
        self._is_old = True

    def motion(self, now_ns: int) -> Motion | None:
        """Return the present motion, None where too few poses came lately."""
        if now_ns - self._received_ns > _LONGEST_GAP_NS:
            return None
        if self._is_old:
            # Asked for at every tick, not at every pose.
            self._motion = _motion_of(self._poses)
            self._is_old = False
        return self._motion

    def healthy_aids(self, now_ns: int) -> list[str] | None:
        """Return the names of the aiding cameras to rely on, None where none is configured."""
        if not self._cameras:
            return None
        return [camera.name for camera in self._cameras if camera.problem(now_ns) is None]

    def figures(self, now_ns: int) -> dict[str, float | None]:
        """Return the motion and the sweep during one scan, None where unknown."""
        motion = self.motion(now_ns)
        if motion is None:
            return {'acceleration_mps2': None, 'tilt_rate_radps': None,
                    'sweep_rad': None, 'sweep_m': None}
        sweep_rad, sweep_m = self._sweep(motion)
        return {'acceleration_mps2': motion.acceleration_mps2,
                'tilt_rate_radps': motion.tilt_rate_radps,
                'sweep_rad': sweep_rad, 'sweep_m': sweep_m}

    def conditions(self, now_ns: int) -> list[Condition]:
        """
        Return motion that the unit cannot follow; to be asked at every tick.

        A condition's onset is the middle of the window in which it was found.
        """
        motion = self.motion(now_ns)
        if motion is not None:
            self._judge_aid(motion, now_ns)
            self._judge_sweep(motion)
        # Kept up to bridge the moments between two swings, not only to be noticed: it goes on.
        return [replace(condition, record=self._worst[condition.key][1], seen_ns=None)
                for condition in self._latch.current(now_ns)]

    def _judge_aid(self, motion: Motion, now_ns: int) -> None:
        limits = self.limits
        turning, tilting, accelerating = (
            ('turning at', motion.turn_rate_radps, limits.turn_rate_limit_radps, 'rad/s'),
            ('tilting at', motion.tilt_rate_radps, limits.tilt_rate_limit_radps, 'rad/s'),
            ('accelerating at', motion.acceleration_mps2, limits.acceleration_limit_mps2, 'm/s2'))
        # Tilting is a part of turning, to be named where that alone would pass.
        demands = _beyond([turning]) or _beyond([tilting])
        demands += _beyond([accelerating])
        if not demands:
            return
        what = f'{self.name} is ' + ' and '.join(
            f'{verb} {value:.1f} {unit}' for verb, value, _, unit in demands)
        if not self._cameras:
            self._hold('unaided', f'{what}; no aiding camera is configured, so it is not known '
                       'whether it can follow that', Severity.NOTICE, demands)
            return
        problems = [problem for camera in self._cameras
                    if (problem := camera.problem(now_ns)) is not None]
        if len(problems) == len(self._cameras):
            self._hold('unaided', f'{what} without a healthy aiding camera: '
                       f'{" and ".join(problems)}', Severity.SOFT, demands)

    def _judge_sweep(self, motion: Motion) -> None:
        turn_rad, way_m = self._sweep(motion)
        beyond = _beyond([('turns', turn_rad, self.limits.sweep_limit_rad, 'rad'),
                          ('moves', way_m, self.limits.sweep_limit_m, 'm')])
        if beyond:
            what = ' and '.join(f'{verb} {value:.2f} {unit} (limit {limit:g} {unit})'
                                for verb, value, limit, unit in beyond)
            self._hold('sweep', f'{self.name} {what} during one lidar scan of {self._scan_s:g} s',
                       Severity.SOFT, beyond)

    def _sweep(self, motion: Motion) -> tuple[float, float]:
        return motion.turn_rate_radps * self._scan_s, motion.speed_mps * self._scan_s

    def _hold(self, kind: str, text: str, severity: Severity, beyond: list[_Check]) -> None:
        key = f'{self.name}/{kind}'
        half_ns = (self._poses[-1].stamp_ns - self._poses[0].stamp_ns) // 2
        is_new = self._latch.hold(key, text, severity, self._received_ns - half_ns,
                                  self.limits.hold_s + 1e-9 * half_ns)
        badness = max(value / limit for _, value, limit, _ in beyond)
        if is_new or badness > self._worst[key][0]:
            self._worst[key] = (badness, text)


def _beyond(checks: list[_Check]) -> list[_Check]:
    """Return the checks whose value is above its limit."""
    return [check for check in checks if check[1] > check[2]]


def _motion_of(poses: Sequence[_Place]) -> Motion | None:
    """
    Fit constant acceleration and constant turn rate to poses by least squares.

    From the poses alone, as not every unit fills in its twist, nor in the right frame.
    """
    span_ns = poses[-1].stamp_ns - poses[0].stamp_ns
    if len(poses) < _LEAST_POSES or span_ns < _WINDOW_NS // 2:
        return None
    middle = poses[len(poses) // 2]
    times = np.array([pose.stamp_ns - middle.stamp_ns for pose in poses]) * 1e-9
    places = np.array([pose.position_m for pose in poses]) - middle.position_m
    back = conjugate(middle.quaternion)
    turns = np.array([rotation_vector(multiply(back, pose.quaternion)) for pose in poses])
    powers = np.ones((len(times), 3))
    powers[:, 1], powers[:, 2] = times, times * times
    _, velocity, half_acceleration = np.linalg.lstsq(powers, places, rcond=None)[0]
    rate = np.linalg.lstsq(powers[:, :2], turns, rcond=None)[0][1]
    about_x, about_y, about_z = rotate(middle.quaternion, tuple(rate.tolist()))
    return Motion(
        speed_mps=hypot(*velocity.tolist()),
        acceleration_mps2=2.0 * hypot(*half_acceleration.tolist()),
        turn_rate_radps=hypot(about_x, about_y, about_z),
        tilt_rate_radps=hypot(about_x, about_y))
