# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Clock offset from motion: when two sensors on one rigid body saw it turn.

Everything on the robot turns with the same angular velocity at the same time. If a stream's
angular velocity looks like the unit's but later by 20 ms, its stamps are 20 ms ahead. No delay
of the transport enters, so this separates what one-way data cannot; what does enter is the lag
of a sensor's own filter, which looks like a clock offset and for pictures and scans acts like
one.

Model: y(t + d) = A x(t) + b + noise, with x the angular velocity of one sensor in its own frame,
y that of the other, d the offset sought. The unknown matrix A (3 x 3) stands for the fixed
rotation between the frames; left free, it also takes gyroscope scale errors and sensors that
measure yaw only, at the price of a few more parameters than a rotation among hundreds of
samples. b is the difference of the gyroscope biases. For a given d, A and b follow from linear
least squares, so the search is over d alone: the multiple correlation coefficient at every lag
of a grid, then Gauss-Newton steps on d from the highest one (variable projection, Golub and
Pereyra 1973). The angular speed alone (the norm) would need no A, but a bias distorts it and it
folds left and right turns onto each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
import math
from typing import Callable

import numpy as np
from robot_mapping_qa.timing.angular_velocity import (
    AngularVelocitySamples, AngularVelocitySignal, SHORTEST_SMOOTHING_S)
from scipy.special import ndtr, stdtrit

# Less in common than this holds too few independent samples for the statistics below.
_LEAST_OVERLAP_S = 10.0
# Other peaks are compared with the best one only from this share of its correlation on.
_RIVAL_SHARE = 0.8
# How much worse, as a ratio of residual variances, the second-best offset must fit: what an F
# test at 95 % asks for with 50 independent samples on either side.
_LEAST_DISTINCTION = 1.6
# Errors within a block may be correlated, those of different blocks are taken as independent.
_BLOCK_S = 2.0
# The best offset is wanted to this; for how well its rivals fit less will do.
_CLOSE_S, _NEAR_S = 1e-5, 1e-3
# Beyond this the linearization behind sigma no longer holds for motion up to some hertz.
_LARGEST_SIGMA_S = 0.02


@dataclass(frozen=True, slots=True)
class MotionOffsetEstimate:
    """
    The stream's stamps minus the reference's stamps for the same motion.

    ``value_s`` and ``sigma_s`` (one standard deviation) are None unless ``usable``; ``reason``
    then says why in words, else it is empty. ``peak_correlation`` (0 to 1) is the multiple
    correlation at the best offset and ``excitation_radps`` the smaller of the two sensors' root
    mean square angular velocity about its mean; None where there was too little to compute it.

    The value is the average over the window; with a skew it applies to the window's middle.
    """

    value_s: float | None
    sigma_s: float | None
    usable: bool
    reason: str
    peak_correlation: float | None
    excitation_radps: float | None

    @property
    def numbers(self) -> tuple[float, float]:
        """Value and sigma, s; raises ValueError unless ``usable``."""
        if self.value_s is None or self.sigma_s is None:
            raise ValueError(f'an offset without numbers: {self.reason}')
        return self.value_s, self.sigma_s


