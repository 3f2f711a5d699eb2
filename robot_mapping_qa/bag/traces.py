# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Traces for the report that stay small however long the bag is."""

from __future__ import annotations

from array import array
from math import inf, isnan, nan, sqrt
from typing import Mapping

import numpy as np
from robot_mapping_qa.records import Odometry


class PeakTrace:
    """
    A figure over time that keeps its peaks.

    When the trace is full each pair of neighbours becomes one sample with the larger value, and
    from then on twice as many values share a sample. Unknown values are kept as NaN where a
    sample has no other.
    """

    def __init__(self, capacity: int = 4000) -> None:
        """Keep at most ``capacity`` samples, an even number."""
        self._capacity = capacity
        self._times = array('q')
        self._values = array('d')
        self._share = 1
        self._count = 0

    def add(self, time_ns: int, value: float | None) -> None:
        """Take a value; times increase."""
        value = nan if value is None else value
        if self._count % self._share == 0:
            if len(self._times) == self._capacity:
                self._halve()
            self._times.append(time_ns)
            self._values.append(value)
        elif value > self._values[-1] or isnan(self._values[-1]):
            self._times[-1] = time_ns
            self._values[-1] = value
        self._count += 1

    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        """Return times (n,) int64 ns and values (n,), NaN where unknown."""
        return np.array(self._times, dtype=np.int64), np.array(self._values)

    def _halve(self) -> None:
        times, values = self.arrays()
        times, values = times.reshape(-1, 2), values.reshape(-1, 2)
        # A NaN counts as less than any value.
        larger = np.where(np.isnan(values), -np.inf, values).argmax(axis=1)
        rows = np.arange(len(larger))
        self._times = array('q', times[rows, larger].tolist())
        self._values = array('d', values[rows, larger].tolist())
        self._share *= 2


class OffsetTrace:
    """A clock offset over time with its sigma; thinned to every second one whenever it is full."""

    def __init__(self, capacity: int = 4000) -> None:
        """Keep at most ``capacity`` samples."""
        self._capacity = capacity
        self._times = array('q')
        self._values = array('d')
        self._every = 1
        self._count = 0

    def add(self, time_ns: int, offset: tuple[float, float] | None) -> None:
        """Take offset and sigma in seconds, None while not known."""
        if self._count % self._every == 0:
            if len(self._times) == self._capacity:
                self._times = self._times[::2]
                self._values = array('d', np.array(self._values).reshape(-1, 2)[::2].ravel())
                self._every *= 2
            self._times.append(time_ns)
            self._values.extend((nan, nan) if offset is None else offset)
        self._count += 1

    def arrays(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return times (n,) int64 ns, offsets and sigmas (n,) in s, NaN where not known."""
        values = np.array(self._values).reshape(-1, 2)
        return np.array(self._times, dtype=np.int64), values[:, 0], values[:, 1]


class PathTrace:
    """Where the unit was and when; thinned to every second point whenever it is full."""

    def __init__(self, capacity: int = 10000, spacing_m: float = 0.02) -> None:
        """Keep at most ``capacity`` points, at first ``spacing_m`` apart."""
        self._capacity = capacity
        self._spacing_m2 = spacing_m * spacing_m
        self._times = array('q')
        self._points = array('d')
        self._last: tuple[float, float, float] | None = None

    def add(self, time_ns: int, x: float, y: float, z: float) -> None:
        """Take a position, m, in the frame of the pose stream."""
        if self._last is not None:
            a, b, c = self._last
            if (x - a) ** 2 + (y - b) ** 2 + (z - c) ** 2 < self._spacing_m2:
                return
        if len(self._times) == self._capacity:
            self._times = self._times[::2]
            self._points = array('d', np.array(self._points).reshape(-1, 3)[::2].ravel())
            self._spacing_m2 *= 4.0
        self._last = (x, y, z)
        self._times.append(time_ns)
        self._points.extend(self._last)

    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        """Return times (n,) int64 ns and positions (n, 3), m."""
        return np.array(self._times, dtype=np.int64), np.array(self._points).reshape(-1, 3)


class SigmaTraces:
    """
    Standard deviations of the pose's worst axis over time: as reported, as used, as estimated.

    ``position_m`` and ``rotation_rad`` hold a trace for each way to know it: 'reported' by the
    unit, 'used' for the verdict, and 'estimated' from way and surroundings (position only).
    """

    def __init__(self) -> None:
        """Start empty."""
        self.position_m = {way: PeakTrace(2000) for way in ('reported', 'used', 'estimated')}
        self.rotation_rad = {way: PeakTrace(2000) for way in ('reported', 'used')}

    def add(self, time_ns: int, pose: Odometry | None,
            figures: Mapping[str, float | None]) -> None:
        """Take the unit's newest pose and the figures of the pose verdict."""
        reported_m = reported_rad = None
        if pose is not None:
            variances = pose.covariance.diagonal().tolist()
            reported_m, reported_rad = _root(variances[:3]), _root(variances[3:])
        self.position_m['reported'].add(time_ns, reported_m)
        self.position_m['used'].add(time_ns, figures['sigma_position_m'])
        self.position_m['estimated'].add(time_ns, figures.get('estimated_sigma_m'))
        self.rotation_rad['reported'].add(time_ns, reported_rad)
        self.rotation_rad['used'].add(time_ns, figures['sigma_rotation_rad'])


def _root(variances: list[float]) -> float | None:
    """Return the largest standard deviation; None where a variance cannot be one."""
    if not all(0.0 <= variance < inf for variance in variances):
        return None
    return sqrt(max(variances))
