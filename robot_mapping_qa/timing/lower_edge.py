# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How far below the lowest of many delays the smallest possible one lies.

The share of delays within x of the smallest possible one grows as some power of x: as x for
exponential delays, as its square for those that queue twice. The lowest of n delays then lies
above the edge by a multiple of n ** -g, where g is one over that power (Weibull's law of
smallest values; David and Nagaraja, "Order Statistics", section 10.5). Delays dealt out to sets
show g: the lowest of the sets lie the higher the more sets there are.
"""

from __future__ import annotations

from math import exp, gamma, log, sqrt
from typing import Sequence

MANY = 384
"""So many delays and more show the shape of their edge, fewer hardly do."""
SETS, MORE_SETS = 8, (4, 16, 64)
"""Sets that delays are dealt out to, of three delays at least; and for many delays."""
SHAPES = (0.1, 0.15, 0.25, 0.35, 0.5, 0.75, 1.0)
RARITY = (0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)
"""Values of g that are believed possible, from edges as soft as those of lognormal delays to that
of exponential ones, and how often they are met compared with each other."""
FEW_RARITY = (0.0, 0.3, 0.7, 1.0, 1.0, 1.0, 1.0)
"""The same for few delays, which do not reach far into a soft edge."""
SHAPE_EXCESS, SHAPE_SIGMA = 0.1, 0.14
"""By how much many delays show g too large, as edges get softer the nearer they are, and how well
they show it. Found by simulation."""
MIDDLE, MOST = 0.7, 4.0
"""Where among the ordered delays the middle one of the sets' lowest lies, a multiple of the number
of sets, and how many times as far from the lowest delay any is taken to lie: where most delays go
another, longer way, some sets consist of those alone."""
NOTHING_LEFT = 1e-3


def lower_edge(values: Sequence[float]) -> tuple[float, float]:
    """Return the smallest possible value behind ``values`` and its standard deviation."""
    ordered = sorted(values)
    count, lowest = len(ordered), ordered[0]
    weights: Sequence[float] = FEW_RARITY
    sets = max(1, min(SETS, count // 3))
    if count >= MANY:
        sets, weights = MORE_SETS[1], RARITY
        low, middle, high = (mean_lowest(ordered, number) for number in MORE_SETS)
        if middle > low:
            found = log(max(1.0, (high - middle) / (middle - low))) / log(sets / MORE_SETS[0])
            weights = [1e-9 + rarity * exp(
                -0.5 * ((found - shape - SHAPE_EXCESS) / SHAPE_SIGMA) ** 2)
                for rarity, shape in zip(RARITY, SHAPES)]
    spread = mean_lowest(ordered, sets) - lowest
    if spread <= 0.0:
        return lowest, 0.0
    total = sum(weights)
    excesses = [1.0 / (sets ** shape - 1.0) for shape in SHAPES]
    mean = sum(w * excess for w, excess in zip(weights, excesses)) / total
    square = sum(w * excess ** 2 * gamma(1.0 + 2.0 * shape) / gamma(1.0 + shape) ** 2
                 for w, excess, shape in zip(weights, excesses, SHAPES)) / total
    return lowest - mean * spread, sqrt(square - mean ** 2) * spread


def mean_lowest(ordered: Sequence[float], sets: int) -> float:
    """
    Return the mean of the lowest of each of so many sets, over all ways to deal them out.

    ``ordered`` are the values, ascending.
    """
    count, lowest = len(ordered), ordered[0]
    size = count / sets
    limit = lowest + MOST * (ordered[min(count - 1, int(MIDDLE * sets))] - lowest)
    # The chance that a set has none of the values so far.
    left = 1.0
    mean = 0.0
    for place, value in enumerate(ordered):
        if value >= limit or left < NOTHING_LEFT:
            break
        share = left * min(1.0, size / (count - place))
        mean += share * value
        left -= share
    return mean + left * limit
