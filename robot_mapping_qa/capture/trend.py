# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How long and how far until a figure reaches its limit, if it goes on as of late."""

from __future__ import annotations

from collections import deque
from itertools import combinations
from statistics import median
from typing import NamedTuple

SPACING_NS = 200_000_000
WINDOW = 26
"""Samples of the last five seconds: a robot walks a few metres, and a drift shows."""

SHORTEST_NS = 4_000_000_000
"""Less says more about noise than about a trend."""

GAP_NS = 1_000_000_000
"""After such a gap the figure may be another one: begin anew."""

SIGNIFICANT = 5.0
"""The rise over the window must be so many times the scatter about the line."""

FARTHEST_S = 600.0
"""A trend of five seconds says nothing about what comes later than this."""


class Outlook(NamedTuple):
    """Seconds and metres of path until the limit; one is None for a robot that stands."""

    seconds: float | None
    metres: float | None


class Trend:
    """
    A line through the last samples of a figure.

    Its slope is the median of the slopes between all pairs (Sen 1968, "Estimates of the
    regression coefficient based on Kendall's tau"): a single step is not taken for a trend.
    """

    def __init__(self) -> None:
        """Begin without a sample."""
        self._samples: deque[tuple[int, float, float | None]] = deque(maxlen=WINDOW)
        self._line: tuple[float, float] | None = None

    def add(self, stamp_ns: int, value: float | None, path_m: float | None) -> None:
        """Take the figure at a time and the way travelled up to it; None is not known."""
        samples = self._samples
        if value is None:
            samples.clear()
            self._line = None
            return
        if samples:
            passed_ns = stamp_ns - samples[-1][0]
            if passed_ns < 0 or passed_ns > GAP_NS:
                samples.clear()
            elif passed_ns < SPACING_NS:
                return
        samples.append((stamp_ns, value, path_m))
        self._line = self._fitted()

    def until(self, limit: float) -> Outlook | None:
        """Return when the figure reaches its limit; None where it does not clearly rise to it."""
        if self._line is None:
            return None
        slope, now = self._line
        if now >= limit or limit - now > FARTHEST_S * slope:
            return None
        seconds = (limit - now) / slope
        (first_ns, _, first_m), (last_ns, _, last_m) = self._samples[0], self._samples[-1]
        span_s = (last_ns - first_ns) * 1e-9
        walked_m = 0.0 if first_m is None or last_m is None else last_m - first_m
        # Slower than a centimetre a second is standing.
        walks = walked_m > 0.01 * span_s
        return Outlook(seconds, seconds * walked_m / span_s if walks else None)

    def _fitted(self) -> tuple[float, float] | None:
        """Return slope and present value of the line; None where it does not clearly rise."""
        samples = self._samples
        end_ns = samples[-1][0]
        if end_ns - samples[0][0] < SHORTEST_NS:
            return None
        points = [((stamp_ns - end_ns) * 1e-9, value) for stamp_ns, value, _ in samples]
        slope = median((v - u) / (t - s) for (s, u), (t, v) in combinations(points, 2))
        now = median(value - slope * seconds for seconds, value in points)
        # For a normal scatter the median deviation is 0.6745 standard deviations.
        scatter = median(abs(v - now - slope * t) for t, v in points) / 0.6745
        rise = -slope * points[0][0]
        return (slope, now) if slope > 0.0 and rise > SIGNIFICANT * scatter else None
