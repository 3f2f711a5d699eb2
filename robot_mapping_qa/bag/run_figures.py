# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a run looked like, in the quantities that thresholds are held against."""

from __future__ import annotations

from math import hypot
from typing import Callable, Mapping

import numpy as np
from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.messages.serialized import MalformedMessage, POSE_READERS, read_stamp
from robot_mapping_qa.pose.quaternion import conjugate, multiply, rotate, rotation_vector, Vector
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.timing.monitor import TimingMonitor
from robot_mapping_qa.timing.quantiles import DelayHistogram

PAUSE_NS = 500_000_000
"""Poses further apart say nothing about the motion between them."""

BASELINE_NS = 20_000_000
"""Accelerations are taken over at least this, so that the noise of two twists stays small."""

STRETCH_S = 2.0
"""Reported and covered way are compared over stretches of this length ..."""

LEAST_WAY_M = 0.2
"""... on which the robot went at least this far: a share of nothing says nothing."""


class Figure:
    """One quantity's values over a run, in bounded memory; quantiles are good to 1 %."""

    def __init__(self) -> None:
        """Start empty."""
        self._histogram = DelayHistogram()
        self.count = 0
        self.largest: float | None = None

    def add(self, value: float) -> None:
        """Take a value."""
        self._histogram.add(value)
        self.count += 1
        self.largest = value if self.largest is None else max(self.largest, value)

    def quantile(self, share: float) -> float | None:
        """Return the value below which a share of all lies; None without values."""
        quantile, = self._histogram.quantiles(share)
        if quantile is None or self.largest is None:
            return None
        return min(quantile, self.largest)


class RunFigures:
    """
    Collects the figures of a run, each by the stream that it belongs to.

    ``gaps_s`` are the times from one receipt to the next, ``delays_s`` from stamp to receipt,
    ``ahead_s`` by how much a stamp lay ahead of its receipt, ``time_errors_s`` how far a clock
    was off the unit's since it settled. ``motion`` holds those of the unit's pose.
    """

    def __init__(self, configuration: Configuration) -> None:
        """Begin without messages."""
        names = [stream.name for stream in configuration.streams]
        self.gaps_s = {name: Figure() for name in names}
        self.delays_s = {name: Figure() for name in names}
        self.ahead_s = {name: Figure() for name in names}
        self.time_errors_s = {name: Figure() for name in names}
        self.motion = MotionFigures()
        self._last_ns: dict[str, int] = {}

    def take(self, stream: Stream, log_ns: int, data: bytes) -> None:
        """Take a serialized message; one that cannot be read is left to the monitors."""
        name = stream.name
        last_ns = self._last_ns.get(name)
        self._last_ns[name] = log_ns
        if last_ns is not None and log_ns > last_ns:
            self.gaps_s[name].add((log_ns - last_ns) * 1e-9)
        try:
            delay_s = (log_ns - read_stamp(data)) * 1e-9
            if stream.role == 'pose':
                self.motion.add(POSE_READERS[stream.type](data))
        except MalformedMessage:
            return
        self.delays_s[name].add(delay_s)
        self.ahead_s[name].add(-delay_s)

    def look_at_clocks(self, timing: TimingMonitor, now_ns: int) -> None:
        """Take how far the clocks are off the unit's at ``now_ns``."""
        for name, figure in self.time_errors_s.items():
            error = timing.time_error(name, now_ns)
            if error is not None:
                figure.add(abs(error[0]))


class MotionFigures:
    """
    The unit's motion, and how well its twist explains its poses.

    Residuals are what is left of the way from one pose to the next after the mean of both twists
    (trapezoid), as in `pose.jumps`.
    """

    def __init__(self) -> None:
        """Begin without poses."""
        self.speeds_mps = Figure()
        self.turn_rates_radps = Figure()
        self.accelerations_mps2 = Figure()
        self.angular_accelerations_radps2 = Figure()
        self.residuals_m = Figure()
        self.residuals_rad = Figure()
        self.twist_errors = Figure()
        self._last: Odometry | None = None
        self._base: Odometry | None = None
        self._stretch_s = self._covered_m = self._reported_m = 0.0

    def add(self, pose: Odometry) -> None:
        """Take the next pose of the unit."""
        last, self._last = self._last, pose
        if last is None or not 0 < pose.stamp_ns - last.stamp_ns < PAUSE_NS:
            self._base = pose
            self._stretch_s = self._covered_m = self._reported_m = 0.0
            return
        dt_s = (pose.stamp_ns - last.stamp_ns) * 1e-9
        inverse = conjugate(tuple(last.quaternion.tolist()))
        moved = rotate(inverse, tuple((pose.position_m - last.position_m).tolist()))
        turned = rotation_vector(multiply(inverse, tuple(pose.quaternion.tolist())))
        if pose.linear_mps is None or last.linear_mps is None or \
                pose.angular_radps is None or last.angular_radps is None:
            self.speeds_mps.add(hypot(*moved) / dt_s)
            self.turn_rates_radps.add(hypot(*turned) / dt_s)
            return
        self.speeds_mps.add(hypot(*pose.linear_mps.tolist()))
        self.turn_rates_radps.add(hypot(*pose.angular_radps.tolist()))
        way = _trapezoid(last.linear_mps, pose.linear_mps, dt_s)
        turn = _trapezoid(last.angular_radps, pose.angular_radps, dt_s)
        self.residuals_m.add(_distance(moved, way))
        self.residuals_rad.add(_distance(turned, turn))
        self._accelerate(pose, pose.linear_mps, pose.angular_radps)
        self._compare_ways(dt_s, hypot(*moved), hypot(*way))

    def _accelerate(self, pose: Odometry, linear_mps: np.ndarray,
                    angular_radps: np.ndarray) -> None:
        base = self._base
        if base is None or pose.stamp_ns - base.stamp_ns < BASELINE_NS:
            return
        dt_s = (pose.stamp_ns - base.stamp_ns) * 1e-9
        self._base = pose
        if base.linear_mps is not None and base.angular_radps is not None:
            self.accelerations_mps2.add(
                hypot(*(linear_mps - base.linear_mps).tolist()) / dt_s)
            self.angular_accelerations_radps2.add(
                hypot(*(angular_radps - base.angular_radps).tolist()) / dt_s)

    def _compare_ways(self, dt_s: float, covered_m: float, reported_m: float) -> None:
        self._stretch_s += dt_s
        self._covered_m += covered_m
        self._reported_m += reported_m
        if self._stretch_s < STRETCH_S:
            return
        if self._reported_m >= LEAST_WAY_M:
            self.twist_errors.add(abs(self._covered_m / self._reported_m - 1.0))
        self._stretch_s = self._covered_m = self._reported_m = 0.0


def worst(figures: Mapping[str, Figure], share: float,
          usable: Callable[[str], bool]) -> tuple[str, float] | None:
    """Return the stream with the largest quantile and that value; None where none has any."""
    found = {name: value for name, figure in figures.items()
             if usable(name) and (value := figure.quantile(share)) is not None}
    return max(found.items(), key=lambda item: item[1]) if found else None


def _trapezoid(before, after, dt_s: float) -> Vector:
    return tuple(((before + after) * (0.5 * dt_s)).tolist())


def _distance(one: Vector, other: Vector) -> float:
    return hypot(*(a - b for a, b in zip(one, other)))
