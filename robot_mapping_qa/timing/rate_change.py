# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Tell a clock that changes its rate, as one does that a daemon slews, from longer delays."""

from __future__ import annotations

from typing import Sequence

from robot_mapping_qa.timing.convex_hull import line_below
from robot_mapping_qa.timing.delay_slope import SlopeFit
from robot_mapping_qa.timing.lower_edge import lower_edge

FASTEST_CHANGE = 2000e-6
"""No daemon slews a clock by more. Common practice, no source: 500 ppm, rarely 1000."""
STEADY_RATE = 0.35
"""Least rank correlation with time of delays that a slewed clock changes: bursts only scatter."""
MOST_MISFIT, FEWEST = 2.5, 60
"""Old delays are dropped, down to so many, while those left lie so much further off their curve
than they scatter by themselves."""
LEAST_FALL_S = 0.1e-3
"""Delays of before a change of the rate that are lower than the others by this much are
dropped."""


def growth(seconds: Sequence[float], misfits: Sequence[float], scatter: float
           ) -> tuple[float, float, bool]:
    """
    Return how delays (s) that have left their line go on leaving it.

    By how much they have grown over the time, away from the line; how far from it they began;
    and whether that is a clock with another rate: it leaves the line steadily, while a longer way
    leaves it at once and a burst comes and goes.
    """
    slope, middle = line_below(seconds, misfits)
    begun = abs(middle - slope * (sum(seconds) / len(seconds) - seconds[0]))
    grown = slope * (seconds[-1] - seconds[0]) * (1.0 if misfits[0] > 0.0 else -1.0)
    other = grown > max(0.7 * begun, 2.0 * scatter) and abs(slope) < FASTEST_CHANGE \
        and abs(_rank_correlation(misfits)) > STEADY_RATE
    return grown, begun, other


def count_of_another_rate(x: Sequence[float], y: Sequence[float], fit: SlopeFit, changed: bool
                          ) -> int:
    """
    Return how many of the oldest delays ``y`` at times ``x`` the curve of the others leaves out.

    ``changed`` tells that the clock changed its rate shortly before the oldest of them. Those
    that it slewed would be taken for the smallest delays where they lie below the others.
    """
    if len(x) < FEWEST:
        return 0
    if fit.misfit > MOST_MISFIT:
        return len(x) // 8
    if not changed:
        return 0
    half = len(x) // 2
    slope, bend, curve = fit.coefficients
    rest = [value - (slope + (0.5 * bend + curve * t / 6.0) * t) * t for t, value in zip(x, y)]
    edge, sigma = lower_edge(rest[half:])
    limit = edge - max(3.0 * sigma, LEAST_FALL_S)
    return max((place + 1 for place in range(half) if rest[place] < limit), default=0)


def _rank_correlation(values: Sequence[float]) -> float:
    """Return the rank correlation with time (Kendall's tau): outliers do not matter."""
    signs = [(values[i] < values[j]) - (values[i] > values[j])
             for j in range(len(values)) for i in range(j)]
    return sum(signs) / len(signs) if signs else 0.0
