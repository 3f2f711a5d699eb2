# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Angular velocity over time: from poses, in a sliding window, and averaged over intervals."""

from __future__ import annotations

from array import array
import math
from statistics import median_low

import numpy as np
from scipy.interpolate import CubicSpline

# Seconds. Fast enough for the body of a robot, slow enough to average sensor noise.
SHORTEST_SMOOTHING_S = 0.04

# So far from the median a stamp is not of this motion: longer than any window is.
OTHER_EPOCH_S = 600.0

_MEAN_NS = 100_000_000


class AngularVelocityFromPoses:
    """
    Angular velocity of a frame from its successive orientations, for poses without a twist.

    From two orientations follows the mean angular velocity between them (the rotation vector of
    the relative rotation over the time), which belongs to the middle of the interval.
    """

    def __init__(self, max_interval_s: float = 0.5) -> None:
        """Prepare; across intervals longer than ``max_interval_s`` nothing is derived."""
        self._max_interval_ns = round(max_interval_s * 1e9)
        self._last: tuple[int, float, float, float, float] | None = None

    def add(
            self, stamp_ns: int, x: float, y: float, z: float, w: float,
            ) -> tuple[int, float, float, float] | None:
        """
        Take an orientation and return (stamp_ns, wx, wy, wz), rad/s in the rotating frame.

        The quaternion x, y, z, w takes the rotating frame to the fixed one; its length does not
        matter. None for the first orientation, after a gap or further back, and where the stamp
        did not advance or the quaternion is zero or not finite; the latter three are left out.
        """
        if not 0 < x * x + y * y + z * z + w * w < math.inf:
            return None
        last = self._last
        if last is None:
            self._last = (stamp_ns, x, y, z, w)
            return None
        last_ns, a, b, c, d = last
        interval_ns = stamp_ns - last_ns
        if -self._max_interval_ns <= interval_ns <= 0:
            return None
        self._last = (stamp_ns, x, y, z, w)
        if not 0 < interval_ns <= self._max_interval_ns:
            return None
        # Vector and scalar part of conjugate(last) * new.
        vx = d * x - a * w - b * z + c * y
        vy = d * y + a * z - b * w - c * x
        vz = d * z - a * y + b * x - c * w
        scalar = d * w + a * x + b * y + c * z
        if scalar < 0:
            vx, vy, vz, scalar = -vx, -vy, -vz, -scalar
        length = math.sqrt(vx * vx + vy * vy + vz * vz)
        rate = 2e9 / interval_ns * (math.atan2(length, scalar) / length if length else 0.0)
        return last_ns + interval_ns // 2, rate * vx, rate * vy, rate * vz


class PeakTurnRate:
    """
    The largest turn rate of a carrier that cannot turn faster than ``most_radps``.

    It is that of means over a tenth of a second: a single rate may be the noise of two
    orientations. Rates that the carrier cannot reach do not count.
    """

    def __init__(self, most_radps: float) -> None:
        """Begin without a rate."""
        self._most_radps = most_radps
        self._since_ns = 0
        self._count = 0
        self._sum = (0.0, 0.0, 0.0)
        self.radps: float | None = None
        """The largest turn rate so far, rad/s; None before the first."""

    def add(self, stamp_ns: int, wx: float, wy: float, wz: float) -> None:
        """Take an angular velocity, rad/s."""
        # A NaN is not within the limit either.
        if not math.hypot(wx, wy, wz) <= self._most_radps:
            return
        if self._count and not 0 <= stamp_ns - self._since_ns < _MEAN_NS:
            mean_radps = math.hypot(*self._sum) / self._count
            self.radps = max(self.radps or 0.0, mean_radps)
            self._count, self._sum = 0, (0.0, 0.0, 0.0)
        if not self._count:
            self._since_ns = stamp_ns
        x, y, z = self._sum
        self._count, self._sum = self._count + 1, (x + wx, y + wy, z + wz)


