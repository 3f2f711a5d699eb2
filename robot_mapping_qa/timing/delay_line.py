# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The smallest delay as a curve over host time."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True, slots=True)
class Course:
    """
    How the smallest delay grows: by ``slope``, ``bend_per_s`` and ``curve_per_s2``.

    Each multiplies a polynomial in the seconds x since ``middle_ns``; the slope at x is slope
    + bend x + curve (x^2 / 2 - ``lean_s`` x - ``hold_s2``). These are chosen so that the errors of
    the three, whose standard deviations are the ``*_sigma``, have nothing to do with each other.
    """

    middle_ns: int
    slope: float
    slope_sigma: float
    bend_per_s: float
    bend_sigma_per_s: float
    curve_per_s2: float = 0.0
    curve_sigma_per_s2: float = 0.0
    lean_s: float = 0.0
    hold_s2: float = 0.0

    def growth(self, from_ns: int, to_ns: int) -> float:
        """Return by how much the smallest delay grows between host times, seconds."""
        x, start = (to_ns - self.middle_ns) * 1e-9, (from_ns - self.middle_ns) * 1e-9
        return (self.slope + 0.5 * self.bend_per_s * (x + start)) * (x - start) \
            + self.curve_per_s2 * (self._curved(x) - self._curved(start))

    def growth_sigma(self, from_ns: int, to_ns: int) -> float:
        """Return the standard deviation of `growth`, seconds."""
        x, start = (to_ns - self.middle_ns) * 1e-9, (from_ns - self.middle_ns) * 1e-9
        # The level is one between that under the middle and that under the ends, where a bend
        # makes half of its square and nothing of a difference.
        return sqrt((self.slope_sigma * (x - start)) ** 2
                    + (self.bend_sigma_per_s * 0.4 * (x * x - start * start)) ** 2
                    + (self.curve_sigma_per_s2 * (self._curved(x) - self._curved(start))) ** 2)

    def slope_at(self, time_ns: int) -> float:
        """Return the growth of the smallest delay at a host time, seconds per second."""
        x = (time_ns - self.middle_ns) * 1e-9
        return self.slope + self.bend_per_s * x + self.curve_per_s2 * self._curved_slope(x)

    def slope_sigma_at(self, time_ns: int) -> float:
        """Return the standard deviation of `slope_at`."""
        x = (time_ns - self.middle_ns) * 1e-9
        return sqrt(self.slope_sigma ** 2 + (self.bend_sigma_per_s * x) ** 2
                    + (self.curve_sigma_per_s2 * self._curved_slope(x)) ** 2)

    def coefficients_at(self, time_ns: int) -> tuple[float, float, float]:
        """Return the first three derivatives of the smallest delay at a host time."""
        x = (time_ns - self.middle_ns) * 1e-9
        return (self.slope_at(time_ns), self.bend_per_s + self.curve_per_s2 * (x - self.lean_s),
                self.curve_per_s2)

    def _curved(self, x: float) -> float:
        """Return what a curve of one makes of the delay."""
        return ((x / 6.0 - 0.5 * self.lean_s) * x - self.hold_s2) * x

    def _curved_slope(self, x: float) -> float:
        """Return what a curve of one makes of the slope."""
        return (0.5 * x - self.lean_s) * x - self.hold_s2


@dataclass(frozen=True, slots=True)
class DelayLine:
    """
    The smallest delay: receive time less stamp, were nothing queued.

    It passes through ``level_s`` at ``anchor_ns`` and follows ``course``; the errors of the two
    have nothing to do with each other. ``scatter_s`` is how far above the curve the least delayed
    message of a block usually arrives.
    """

    anchor_ns: int
    level_s: float
    level_sigma_s: float
    course: Course
    scatter_s: float

    def at(self, time_ns: int) -> float:
        """Return the smallest delay at a host time, seconds."""
        return self.level_s + self.course.growth(self.anchor_ns, time_ns)

    def sigma_at(self, time_ns: int) -> float:
        """Return the standard deviation of `at`, seconds."""
        return sqrt(self.level_sigma_s ** 2
                    + self.course.growth_sigma(self.anchor_ns, time_ns) ** 2)