class MotionOffset:
    """
    Offset between a reference (the mapping unit) and a stream, over a sliding window.

    Feed both with `add_reference` and `add_stream` as their data come, each about in the order
    of its stamps, and ask `estimate` when a value is wanted. Rates may differ and vary; stamps
    may have gaps. After a step of either clock call `clear`: before and after it the offset is
    not the same.
    """

    def __init__(
            self, window_s: float | None = 60.0, max_offset_s: float = 1.0,
            min_excitation_radps: float = 0.05, min_correlation: float = 0.7) -> None:
        """
        Prepare an empty window.

        ``window_s`` seconds of each side are kept, None keeps all. Offsets up to
        ``max_offset_s`` either way are found. Below ``min_excitation_radps`` or
        ``min_correlation`` the estimate is not usable. Raises ValueError for a window shorter
        than the 10 s that must be in common plus the largest offset, or limits out of range.
        """
        if not 0 < max_offset_s < math.inf:
            raise ValueError(f'max_offset_s is {max_offset_s}, expected seconds above 0')
        if window_s is not None and not window_s >= _LEAST_OVERLAP_S + max_offset_s:
            raise ValueError(
                f'window_s is {window_s}, expected {_LEAST_OVERLAP_S + max_offset_s} or more, '
                'or None for all')
        if not 0 < min_excitation_radps < math.inf:
            raise ValueError(
                f'min_excitation_radps is {min_excitation_radps}, expected rad/s above 0')
        if not 0 < min_correlation < 1:
            raise ValueError(f'min_correlation is {min_correlation}, expected 0 to 1')
        self._max_offset_s = max_offset_s
        self._min_excitation_radps = min_excitation_radps
        self._min_correlation = min_correlation
        self._reference = AngularVelocitySamples(window_s)
        self._stream = AngularVelocitySamples(window_s)

    def add_reference(self, stamp_ns: int, wx: float, wy: float, wz: float) -> None:
        """Take an angular velocity of the reference, rad/s about its own axes."""
        self._reference.add(stamp_ns, wx, wy, wz)

    def add_stream(self, stamp_ns: int, wx: float, wy: float, wz: float) -> None:
        """Take an angular velocity of the stream, rad/s about its own axes."""
        self._stream.add(stamp_ns, wx, wy, wz)

    def clear(self) -> None:
        """Forget all samples, after a step of either clock."""
        self._reference.clear()
        self._stream.clear()

    def estimate(self) -> MotionOffsetEstimate:
        """Return the offset over the present window, or why there is none."""
        return self.snapshot()()

    def snapshot(self) -> Callable[[], MotionOffsetEstimate]:
        """
        Return a function that works out `estimate` from the samples of now.

        It shares nothing with this object and may run in another thread, for a caller that
        cannot wait for it.
        """
        for samples, name in ((self._reference, 'the unit'), (self._stream, 'the stream')):
            if len(samples) < 3:
                return partial(_unusable, f'no angular velocity from {name} yet')
        origin_ns = self._reference.first_ns
        reference, stream = self._reference.arrays(origin_ns), self._stream.arrays(origin_ns)
        return lambda: offset_between(
            AngularVelocitySignal(*reference), AngularVelocitySignal(*stream),
            self._max_offset_s, self._min_excitation_radps, self._min_correlation)


def offset_between(
        reference: AngularVelocitySignal, stream: AngularVelocitySignal,
        max_offset_s: float = 1.0, min_excitation_radps: float = 0.05,
        min_correlation: float = 0.7) -> MotionOffsetEstimate:
    """Return the stream's offset from the reference; for the limits see `MotionOffset`."""
    for signal, name in ((reference, 'the unit'), (stream, 'the stream')):
        if signal.interval_s is None:
            return _unusable(f'fewer than three angular velocities from {name} to use')

    # The side with fewer measured axes is predicted from the other, never the reverse:
    # yaw follows from three axes, three axes do not follow from yaw.
    if reference.axes.sum() < stream.axes.sum():
        pair, sign = _Pair(stream, reference), -1.0
    else:
        pair, sign = _Pair(reference, stream), 1.0
    lags_s, correlations, overlap_s = pair.scan(max_offset_s)
    if not np.isfinite(correlations).any():
        return _unusable(
            f'the unit and the stream have {overlap_s:.1f} s in common, '
            f'{_LEAST_OVERLAP_S:.0f} s needed')
    best = int(np.nanargmax(correlations))
    peak = float(correlations[best])
    excitation = pair.excitation_radps(float(lags_s[best]))
    if excitation < min_excitation_radps:
        return _unusable(
            f'the robot has not turned enough: its angular velocity varied by '
            f'{excitation:.3f} rad/s (rms), {min_excitation_radps:.3f} rad/s needed',
            peak, excitation)
    if peak < min_correlation:
        return _unusable(
            f'the two motions do not agree: correlation {peak:.2f} at best, '
            f'{min_correlation:.2f} needed', peak, excitation)
    if best in (0, len(lags_s) - 1):
        return _unusable(
            f'no best offset within the {max_offset_s:.1f} s searched either way',
            peak, excitation)
    # How well the peaks fit shows only between the lags of the grid.
    highest, *rivals = _peaks(correlations)
    tried = [pair.refine(float(lags_s[highest]), _CLOSE_S)]
    tried += [pair.refine(float(lags_s[index]), _NEAR_S) for index in rivals]
    fits = sorted((fit for fit in tried if fit is not None), key=lambda fit: fit.unexplained)
    if not fits or fits[0].sigma_s > _LARGEST_SIGMA_S:
        return _unusable(
            'the robot has not turned enough: its turns are too slow or too few to place '
            f'them within {_LARGEST_SIGMA_S * 1e3:.0f} ms', peak, excitation)
    fit = fits[0]
    for other in fits[1:]:
        if other.unexplained < _LEAST_DISTINCTION * fit.unexplained:
            return _unusable(
                f'the motion repeats itself: offsets of {sign * fit.lag_s:+.2f} s and '
                f'{sign * other.lag_s:+.2f} s fit almost equally well', peak, excitation)
    return MotionOffsetEstimate(
        sign * fit.lag_s, fit.sigma_s, True, '', math.sqrt(1 - fit.unexplained), excitation)