class AngularVelocitySamples:
    """Stamps and angular velocities of one sensor; old ones leave as new ones come."""

    def __init__(self, window_s: float | None) -> None:
        self._window_ns = None if window_s is None else round(window_s * 1e9)
        self.clear()

    def clear(self) -> None:
        """Forget all samples."""
        self._stamps = array('q')
        self._values = array('d')
        self._start = 0

    def __len__(self) -> int:
        return len(self._stamps) - self._start

    @property
    def first_ns(self) -> int:
        """The stamp of the oldest sample held."""
        return self._stamps[self._start]

    def add(self, stamp_ns: int, wx: float, wy: float, wz: float) -> None:
        """Take a sample, rad/s, and let go of those further away than the window."""
        self._stamps.append(stamp_ns)
        self._values.extend((wx, wy, wz))
        if self._window_ns is None:
            return
        # One odd stamp must not send the others away, nor stay for good.
        now_ns = median_low(self._stamps[-3:])
        if abs(stamp_ns - now_ns) <= self._window_ns:
            now_ns = stamp_ns
        last = len(self._stamps) - 1
        while self._start < last and abs(self._stamps[self._start] - now_ns) > self._window_ns:
            self._start += 1
        # Moving the rest forward only when half is old keeps the cost per sample constant.
        if 2 * self._start > len(self._stamps):
            del self._stamps[:self._start]
            del self._values[:3 * self._start]
            self._start = 0

    def arrays(self, origin_ns: int) -> tuple[np.ndarray, np.ndarray]:
        """Return times (n,) in seconds after ``origin_ns`` and angular velocities (n, 3)."""
        stamps = np.array(self._stamps[self._start:], dtype=np.int64)
        values = np.array(self._values[3 * self._start:]).reshape(-1, 3)
        return (stamps - origin_ns) * 1e-9, values


class AngularVelocitySignal:
    """An angular velocity over time, smooth between samples, averaged over any interval."""

    def __init__(self, times_s: np.ndarray, values: np.ndarray) -> None:
        finite = np.isfinite(values).all(axis=1)
        if finite.any():
            finite &= np.abs(times_s - np.median(times_s[finite])) < OTHER_EPOCH_S
        order = np.argsort(times_s[finite], kind='stable')
        times, values = times_s[finite][order], values[finite][order]
        times, values = _thin(*_without_spikes(times, values))
        self.axes = np.ptp(values, axis=0) > 0 if len(values) else np.zeros(3, dtype=bool)
        self.interval_s = float(np.median(np.diff(times))) if len(times) >= 3 else None
        if self.interval_s is None:
            return
        self.times = times
        # Cubic, because a straight line through ten samples a second is late on one side of a
        # turn and early on the other.
        self._integral = CubicSpline(times, values).antiderivative()
        longest = max(1.6 * self.interval_s, SHORTEST_SMOOTHING_S)
        self._gaps = np.concatenate(([0], np.cumsum(np.diff(times) > longest)))

    def averages(self, centres_s: np.ndarray, width_s: float) -> tuple[np.ndarray, np.ndarray]:
        """
        Return the means (n, 3) over intervals of ``width_s``, and where they hold (n,) bool.

        A mean does not hold where its interval reaches into a gap or beyond the samples.
        """
        begin, end = centres_s - width_s / 2, centres_s + width_s / 2
        last = len(self.times) - 1
        before = np.searchsorted(self.times, begin, side='right') - 1
        after = np.searchsorted(self.times, end)
        holds = (before >= 0) & (after <= last)
        holds &= self._gaps[np.minimum(after, last)] == self._gaps[np.maximum(before, 0)]
        means = np.zeros((len(centres_s), 3))
        means[holds] = (self._integral(end[holds]) - self._integral(begin[holds])) / width_s
        return means, holds


def _without_spikes(times_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Return both without single samples far off their neighbours.

    A jump of a pose becomes one enormous angular velocity, which would outweigh minutes of
    motion. Far is ten times the median distance from the median of three neighbours plus three
    times the root mean square of the motion: common practice, no source.
    """
    if len(times_s) < 3:
        return times_s, values
    padded = np.concatenate((values[:1], values, values[-1:]))
    low = np.minimum(padded[:-2], padded[2:])
    high = np.maximum(padded[:-2], padded[2:])
    medians = np.clip(values, low, high)
    distances = np.linalg.norm(values - medians, axis=1)
    motion = np.sqrt(medians.var(axis=0).sum())
    kept = distances <= 10 * np.median(distances) + 3 * motion
    return times_s[kept], values[kept]


def _thin(times_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Return both with samples within a quarter of the smoothing averaged.

    That costs nothing below the smoothing's cut-off, and keeps the spline from taking the noise
    of two samples stamped almost alike for a steep slope.
    """
    if len(times_s) == 0:
        return times_s, values
    cells = np.floor((times_s - times_s[0]) / (SHORTEST_SMOOTHING_S / 4))
    first = np.flatnonzero(np.diff(cells, prepend=-1))
    counts = np.diff(first, append=len(cells))
    return (np.add.reduceat(times_s, first) / counts,
            np.add.reduceat(values, first) / counts[:, np.newaxis])
