# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How far below the lowest of many delays the smallest possible one lies.

The share of delays within x of the smallest possible one grows as some power of x: as x for
exponential delays, as its square for those that queue twice. The lowest of n delays then lies
above the edge by a multiple of n ** -g, where g is one over that power (Weibull's law of
smallest values; David and Nagaraja, "Order Statistics", section 10.5). Delays dealt out in turns
to sets show g: the lowest of the sets lie the higher the more sets there are.
"""

from __future__ import annotations

from math import exp, gamma, log, sqrt
from typing import Sequence

MANY = 384
"""So many delays and more show the shape of their edge, fewer hardly do."""
SETS, MORE_SETS = 8, (4, 16, 64)
"""Sets that delays are dealt out to, of three delays at least; and for many delays."""
SHAPES = (0.2, 0.35, 0.5, 0.75, 1.0)
"""Values of g that are believed possible, from a soft edge to that of exponential delays."""
SHAPE_SIGMA = 0.22
"""How well many delays show g. Found by simulation."""


def lower_edge(values: Sequence[float]) -> tuple[float, float]:
    """Return the smallest possible value behind ``values`` and its standard deviation."""
    count, lowest = len(values), min(values)
    weights = [1.0] * len(SHAPES)
    sets = max(1, min(SETS, count // 3))
    if count >= MANY:
        sets = MORE_SETS[1]
        low, middle, high = (mean_lowest(values, number) for number in MORE_SETS)
        if middle > low:
            found = log(max(1.0, (high - middle) / (middle - low))) / log(sets / MORE_SETS[0])
            weights = [1e-9 + exp(-0.5 * ((found - shape) / SHAPE_SIGMA) ** 2)
                       for shape in SHAPES]
    spread = mean_lowest(values, sets) - lowest
    if spread <= 0.0:
        return lowest, 0.0
    total = sum(weights)
    excesses = [1.0 / (sets ** shape - 1.0) for shape in SHAPES]
    mean = sum(w * excess for w, excess in zip(weights, excesses)) / total
    square = sum(w * excess ** 2 * gamma(1.0 + 2.0 * shape) / gamma(1.0 + shape) ** 2
                 for w, excess, shape in zip(weights, excesses, SHAPES)) / total
    return lowest - mean * spread, sqrt(square - mean ** 2) * spread


def mean_lowest(values: Sequence[float], sets: int) -> float:
    """Return the mean of the lowest of each of so many sets that values are dealt out to."""
    return sum(min(values[k::sets]) for k in range(sets)) / sets