class _Pair:
    """
    Signal x predicts signal y, later by a lag.

    Both are averaged over the same interval, twice the slower one's sample distance, and so
    attenuated alike; a symmetric average shifts nothing.
    """

    def __init__(self, x: AngularVelocitySignal, y: AngularVelocitySignal) -> None:
        self._y, self._axes = y, y.axes
        self._width_s = max(SHORTEST_SMOOTHING_S, *(
            2 * signal.interval_s for signal in (x, y) if signal.interval_s is not None))
        self._step_s = self._width_s / 2
        count = int((x.times[-1] - x.times[0]) / self._step_s) + 1
        self._centres_s = x.times[0] + self._step_s * np.arange(count)
        self._x, self._x_holds = x.averages(self._centres_s, self._width_s)

    def scan(self, max_lag_s: float) -> tuple[np.ndarray, np.ndarray, float]:
        """
        Return lags (m,), the correlation at each (m,), and the longest overlap, in seconds.

        The correlation is NaN where too little overlaps.
        """
        reach = math.ceil(max_lag_s / self._step_s)
        count = len(self._centres_s)
        y, y_holds = self._y.averages(
            self._centres_s[0] + self._step_s * np.arange(-reach, count + reach), self._width_s)
        # All sums over the samples that hold on both sides are products of masked features.
        x, y = self._x, y[:, self._axes]
        pairs = [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)]
        x_features = np.column_stack(
            [np.ones(count), x] + [x[:, i] * x[:, j] for i, j in pairs])
        x_features[~self._x_holds] = 0.0
        y_features = np.column_stack([np.ones(len(y)), y, (y ** 2).sum(axis=1)])
        y_features[~y_holds] = 0.0
        sums = np.array([
            y_features[shift:shift + count].T @ x_features for shift in range(2 * reach + 1)])

        n = sums[:, 0, 0]
        enough = n * self._step_s >= _LEAST_OVERLAP_S
        correlations = np.full(2 * reach + 1, np.nan)
        if enough.any():
            sums, n = sums[enough], n[enough]
            x_mean = sums[:, 0, 1:4] / n[:, np.newaxis]
            y_mean = sums[:, 1:-1, 0] / n[:, np.newaxis]
            cross = (sums[:, 1:-1, 1:4] / n[:, np.newaxis, np.newaxis]
                     - y_mean[:, :, np.newaxis] * x_mean[:, np.newaxis, :])
            xx = np.empty((len(n), 3, 3))
            for column, (i, j) in enumerate(pairs, start=4):
                xx[:, i, j] = xx[:, j, i] = (
                    sums[:, 0, column] / n - x_mean[:, i] * x_mean[:, j])
            yy = sums[:, -1, 0] / n - (y_mean ** 2).sum(axis=1)
            # An axis of x that does not move explains nothing: pinv leaves it out.
            explained = np.einsum('mij,mjk,mik->m', cross, np.linalg.pinv(
                xx, rcond=1e-9, hermitian=True), cross)
            with np.errstate(invalid='ignore', divide='ignore'):
                ratio = np.where(yy > 0, explained / yy, 0.0)
            correlations[enough] = np.sqrt(np.clip(ratio, 0.0, 1.0))
        lags_s = self._step_s * np.arange(-reach, reach + 1)
        return lags_s, correlations, float(max(sums[:, 0, 0])) * self._step_s

    def excitation_radps(self, lag_s: float) -> float:
        """Return the smaller root mean square of both about their means, where both hold."""
        y, holds = self._y.averages(self._centres_s + lag_s, self._width_s)
        holds &= self._x_holds
        return min(
            math.sqrt(signal[holds].var(axis=0).sum()) for signal in (self._x, y))

    def refine(self, lag_s: float, close_s: float) -> _Fit | None:
        """
        Return the best fit near ``lag_s``, between the lags of the grid; None if there is none.

        Each step solves the linear regression at the present lag and moves the lag by the
        Gauss-Newton step of what the regression leaves; one below ``close_s`` is the last.
        """
        # What holds over a wider interval holds at every lag tried: the same samples throughout,
        # or the steps could end in a cycle.
        margin_s = 3 * self._step_s
        _, holds = self._y.averages(self._centres_s + lag_s, self._width_s + margin_s)
        holds &= self._x_holds
        start = lag_s
        for _ in range(20):
            step_s, fit = self._gauss_newton(lag_s, holds)
            lag_s += step_s
            if not abs(lag_s - start) <= margin_s / 2:
                return None
            if abs(step_s) < close_s:
                return fit
        return None

    def _gauss_newton(self, lag_s: float, holds: np.ndarray) -> tuple[float, _Fit]:
        y, _ = self._y.averages(self._centres_s + lag_s, self._width_s)
        # The derivative needs both neighbours.
        inner = holds.copy()
        inner[1:-1] &= holds[2:] & holds[:-2]
        inner[[0, -1]] = False
        blocks = (np.flatnonzero(inner) * self._step_s / _BLOCK_S).astype(int)
        kept = np.unique(blocks)
        count = len(kept)
        if count < 2:
            # One block does not show how blocks differ.
            return math.inf, _Fit(lag_s, math.inf, math.inf)
        y_dot = np.gradient(y, self._step_s, axis=0)[inner][:, self._axes]
        x_dot = np.gradient(self._x, self._step_s, axis=0)[inner]
        y, x = y[inner][:, self._axes], self._x[inner]
        y, x, y_dot, x_dot = (signal - signal.mean(axis=0) for signal in (y, x, y_dot, x_dot))

        solve = np.linalg.pinv(x.T @ x, rcond=1e-9, hermitian=True) @ x.T
        mapping, mapping_dot = solve @ y, solve @ y_dot
        residual = y - x @ mapping
        # What of the two derivatives A and b cannot take. Their product has independent noise
        # on its sides, so noise does not pass for information.
        from_y = y_dot - x @ mapping_dot
        from_x = x_dot @ mapping - x @ mapping_dot
        information = float((from_y * from_x).sum())
        unexplained = float((residual ** 2).sum() / (y ** 2).sum())
        if information <= 0:
            return math.inf, _Fit(lag_s, math.inf, unexplained)
        scores = ((from_y + from_x) / 2 * residual).sum(axis=1)

        # Variance of the summed scores from sums over blocks: valid for errors correlated
        # within a block (sandwich estimator with clusters, Liang and Zeger 1986).
        sums = np.bincount(blocks, weights=scores)[kept]
        deviation = math.sqrt(count / (count - 1) * float(((sums - sums.mean()) ** 2).sum()))
        # So few blocks make the deviation itself uncertain: widened until 2 sigma hold what
        # they hold for a normal distribution (Student's t).
        widening = float(stdtrit(count - 1, ndtr(2.0))) / 2
        step_s = -float(scores.sum()) / information
        return step_s, _Fit(lag_s + step_s, widening * deviation / information, unexplained)


@dataclass(frozen=True, slots=True)
class _Fit:
    """A lag, its standard deviation, and the share of the variance of y it leaves."""

    lag_s: float
    sigma_s: float
    unexplained: float


def _peaks(correlations: np.ndarray) -> list[int]:
    """Return the highest peak of the correlation and those that come near it, at most four."""
    c = np.nan_to_num(correlations, nan=0.0)
    peaks = 1 + np.flatnonzero((c[1:-1] >= c[:-2]) & (c[1:-1] > c[2:]))
    peaks = peaks[c[peaks] >= _RIVAL_SHARE * c.max()]
    return list(peaks[np.argsort(-c[peaks])][:4])


def _unusable(
        reason: str, correlation: float | None = None,
        excitation: float | None = None) -> MotionOffsetEstimate:
    return MotionOffsetEstimate(None, None, False, reason, correlation, excitation)
