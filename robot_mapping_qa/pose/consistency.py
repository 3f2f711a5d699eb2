# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Is the reported covariance as large as the error: the unit's motion against a second source.

Over short intervals the relative motion of the unit is compared with that of a second source. The
normalized innovation squared (NIS; Bar-Shalom, Li, Kirubarajan, Estimation with Applications to
Tracking and Navigation, section 5.4) is chi-square distributed if the covariances are right. What
counts here is the median of the NIS in a window, not their mean: an outlier, or a wheel that slips
for less than half of the window, moves it little.

The error between two poses is what the covariance grew by between them: the errors of odometry add
up. A covariance that does not grow says that there is none, apart from the pose's noise.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import reduce
from typing import Iterable

import numpy as np
from robot_mapping_qa.pose import so3
from scipy.special import betaincinv, gammaincinv

# Below this many intervals a median says little.
_LEAST_SAMPLES = 8
# A gap in the gyroscope's rates longer than this share of the interval spoils it.
_LONGEST_GAP = 0.2


@dataclass(frozen=True, slots=True)
class Inflation:
    """
    Factor by which the reported standard deviation is too small (above 1) or too large.

    ``low`` and ``high`` bound it with the confidence asked for, ``samples`` is the number of
    intervals behind it.
    """

    factor: float
    low: float
    high: float
    samples: int


class InnovationWindow:
    """Innovations of one kind, of one second source, over the last ``window_s``."""

    def __init__(self, freedom: int = 3, window_s: float = 10.0) -> None:
        self._freedom = freedom
        self._window_ns = round(window_s * 1e9)
        # Time, NIS, and the share of the innovation's variance that is the unit's.
        self._samples: deque[tuple[int, float, float]] = deque()

    def add(self, time_ns: int, innovation: np.ndarray, unit_covariance: np.ndarray,
            other_covariance: np.ndarray) -> None:
        """
        Take the difference (n,) of both relative motions and the covariance (n, n) of each.

        Raises numpy.linalg.LinAlgError if both covariances together are singular.
        """
        total = unit_covariance + other_covariance
        nis = float(innovation @ np.linalg.solve(total, innovation))
        share = float(np.trace(np.linalg.solve(total, unit_covariance))) / self._freedom
        self._samples.append((time_ns, nis, share))
        while self._samples[0][0] < time_ns - self._window_ns:
            self._samples.popleft()

    def inflation(self, confidence: float = 0.99) -> Inflation | None:
        """
        Return the inflation of the unit's covariance, None where too little is known.

        The bounds are exact for normal errors: the p-quantile of the median of n values is the
        chi-square quantile at the p-quantile of the beta distribution of the middle order
        statistic. The second source's share of the variance is then taken off; where it has
        nearly all, the bounds are far apart.
        """
        count = len(self._samples)
        if count < _LEAST_SAMPLES:
            return None
        ordered = sorted(nis for _, nis, _ in self._samples)
        # The lower of the two middle values where there are two.
        rank = (count + 1) // 2
        median = ordered[rank - 1]
        share = sum(share for _, _, share in self._samples) / count
        if share <= 0.0:
            return None
        tail = (1.0 - confidence) / 2.0

        def factor(probability: float) -> float:
            middle = betaincinv(rank, count + 1 - rank, probability)
            expected = 2.0 * float(gammaincinv(self._freedom / 2.0, middle))
            return (max(0.0, median / expected - (1.0 - share)) / share) ** 0.5

        return Inflation(factor(0.5), factor(1.0 - tail), factor(tail), count)


