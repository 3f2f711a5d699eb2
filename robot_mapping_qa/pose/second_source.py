# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The unit's relative motion against one second source: an IMU or wheel odometry.

Motion is integrated in plain numbers, sample by sample: for a handful of samples a step, calls
into a library cost more than the work.
"""

from __future__ import annotations

from collections import deque
from math import hypot, isfinite, sqrt
from typing import NamedTuple, Sequence

import numpy as np

from robot_mapping_qa.pose.consistency import Inflation, Innovation, InnovationWindow
from robot_mapping_qa.pose.pose_scatter import scatter_inflation
from robot_mapping_qa.pose.quaternion import (
    conjugate, from_rotation_vector, multiply, Quaternion, rotate, rotation_rows,
    rotation_vector, Vector, vector)
from robot_mapping_qa.pose.trust_limits import TrustLimits

# A gap in the second source that is longer spoils the comparison: a period of slow wheel odometry.
_LONGEST_GAP_NS = 110_000_000
# How far the origin of wheel odometry may be from where the configuration has it.
_LEVER_SIGMA_M = 0.1
# Wheels that turn by so much more than the unit slip: then they are no witness of the way either.
_SLIP_SIGMAS = 4.0
# A hundred samples tell how noisy they are.
_NOISE_GAIN = 0.02
# Samples wait so long for the poses to compare them with, and poses for the samples.
_KEPT_NS = 5_000_000_000
_UPRIGHT: Quaternion = (0.0, 0.0, 0.0, 1.0)
_NOWHERE: Vector = (0.0, 0.0, 0.0)
_ONE = np.eye(1)


class UnitPose(NamedTuple):
    """Pose of the unit, with its covariance (6, 6) in ROS order."""

    stamp_ns: int
    quaternion: Quaternion
    position_m: Vector
    covariance: np.ndarray


class _Motion(NamedTuple):
    """What the second source says of a step, in its own frame at the begin."""

    turn: Quaternion
    way_m: Vector
    first: tuple[float, ...]
    last: tuple[float, ...]


class SecondSource:
    """
    The turning, and where it has one the travel, of a motion stream against the unit's.

    ``quaternion`` and ``position_m`` place the stream's frame in the unit's. ``planar`` is for
    wheels, which know of turning about the upright axis of their frame only. Travel is compared
    across the horizontal way alone: wheels that slip are wrong along it, for as long as they do,
    and nothing tells that from a unit that is. Memory is bounded by the window.
    """

    def __init__(self, limits: TrustLimits, quaternion: Quaternion = _UPRIGHT,
                 position_m: Vector = _NOWHERE, planar: bool = False) -> None:
        self._limits = limits
        self._mount = quaternion
        self._unmount = conjugate(quaternion)
        self._position_m = position_m
        late, scale = limits.lateness_s, limits.scale_sigma
        self.is_planar = planar
        """Whether it knows of turning about the upright axis only."""
        self._noise_radps = limits.wheel_turn_noise_radps if planar else limits.gyro_noise_radps
        axes = 1 if planar else 3
        self._turns = InnovationWindow(
            limits.interval_s, limits.window_s,
            [limits.gyro_bias_radps] + axes * [late] + axes * [scale], holds_noise=planar)
        self._travels = InnovationWindow(
            limits.interval_s, limits.window_s, [late, scale] + 2 * [_LEVER_SIGMA_M],
            tells_both_ways=False)
        self._poses: deque[UnitPose] = deque()
        self._samples: deque[tuple[int, tuple[float, ...]]] = deque()
        self._about = slice(3 - axes, 3)
        self._seen_rad2_s = 0.0

    def restart(self) -> None:
        """Forget everything: after a step of a clock, or where the unit jumped."""
        self._turns.clear()
        self._travels.clear()
        self._poses.clear()
        self._samples.clear()
        self._seen_rad2_s = 0.0

    def restart_travel(self) -> None:
        """Begin the comparison of travel anew."""
        self._travels.clear()

    def add(self, stamp_ns: int, motion: tuple[float, ...]) -> None:
        """
        Take turn rate (rad/s) and, where there is one, velocity (m/s) in the stream's frame.

        Three or six numbers. Stamps that do not advance are left out. They are on the unit's
        clock, but for the limits' lateness.
        """
        samples = self._samples
        if samples:
            if stamp_ns <= samples[-1][0]:
                return
            if samples[0][0] < stamp_ns - _KEPT_NS:
                samples.popleft()
            if len(samples) >= 2:
                self._see_noise(stamp_ns, motion)
        samples.append((stamp_ns, motion))
        if len(self._poses) >= 2 and stamp_ns >= self._poses[1].stamp_ns:
            self._compare()

    def _see_noise(self, stamp_ns: int, motion: tuple[float, ...]) -> None:
        """
        Follow the variance (rad^2/s) of the turning by what the samples scatter by.

        Motion hardly shows in their second differences, whose variance is six times the samples'.
        """
        (_, first), (before_ns, second) = self._samples[-2], self._samples[-1]
        bends = [a - 2.0 * b + c for a, b, c in zip(
            first[self._about], second[self._about], motion[self._about])]
        seen = sum([bend * bend for bend in bends]) / (6.0 * len(bends))
        seen *= (stamp_ns - before_ns) * 1e-9
        if isfinite(seen):
            self._seen_rad2_s += _NOISE_GAIN * (seen - self._seen_rad2_s)

    def add_pose(self, pose: UnitPose) -> None:
        """Take a pose of the unit, a step after the one before."""
        poses = self._poses
        if poses and pose.stamp_ns <= poses[-1].stamp_ns:
            poses.clear()
        poses.append(pose)
        while poses[0].stamp_ns < pose.stamp_ns - _KEPT_NS:
            # The second source has fallen silent.
            poses.popleft()
        self._compare()

    def turn_inflation(self) -> Inflation | None:
        """Return the inflation of the reported rotation; see `InnovationWindow.inflation`."""
        return self._turns.inflation(self._limits.confidence)

    def travel_inflation(self) -> Inflation | None:
        """Return the inflation of the reported position."""
        return self._travels.inflation(self._limits.confidence)

    def scatter_inflation(self) -> Inflation | None:
        """
        Return by how much the poses' scatter alone exceeds the reported rotation.

        See `pose_scatter`. None for wheels: their own turning scatters in the same way where it
        is worked out from angles of the wheels.
        """
        found = None if self.is_planar else self._turns.calibrated()
        if found is None:
            return None
        steps, difference = found
        turned = np.array([step.motion[-3:] for step in steps])
        return scatter_inflation(steps, difference, turned, self._limits.confidence)

    def _compare(self) -> None:
        poses, samples = self._poses, self._samples
        while len(poses) >= 2 and samples and samples[-1][0] >= poses[1].stamp_ns:
            begin, end = poses.popleft(), poses[0]
            while len(samples) >= 2 and samples[1][0] <= begin.stamp_ns:
                samples.popleft()
            motion = self._motion(begin.stamp_ns, end.stamp_ns)
            if motion is not None:
                self._judge(motion, begin, end)

    def _motion(self, begin_ns: int, end_ns: int) -> _Motion | None:
        """Return the source's motion between two times, None where it does not cover them."""
        samples = iter(self._samples)
        before_ns, before = next(samples)
        if before_ns > begin_ns or end_ns - begin_ns > 4e9 * self._limits.interval_s:
            return None
        turn, way, first, now_ns = _UPRIGHT, _NOWHERE, None, begin_ns
        for after_ns, after in samples:
            gap_ns = after_ns - before_ns
            if gap_ns > _LONGEST_GAP_NS or len(after) != len(before) or not all(
                    map(isfinite, after)):
                return None
            until_ns = min(after_ns, end_ns)
            # Values at both ends of the part of this gap that lies in the step.
            start = before if now_ns == before_ns else _between(
                before, after, (now_ns - before_ns) / gap_ns)
            stop = _between(before, after, (until_ns - before_ns) / gap_ns)
            half_s = (until_ns - now_ns) * 0.5e-9
            rotated = multiply(turn, from_rotation_vector(_sum_times(start, stop, half_s)))
            if len(start) == 6:
                added = _sum_times(rotate(turn, vector(start[3:])),
                                   rotate(rotated, vector(stop[3:])), half_s)
                way = (way[0] + added[0], way[1] + added[1], way[2] + added[2])
            turn = rotated
            first = start if first is None else first
            if until_ns == end_ns:
                return _Motion(turn, way, first, stop)
            before_ns, before, now_ns = after_ns, after, after_ns
        # Only where the last sample lies exactly on the begin: an empty step.
        return None

    def _judge(self, motion: _Motion, begin: UnitPose, end: UnitPose) -> None:
        length_s = (end.stamp_ns - begin.stamp_ns) * 1e-9
        unit_turn = multiply(conjugate(begin.quaternion), end.quaternion)
        # The unit's turn about the source's axes.
        seen = multiply(multiply(self._unmount, unit_turn), self._mount)
        difference: Sequence[float] = rotation_vector(multiply(conjugate(motion.turn), seen))
        turned: Sequence[float] = rotation_vector(motion.turn)
        first, last = motion.first, motion.last
        change: Sequence[float] = (last[0] - first[0], last[1] - first[1], last[2] - first[2])
        to_frame = np.array(rotation_rows(multiply(end.quaternion, self._mount)))
        reported = end.covariance[3:, 3:]
        growth = reported - begin.covariance[3:, 3:]
        if self.is_planar:
            difference, turned, change = difference[2:], turned[2:], change[2:]
            upright = to_frame[:, 2:]
            growth, reported = (upright.T @ part @ upright for part in (growth, reported))
            to_frame = _ONE
        # White noise: its variance grows with the time.
        noise_rad2 = length_s * max(
            self._noise_radps ** 2 * self._limits.interval_s, self._seen_rad2_s)
        self._turns.add(Innovation(
            begin.stamp_ns, end.stamp_ns, difference, to_frame, growth, reported, noise_rad2,
            (length_s, *change, *turned)))
        if len(motion.first) == 6 and hypot(*difference) <= _SLIP_SIGMAS * sqrt(noise_rad2):
            self._judge_travel(motion, begin, end, unit_turn)

    def _judge_travel(self, motion: _Motion, begin: UnitPose, end: UnitPose,
                      unit_turn: Quaternion) -> None:
        """Compare the way of the source's origin, across the horizontal part of it."""
        limits = self._limits
        share = (end.stamp_ns - begin.stamp_ns) * 1e-9 / limits.interval_s
        moved = rotate(conjugate(begin.quaternion), vector(
            b - a for a, b in zip(begin.position_m, end.position_m)))
        lever, turned = self._position_m, rotate(unit_turn, self._position_m)
        unit_way = rotate(self._unmount, vector(
            m + t - p for m, t, p in zip(moved, turned, lever)))
        interval_m = sqrt(sum(part * part for part in motion.way_m)) / share
        noise_m2 = share * (
            (limits.wheel_noise_fraction * interval_m) ** 2 + limits.wheel_noise_m ** 2)
        x, y = motion.way_m[:2]
        # A wheel that spins says where the way goes, one that is locked leaves that to the unit.
        along = (unit_way[0] + x, unit_way[1] + y)
        length_m = hypot(*along)
        across = (0.0, 1.0) if length_m == 0.0 else (-along[1] / length_m, along[0] / length_m)
        to_across = np.array([across]) @ np.array(
            rotation_rows(multiply(begin.quaternion, self._mount))).T[:2]
        # What a small turn between both ways moves them apart by, whatever their lengths.
        turned_m = 0.0 if length_m == 0.0 else (
            2.0 * hypot(*unit_way[:2]) * hypot(x, y) / length_m)
        turn_rad = rotation_vector(motion.turn)[2]
        change = (motion.last[3] - motion.first[3], motion.last[4] - motion.first[4])
        self._travels.add(Innovation(
            begin.stamp_ns, end.stamp_ns, (_dot(across, (unit_way[0] - x, unit_way[1] - y)),),
            _ONE, to_across @ _added(begin, end) @ to_across.T,
            to_across @ end.covariance[:3, :3] @ to_across.T, noise_m2,
            (_dot(across, change), turned_m, turn_rad * across[0], turn_rad * across[1])))


def _between(first: Sequence[float], second: Sequence[float], share: float) -> tuple[float, ...]:
    return tuple([a + share * (b - a) for a, b in zip(first, second)])


def _dot(left: Sequence[float], right: Sequence[float]) -> float:
    return left[0] * right[0] + left[1] * right[1]


def _sum_times(left: Sequence[float], right: Sequence[float], factor: float) -> Vector:
    """Return the sum of the first three numbers of both, times a factor."""
    return (factor * (left[0] + right[0]), factor * (left[1] + right[1]),
            factor * (left[2] + right[2]))


def _added(begin: UnitPose, end: UnitPose) -> np.ndarray:
    """
    Return the covariance (3, 3) of position that was added between two poses.

    The error of the attitude at the begin moves the end as well; that is no error of the motion
    between (first order: Barfoot and Furgale 2014, compounding of poses).
    """
    x, y, z = (b - a for a, b in zip(begin.position_m, end.position_m))
    lever = np.array(((0.0, -z, y), (z, 0.0, -x), (-y, x, 0.0)))
    old = begin.covariance
    cross = lever @ old[3:, :3]
    return (end.covariance[:3, :3] - old[:3, :3] + cross + cross.T
            - lever @ old[3:, 3:] @ lever.T)
