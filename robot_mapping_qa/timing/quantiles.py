# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Quantiles of a whole run in bounded memory."""

from __future__ import annotations

from bisect import bisect_left
from itertools import accumulate
from math import log

RELATIVE_ERROR = 0.01
"""A quantile lies within this share of a value that was added (within `SMALLEST_S` near 0)."""
SMALLEST_S = 1e-6
"""Magnitudes below one microsecond are counted as zero."""
LARGEST_S = 1e6
"""Magnitudes above eleven days are counted as that."""

# Bins grow geometrically: with ratio g the middle 2 g^k / (g + 1) of a bin is within
# (g - 1) / (g + 1) of all its values.
_RATIO = (1.0 + RELATIVE_ERROR) / (1.0 - RELATIVE_ERROR)
_PER_LOG = 1.0 / log(_RATIO)
_BINS = int(log(LARGEST_S / SMALLEST_S) * _PER_LOG) + 1


class DelayHistogram:
    """
    Counts of signed durations in bins of equal relative width.

    Seconds in, seconds out. Clocks that differ make delays negative, hence the sign.
    """

    __slots__ = ('_bins',)

    def __init__(self) -> None:
        """Start empty."""
        self._bins = [0] * (2 * _BINS + 1)

    @property
    def count(self) -> int:
        """How many durations were added."""
        return sum(self._bins)

    def add(self, value_s: float) -> None:
        """Count one duration; any finite float."""
        if value_s >= SMALLEST_S:
            index = int(log(value_s * 1e6) * _PER_LOG)
            self._bins[_BINS + 1 + index if index < _BINS else -1] += 1
        elif value_s <= -SMALLEST_S:
            self._bins[_BINS - 1 - min(int(log(value_s * -1e6) * _PER_LOG), _BINS - 1)] += 1
        else:
            self._bins[_BINS] += 1

    def quantiles(self, *shares: float) -> tuple[float | None, ...]:
        """
        Return the value below which each share (0 to 1) of the durations lies.

        None for each while nothing was added.
        """
        below = list(accumulate(self._bins))
        count = below[-1]
        if not count:
            return (None,) * len(shares)
        return tuple(
            _middle(bisect_left(below, max(1.0, share * count))) for share in shares)


def _middle(place: int) -> float:
    """Return the value that stands for a bin."""
    if place == _BINS:
        return 0.0
    index = place - _BINS - 1 if place > _BINS else _BINS - 1 - place
    magnitude = SMALLEST_S * _RATIO ** index * 2.0 * _RATIO / (_RATIO + 1.0)
    return magnitude if place > _BINS else -magnitude
