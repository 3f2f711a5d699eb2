# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Is the reported covariance as large as the error: the unit's motion against a second source.

Over short intervals the relative motion of the unit is compared with that of a second source. The
normalized innovation squared (NIS; Bar-Shalom, Li, Kirubarajan, Estimation with Applications to
Tracking and Navigation, section 5.4) is chi-square distributed if the covariances are right. What
counts here is the median of the NIS in a window, not their mean: an outlier moves it little.

A difference that follows the motion itself is the calibration of the second source: its bias and
scale, a mount a degree off, stamps a few milliseconds late. It is fitted over the window, no
further than such errors reach, and taken off.

Along an axis where the reported covariance keeps growing, the error between two poses is what it
grew by: the errors of odometry add up. Beyond that, each pose has noise of its own, which shows as
a negative correlation of neighbouring innovations over short steps; it is measured there, and
accepted up to what the unit reports for a single pose. Where the covariance also shrinks, or
stays, as that of roll and pitch which gravity holds, the error of a pose is bounded. Such axes say
nothing about the error between two poses but that it is within both together: they count only
where no axis grows, and only against the unit.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from math import inf, isfinite
from typing import Iterable, NamedTuple, Sequence

import numpy as np
from scipy.special import betaincinv, gammaincinv

# So much of the window must be filled: a failure of the second source at the very start would
# otherwise be all there is to judge by.
_LEAST_SHARE = 0.65
# Below this many intervals an order statistic says little.
_LEAST_SAMPLES = 8
# A median absolute deviation times this is the standard deviation of normal errors.
_MAD_TO_SIGMA = 1.4826
# Of all changes of a covariance that counts as growing, so large a share may be decreases.
_LEAST_GROWTH = 0.1
# With a smaller share of the variance the unit's error drowns in what else there is.
_LEAST_UNIT_SHARE = 0.5
# What is off by more standard deviations is held back, or left out of the calibration's fit.
_CLIP_SIGMAS = 2.5
# Each fit shows better what is far off, and how much of the rest is noise. After so many even the
# scale of wheels that slip by a third is found, ten times its sigma; what is off by much more
# stays a difference.
_FITS = 12
# A fit that changes no coefficient by more of its standard deviation is the last.
_SETTLED_SIGMAS = 0.002


@dataclass(frozen=True, slots=True)
class Inflation:
    """
    Factor by which the reported standard deviation is too small (above 1) or too large.

    ``low`` and ``high`` bound it with the confidence asked for, infinity being no bound;
    ``samples`` is the number of intervals behind it. Where it is not ``telling``, only a ``low``
    above 1 means something: the second source is too coarse, or the unit may do better than it
    says for another reason.
    """

    factor: float
    low: float
    high: float
    samples: int
    telling: bool


def inflation_figures(inflation: Inflation | None) -> dict[str, float | None]:
    """
    Return that of the reported covariance as a verdict's figures, None where unknown.

    ``inflation`` with its bounds ``inflation_low`` and ``inflation_high``; see `Inflation`.
    """
    if inflation is None:
        return dict.fromkeys(('inflation', 'inflation_low', 'inflation_high'))
    return {'inflation': inflation.factor, 'inflation_low': inflation.low,
            'inflation_high': inflation.high if isfinite(inflation.high) else None}


@dataclass(frozen=True, slots=True)
class Innovation:
    """
    The unit's motion less that of the second source over a short step.

    ``difference`` (k,) is about the axes of the second source, for which its errors of calibration
    are constant; ``motion`` (m,) is what they are proportional to. ``turn`` (j, k) takes it to the
    axes of the covariances: ``growth`` (j, j) is what the unit's grew by, ``reported`` (j, j) that
    of a single pose. ``other_variance`` is that of the second source's motion, alike on all axes.
    """

    begin_ns: int
    end_ns: int
    difference: Sequence[float]
    turn: np.ndarray
    growth: np.ndarray
    reported: np.ndarray
    other_variance: float
    motion: Sequence[float] = ()


class _Jitter(NamedTuple):
    """Variance per axis of the noise of a single pose."""

    likely: float
    largest: float
    smallest: float


