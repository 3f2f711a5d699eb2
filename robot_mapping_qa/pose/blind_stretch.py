# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A stretch of way without any cloud, judged again once clouds come: held before, held after.

A lidar of the robot that falls silent does nothing to the unit, which has its own; it only hides
what the surroundings are like. While it is silent the worst is assumed. Once it is back the
surroundings on both sides are known, and a lidar sees farther than a short stretch is long: what
holds the unit at both of its ends has held it in between.
"""

from __future__ import annotations

from typing import Sequence

import numpy as np

from robot_mapping_qa.pose.error_growth import Constraint, ErrorGrowth

# Turning on the spot makes steps, too: so many are kept at most.
_MOST_STEPS = 500


class BlindStretch:
    """Keeps the errors as they were at its beginning, and the steps since."""

    def __init__(self, growths: Sequence[ErrorGrowth], before: Constraint,
                 longest_m: float) -> None:
        """
        Begin where clouds stay away.

        ``growths`` are the errors up to here, ``before`` what held the unit by the last clouds.
        Over more than ``longest_m`` nothing is known of what lay in between.
        """
        self._growths = [growth.copy() for growth in growths]
        self._before = before
        self._left_m = longest_m
        self._steps: list[tuple[np.ndarray, np.ndarray, float]] = []

    def add(self, rotation: np.ndarray, moved_m: np.ndarray, turned_rad: float) -> None:
        """Take a step as in `ErrorGrowth.move`."""
        self._left_m -= float(np.linalg.norm(moved_m))
        if self._left_m >= 0.0 and len(self._steps) < _MOST_STEPS:
            self._steps.append((rotation, moved_m, turned_rad))
        else:
            self._left_m = -1.0
            self._steps.clear()

    def bridged(self, after: Constraint, held_below: float) -> list[ErrorGrowth] | None:
        """
        Return the errors at its end, now that clouds show what holds the unit there.

        In between the unit counts as held as on that side where it is held less. None where the
        stretch is too long, or where on one side ``held_below`` of dead reckoning's error or more
        is left open in some direction.
        """
        weaker = max(self._before, after, key=lambda side: side.open_translation()[0])
        if self._left_m < 0.0 or weaker.open_translation()[0] >= held_below:
            return None
        for growth in self._growths:
            for step in self._steps:
                growth.move(*step, weaker)
        return self._growths
