# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The smallest delay as a curve over host time."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True, slots=True)
class Course:
    """
    How the smallest delay grows: by ``slope`` at ``middle_ns``, changing by ``bend_per_s``.

    The ``*_sigma`` are standard deviations, unrelated to each other because the slope is given
    where its error has nothing to do with the bend's.
    """

    middle_ns: int
    slope: float
    slope_sigma: float
    bend_per_s: float
    bend_sigma_per_s: float

    def growth(self, from_ns: int, to_ns: int) -> float:
        """Return by how much the smallest delay grows between host times, seconds."""
        middle_ns = (from_ns + to_ns) // 2
        return self.slope_at(middle_ns) * (to_ns - from_ns) * 1e-9

    def growth_sigma(self, from_ns: int, to_ns: int) -> float:
        """Return the standard deviation of `growth`, seconds."""
        x, start = (to_ns - self.middle_ns) * 1e-9, (from_ns - self.middle_ns) * 1e-9
        # A bend fitted together with a line leaves about a third of its free effect at the ends.
        return sqrt((self.slope_sigma * (x - start)) ** 2
                    + (self.bend_sigma_per_s * (x * x - start * start) / 3.0) ** 2)

    def slope_at(self, time_ns: int) -> float:
        """Return the growth of the smallest delay at a host time, seconds per second."""
        return self.slope + self.bend_per_s * (time_ns - self.middle_ns) * 1e-9

    def slope_sigma_at(self, time_ns: int) -> float:
        """Return the standard deviation of `slope_at`."""
        x = (time_ns - self.middle_ns) * 1e-9
        return sqrt(self.slope_sigma ** 2 + (self.bend_sigma_per_s * x) ** 2)


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