class _Intervals(NamedTuple):
    """
    Steps put together, and their differences (n, k) without what follows the motion.

    ``begins`` numbers the first step of each interval, ``complete`` says whether it is one.
    ``enlarged`` is the factor for what the fit took from the differences of intervals.
    """

    steps: list[Innovation]
    begins: np.ndarray
    complete: np.ndarray
    difference: np.ndarray
    enlarged: float


class InnovationWindow:
    """
    Innovations of one kind, of one second source, over the last ``window_s``.

    Steps are put together to intervals of ``interval_s``, which are what is judged.
    ``calibration_sigmas`` (m,) are the standard deviations that the coefficients of the motion
    may have. ``tells_both_ways`` is False for errors that keep their sign for long: then the
    covariance grows by more than what is added in an interval, and a smaller error is no surprise.
    ``holds_noise`` is False where a single pose may scatter by more than reported: it is judged by
    itself then (`pose_scatter`).
    """

    def __init__(self, interval_s: float, window_s: float,
                 calibration_sigmas: Sequence[float] = (), tells_both_ways: bool = True,
                 holds_noise: bool = True) -> None:
        self._interval_ns = round(interval_s * 1e9)
        self._window_ns = round(window_s * 1e9)
        self._tells_both_ways = tells_both_ways
        self._holds_noise = holds_noise
        self._calibration_sigmas = np.array(calibration_sigmas, dtype=float)
        self._steps: deque[Innovation] = deque()
        self._known: _Intervals | None = None

    def clear(self) -> None:
        """Forget everything, e.g. after a step of a clock."""
        self._steps.clear()
        self._known = None

    def add(self, innovation: Innovation) -> None:
        """Take the innovation of a step, in the order of time."""
        self._known = None
        self._steps.append(innovation)
        while self._steps[0].end_ns < innovation.end_ns - self._window_ns:
            self._steps.popleft()

    def inflation(self, confidence: float = 0.99) -> Inflation | None:
        """
        Return the inflation of the unit's covariance, None where too little is known.

        The bounds are exact for independent normal errors: the p-quantile of the k-th smallest of
        n values is the chi-square quantile at the p-quantile of the beta distribution of that
        order statistic. The shares of the second source and of the pose's noise are then taken
        off; where they have most, only an optimistic covariance can be told.

        Both halves of the window must say so by themselves: a clock that stepped, or anything else
        that went wrong once, spoils only one of them.
        """
        steps = self._steps
        if not steps or steps[-1].end_ns - steps[0].begin_ns < _LEAST_SHARE * self._window_ns:
            return None
        window = self._window()
        found = self._judge(window, confidence)
        if window is None or found is None or found.low <= 1.0:
            return found
        middle = len(window.steps) // 2
        halves = [self._judge(self._put_together(half), confidence)
                  for half in (window.steps[:middle], window.steps[middle:])]
        return replace(found, low=min(
            found.low, *(0.0 if half is None else half.factor for half in halves)))

    def calibrated(self) -> tuple[list[Innovation], np.ndarray] | None:
        """
        Return the steps of the window and their differences (n, k) without the calibration.

        None where there are too few to find that.
        """
        window = self._window()
        return None if window is None else (window.steps, window.difference)

    def _window(self) -> _Intervals | None:
        if self._known is None:
            self._known = self._put_together(list(self._steps))
        return self._known

    def _put_together(self, steps: list[Innovation]) -> _Intervals | None:
        """Return the steps as intervals, None where those are too few."""
        begins, complete = self._intervals(steps)
        if complete.sum() < _LEAST_SAMPLES:
            return None
        difference = np.array([step.difference for step in steps])
        enlarged = 1.0
        if len(self._calibration_sigmas):
            motion = np.array([step.motion for step in steps])
            differences, motions = (
                np.add.reduceat(values, begins)[complete] for values in (difference, motion))
            coefficients, enlarged = _calibration(differences, motions, self._calibration_sigmas)
            difference = difference - motion @ coefficients
        return _Intervals(steps, begins, complete, difference, enlarged)

    def _judge(self, intervals: _Intervals | None, confidence: float) -> Inflation | None:
        """Return the inflation by some of the steps."""
        if intervals is None:
            return None
        steps, begins, complete, difference, enlarged = intervals

        def summed(values: np.ndarray) -> np.ndarray:
            return np.add.reduceat(values, begins)[complete]

        difference = enlarged * difference
        difference = np.einsum(
            'nij,nj->ni', np.array([step.turn for step in steps]), difference)
        jitter = self._jitter(steps, difference)
        growth = np.array([step.growth for step in steps])
        growing = _growing(np.diagonal(growth, axis1=1, axis2=2))
        if growing.any():
            unit = _positive_parts(summed(growth)[:, growing][:, :, growing])
            difference = difference[:, growing]
        else:
            unit = 2.0 * np.array([step.reported for step in steps])[begins][complete]
            jitter = _Jitter(0.0, 0.0, 0.0)
        other = np.multiply.outer(
            summed(np.array([step.other_variance for step in steps])), np.eye(unit.shape[-1]))
        difference = summed(difference)
        tail = (1.0 - confidence) / 2.0
        telling = (self._tells_both_ways and growing.any()
                   and _share(unit, other) >= _LEAST_UNIT_SHARE)
        factor, low, high = (
            self._factor(difference, unit, other + 2.0 * variance * np.eye(unit.shape[-1]), level)
            for variance, level in zip(jitter, (0.5, 1.0 - tail, tail)))
        return Inflation(factor, low, high, len(difference), bool(telling))

    def _intervals(self, steps: Sequence[Innovation]) -> tuple[np.ndarray, np.ndarray]:
        """Return the number of each interval's first step, and whether it is complete (bool)."""
        begins, complete = [], []
        begin_ns = end_ns = None
        for number, step in enumerate(steps):
            if begin_ns is None or step.begin_ns != end_ns:
                begins.append(number)
                complete.append(False)
                begin_ns = step.begin_ns
            end_ns = step.end_ns
            if end_ns - begin_ns >= 0.95 * self._interval_ns:
                complete[-1] = True
                begin_ns = None
        return np.array(begins), np.array(complete)

    def _factor(self, difference: np.ndarray, unit: np.ndarray, other: np.ndarray,
                level: float) -> float:
        """Return the inflation of ``unit`` for one level of the median."""
        count, freedom = difference.shape
        share = _share(unit, other)
        if share <= 0.0:
            return 0.0
        weighted = np.linalg.solve(unit + other, difference[..., None])
        nis = np.sort(np.sum(difference * weighted[..., 0], axis=-1))
        rank = max(1, round(0.5 * count))
        place = betaincinv(rank, count + 1 - rank, level)
        expected = 2.0 * float(gammaincinv(freedom / 2.0, place))
        left = max(0.0, float(nis[rank - 1]) / expected - (1.0 - share))
        return (left / share) ** 0.5

    def _jitter(self, steps: Sequence[Innovation], difference: np.ndarray) -> _Jitter:
        """
        Return the noise of a single pose, from the differences (n, k) over the steps.

        A pose that is off to one side makes the step before it too long and the one after it too
        short: the covariance of neighbours is minus its variance. Noise that lasts for several
        poses shows as far apart; all within an interval is summed up.
        """
        limit = inf
        if self._holds_noise:
            reported = np.array([step.reported for step in steps])
            limit = float(np.median(np.diagonal(reported, axis1=1, axis2=2).mean(axis=1)))
        clipped = np.clip(difference, *usual_range(difference))
        variance = float(np.mean(clipped ** 2))
        length_ns = float(np.median([step.end_ns - step.begin_ns for step in steps]))
        apart = max(1, round(self._interval_ns / length_ns) - 1)
        run = runs_of(steps)
        likely = 0.0
        for lag in range(1, apart + 1):
            joined = run[lag:] == run[:-lag]
            if joined.any():
                likely -= float(np.mean((clipped[lag:] * clipped[:-lag])[joined]))
        doubt = variance * (apart / difference.size) ** 0.5
        return _Jitter(*(
            min(limit, max(0.0, likely + sign * doubt)) for sign in (0.0, 1.0, -1.0)))


