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
off.
"""

from __future__ import annotations

from math import sqrt
from typing import Sequence

import numpy as np

from robot_mapping_qa.pose.consistency import Inflation, Innovation, usual_range
from scipy.special import ndtri

# Fewer neighbours say little.
_LEAST_NEIGHBOURS = 30
# Single stamps are off by at least this, however little it shows.
_STAMPS_SHAKE_S = 0.0002
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
    joined = np.array([before.end_ns == after.begin_ns for before, after in zip(steps, steps[1:])],
                      dtype=bool)
    if joined.sum() < _LEAST_NEIGHBOURS:
        return None
    turn = np.array([step.turn for step in steps])
    length_s = np.array([(step.end_ns - step.begin_ns) * 1e-9 for step in steps])
    off = np.einsum('nij,nj->ni', turn, difference)
    rate = np.einsum('nij,nj->ni', turn, turned) / length_s[:, None]
    reported = np.array([step.reported.diagonal() for step in steps])[:-1]
    off = np.clip(off, *usual_range(off))
    scatter = -(off[:-1] * off[1:])[joined]
    squared_rate = ((rate[:-1] + rate[1:])[joined] / 2.0) ** 2
    reported = np.maximum(reported[joined].mean(axis=0), 1e-18)
    scatter -= _shaking(scatter, squared_rate) * squared_rate
    # The axes that are said to be known best weigh most.
    ratio = (scatter / reported ** 2).sum(axis=-1) / (1.0 / reported).sum()
    count = len(ratio)
    doubt = float(ndtri((1.0 + confidence) / 2.0)) * sqrt(_SHARED * float(ratio.var()) / count)
    likely = float(ratio.mean())
    factor, least, most = (
        sqrt(max(0.0, value)) for value in (likely, likely - doubt, likely + doubt))
    return Inflation(factor, least, most, count, False)


def _shaking(scatter: np.ndarray, squared_rate: np.ndarray) -> float:
    """Return the variance (s^2) of single stamps: the slope of the scatter over squared rates."""
    apart = squared_rate - squared_rate.mean(axis=0)
    spread = float((apart ** 2).sum())
    slope = float((apart * scatter).sum()) / spread if spread > 0.0 else 0.0
    return max(_STAMPS_SHAKE_S ** 2, slope)