class TurnConsistency:
    """
    The unit's turning against a gyroscope's, over intervals of ``interval_s``.

    ``rate_sigma_radps`` is the standard deviation of the gyroscope's mean rate over an interval,
    noise and remaining bias together; ``pose_noise_rad`` that of the orientation of a pose beyond
    its drift. Stamps of both must be on one clock. Memory is bounded by the window.
    """

    def __init__(self, rate_sigma_radps: float, pose_noise_rad: float, interval_s: float = 0.25,
                 window_s: float = 10.0) -> None:
        self._rate_sigma_radps = rate_sigma_radps
        self._pose_noise_rad = pose_noise_rad
        self._interval_ns = round(interval_s * 1e9)
        self._window = InnovationWindow(3, window_s)
        self._poses: deque[tuple[int, np.ndarray, np.ndarray]] = deque()
        self._rates: deque[tuple[int, np.ndarray]] = deque()

    def add_rate(self, stamp_ns: int, rate_radps: np.ndarray) -> None:
        """Take a turn rate (3,) in the unit's frame; stamps that do not advance are left out."""
        if self._rates and stamp_ns <= self._rates[-1][0]:
            return
        self._rates.append((stamp_ns, np.asarray(rate_radps, dtype=float)))
        self._compare()

    def add_pose(self, stamp_ns: int, rotation: np.ndarray, covariance: np.ndarray) -> None:
        """Take an orientation (3, 3) and its covariance (3, 3) about the fixed axes."""
        if self._poses and stamp_ns - self._poses[-1][0] < self._interval_ns:
            return
        self._poses.append((stamp_ns, np.asarray(rotation), np.asarray(covariance)))
        self._compare()

    def inflation(self, confidence: float = 0.99) -> Inflation | None:
        """Return the inflation of the reported rotation covariance; see `InnovationWindow`."""
        return self._window.inflation(confidence)

    def _compare(self) -> None:
        while len(self._poses) >= 2 and self._rates and self._rates[-1][0] >= self._poses[1][0]:
            begin_ns, begin, begin_covariance = self._poses.popleft()
            end_ns, end, end_covariance = self._poses[0]
            turn = self._integrate(begin_ns, end_ns)
            if turn is None:
                continue
            innovation = so3.log(turn.T @ begin.T @ end)
            growth = _positive_part(end.T @ (end_covariance - begin_covariance) @ end)
            noise = 2.0 * self._pose_noise_rad ** 2 * np.eye(3)
            drift_rad = self._rate_sigma_radps * (end_ns - begin_ns) * 1e-9
            self._window.add(end_ns, innovation, growth + noise, drift_rad ** 2 * np.eye(3))

    def _integrate(self, begin_ns: int, end_ns: int) -> np.ndarray | None:
        """Return the gyroscope's turn (3, 3), None if its rates do not cover the interval."""
        while len(self._rates) >= 2 and self._rates[1][0] <= begin_ns:
            self._rates.popleft()
        if self._rates[0][0] > begin_ns:
            return None
        stamps = np.array([stamp_ns - begin_ns for stamp_ns, _ in self._rates]) * 1e-9
        rates = np.array([rate for _, rate in self._rates])
        length_s = (end_ns - begin_ns) * 1e-9
        if np.diff(stamps).max() > _LONGEST_GAP * length_s:
            return None
        inner = stamps[(stamps > 0.0) & (stamps < length_s)]
        times = np.concatenate([[0.0], inner, [length_s]])
        at_times = np.stack([np.interp(times, stamps, axis) for axis in rates.T], axis=-1)
        turns = so3.exp((at_times[1:] + at_times[:-1]) / 2.0 * np.diff(times)[:, None])
        return reduce(np.matmul, turns)


def least(inflations: Iterable[Inflation | None]) -> Inflation | None:
    """
    Return the smallest inflation that second sources of the same quantity found.

    The unit is condemned only if all that can tell agree: where one second source confirms the
    unit, two stand against the other one, which is then at fault (a slipping wheel).
    """
    known = [inflation for inflation in inflations if inflation is not None]
    return min(known, key=lambda inflation: inflation.factor, default=None)


def _positive_part(matrix: np.ndarray) -> np.ndarray:
    """Return the symmetric matrix with its negative eigenvalues set to zero."""
    values, vectors = np.linalg.eigh(matrix)
    return (vectors * np.maximum(values, 0.0)) @ vectors.T