def runs_of(steps: Sequence[Innovation]) -> np.ndarray:
    """Return a number for each step (n,), alike for those that follow each other without a gap."""
    return np.cumsum([False, *(before.end_ns != after.begin_ns
                               for before, after in zip(steps, steps[1:]))])


def _growing(changes: np.ndarray) -> np.ndarray:
    """Return per axis whether the changes (n, k) of its variance are a growth (bool)."""
    rise = np.maximum(changes, 0.0).sum(axis=0)
    fall = np.maximum(-changes, 0.0).sum(axis=0)
    return (rise > 0.0) & (fall <= _LEAST_GROWTH * (rise + fall))


def _share(unit: np.ndarray, other: np.ndarray) -> float:
    """Return the mean share of ``unit`` (n, k, k) in the variance of both."""
    parts = np.linalg.solve(unit + other, unit)
    return float(np.mean(np.trace(parts, axis1=-2, axis2=-1))) / unit.shape[-1]


def _positive_parts(matrices: np.ndarray) -> np.ndarray:
    """Return symmetric matrices (n, k, k) with their negative eigenvalues set to zero."""
    values, vectors = np.linalg.eigh(matrices)
    return (vectors * np.maximum(values, 0.0)[..., None, :]) @ np.swapaxes(vectors, -1, -2)


