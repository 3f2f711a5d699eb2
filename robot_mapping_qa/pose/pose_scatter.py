# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The scatter of single poses, which no right covariance is below.

A gyroscope is too coarse to tell the drift of a unit that its surroundings hold, but not how the
poses scatter from one to the next: a pose that is off makes the step before it too long and the
one after it too short by the same, while the errors of the gyroscope are different in each step.
So the covariance of neighbouring differences is minus the variance of a single pose (lag-one
autocovariance of a moving average, Box and Jenkins, Time Series Analysis, section 3.3; from
memory), whatever the gyroscope's noise. It is a part of the pose's error: a reported variance
below it is too small by at least their ratio.

Stamps that shake look alike, but in proportion to the turn rate: that part is fitted and taken
off. So does a vibration faster than half the gyroscope's rate, which shows there as a slower one.
Where it is steady it is a line in the spectrum of the differences, which scatter has none of, and
is taken out. Where it is not, it still goes on for a while: steps further apart agree or disagree,
where scatter leaves nothing. As much as they do is taken off.
"""

from __future__ import annotations

from math import sqrt
from typing import Sequence

import numpy as np

from robot_mapping_qa.pose.consistency import Inflation, Innovation, runs_of, usual_range
from scipy.special import ndtri

# Fewer neighbours say little.
_LEAST_NEIGHBOURS = 30
# Single stamps are off by at least this, however little it shows.
_STAMPS_SHAKE_S = 0.0002
# A line is so many times the mean of its part of the spectrum, and there may be so many of them.
# Of 150 independent values of noise about one axis, one exceeds that in one of 100 windows.
_LINE_OVER_MEAN = 10.0
_LINES = 4
# So many steps apart a vibration shows at least once as much as in neighbours; their products
# must be off zero by so many standard deviations.
_FURTHER_APART = range(2, 6)
_VIBRATES_SIGMAS = 4.5
# Neighbouring products share a difference. For white noise of the poses that makes the variance
# of their mean 7 / 5 of what it is for independent ones (Bartlett's formula).
_SHARED = 1.4


def scatter_inflation(steps: Sequence[Innovation], difference: np.ndarray, turned: np.ndarray,
                      confidence: float) -> Inflation | None:
    """
    Return how many times too small the reported rotation is at least, by the poses' scatter.

    ``steps`` (n,) are those of turning, ``difference`` and ``turned`` (n, 3) what the unit turned
    by less what the gyroscope says, its calibration taken off, and the latter, rad, about the
    axes of the gyroscope. ``low`` and ``high`` bound the scatter with the ``confidence`` asked
    for: the error may be larger yet. A factor below 1 says nothing. None where too few steps
    follow each other.
    """
    found = _judge(steps, difference, turned, confidence)
    if found is None or found.low <= 1.0:
        return found
    # Anything that went wrong once spoils only one half.
    middle = len(steps) // 2
    halves = [_judge(steps[part], difference[part], turned[part], confidence)
              for part in (slice(0, middle), slice(middle, None))]
    low = min(found.low, *(0.0 if half is None else half.factor for half in halves))
    return Inflation(found.factor, low, found.high, found.samples, False)


def _judge(steps: Sequence[Innovation], difference: np.ndarray, turned: np.ndarray,
           confidence: float) -> Inflation | None:
    run = runs_of(steps)
    joined = run[1:] == run[:-1]
    if joined.sum() < _LEAST_NEIGHBOURS:
        return None
    turn = np.array([step.turn for step in steps])
    length_s = np.array([(step.end_ns - step.begin_ns) * 1e-9 for step in steps])
    off = np.einsum('nij,nj->ni', turn, difference)
    rate = np.einsum('nij,nj->ni', turn, turned) / length_s[:, None]
    reported = np.array([step.reported.diagonal() for step in steps])[:-1]
    reported = np.maximum(reported[joined].mean(axis=0), 1e-18)
    # The axes that are said to be known best weigh most.
    weights = reported ** -2 / (1.0 / reported).sum()
    off = _without_lines(np.clip(off, *usual_range(off)), weights)
    scatter = -(off[:-1] * off[1:])[joined]
    squared_rate = ((rate[:-1] + rate[1:])[joined] / 2.0) ** 2
    scatter -= _shaking(scatter, squared_rate) * squared_rate
    ratio = scatter @ weights
    count = len(ratio)
    doubt = float(ndtri((1.0 + confidence) / 2.0)) * sqrt(_SHARED * float(ratio.var()) / count)
    likely = float(ratio.mean()) - _vibration(off, run, weights)
    factor, least, most = (
        sqrt(max(0.0, value)) for value in (likely, likely - doubt, likely + doubt))
    return Inflation(factor, least, most, count, False)


def _without_lines(off: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the differences (n, 3) without lines that make neighbours disagree."""
    count = len(off)
    size = 4 * count
    for _ in range(_LINES):
        # From a quarter of the steps' rate on a line makes neighbours disagree.
        power = (np.abs(np.fft.rfft(off, size, axis=0)[count:]) ** 2) @ weights
        line = int(power.argmax())
        if power[line] <= _LINE_OVER_MEAN * power.mean():
            break
        phase = 2.0 * np.pi * (count + line) / size * np.arange(count)
        waves = np.stack([np.cos(phase), np.sin(phase)], axis=-1)
        off = off - waves @ np.linalg.lstsq(waves, off, rcond=None)[0]
    return off


def _vibration(off: np.ndarray, run: np.ndarray, weights: np.ndarray) -> float:
    """Return how much of the differences ``off`` (n, 3), weighted, goes on from step to step."""
    largest = 0.0
    for apart in _FURTHER_APART:
        ratio = (off[apart:] * off[:-apart])[run[apart:] == run[:-apart]] @ weights
        if len(ratio) >= _LEAST_NEIGHBOURS:
            mean = abs(float(ratio.mean()))
            if mean > _VIBRATES_SIGMAS * sqrt(float(ratio.var()) / len(ratio)):
                largest = max(largest, mean)
    return largest


def _shaking(scatter: np.ndarray, squared_rate: np.ndarray) -> float:
    """Return the variance (s^2) of single stamps: the slope of the scatter over squared rates."""
    apart = squared_rate - squared_rate.mean(axis=0)
    spread = float((apart ** 2).sum())
    slope = float((apart * scatter).sum()) / spread if spread > 0.0 else 0.0
    return max(_STAMPS_SHAKE_S ** 2, slope)