def usual_range(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return per axis the range in which normal errors with the same core lie."""
    middle = _median(values)
    reach = _CLIP_SIGMAS * _MAD_TO_SIGMA * _median(np.abs(values - middle))
    return middle - reach, middle + reach


def _median(values: np.ndarray) -> np.ndarray:
    """Return that of each column (k,) of finite values (n, k): np.median looks after much more."""
    ordered = np.sort(values, axis=0)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0


def _calibration(difference: np.ndarray, motion: np.ndarray,
                 sigmas: np.ndarray) -> tuple[np.ndarray, float]:
    """
    Return the coefficients (m, k) by which the differences (n, k) follow the motion (n, m).

    Least squares per axis with a prior of the given ``sigmas`` (m,) on the coefficients, without
    the intervals that are far off on any axis. Beside them the factor by which the residuals are
    to be enlarged, for what the fit took from them.
    """
    scaled = motion * sigmas
    axes = difference.shape[1]
    coefficients = np.zeros((len(sigmas), axes))
    enlarged = 1.0
    for _ in range(_FITS):
        residual = difference - scaled @ coefficients
        low, high = usual_range(residual)
        usual = np.all((residual >= low) & (residual <= high), axis=-1)
        inputs, count, taken = scaled[usual], usual.sum(), 0.0
        if not count:
            break
        squares = inputs.T @ inputs
        before = coefficients.copy()
        for axis in range(axes):
            # In a simulation two sources may agree exactly, about axes that never turn.
            noise = max(float(np.mean(residual[usual, axis] ** 2)),
                        1e-12 * float(np.trace(squares)), 1e-30)
            gain = np.linalg.solve(squares + noise * np.eye(len(sigmas)), inputs.T)
            coefficients[:, axis] = gain @ difference[usual, axis]
            taken += float(np.trace(gain @ inputs)) / axes
        enlarged = (count / max(1.0, count - taken)) ** 0.5
        if np.abs(coefficients - before).max() < _SETTLED_SIGMAS:
            break
    return coefficients * sigmas[:, None], enlarged


def agreed(inflations: Iterable[Inflation | None]) -> Inflation | None:
    """
    Return the largest of the inflations, by second sources of one quantity, that none contradicts.

    One contradicts another where it is surely below what that one found: then two, the unit among
    them, stand against that other one, which is at fault (a slipping wheel). A source that is too
    coarse to tell contradicts nobody.
    """
    known = sorted((inflation for inflation in inflations if inflation is not None),
                   key=lambda inflation: inflation.low, reverse=True)
    for inflation in known:
        if all(other.high >= inflation.factor for other in known):
            return inflation
    return None
