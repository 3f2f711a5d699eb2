# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Units whose errors are made otherwise than the estimate assumes, for `pose_calibration.py`.

The rig's own unit errs as the estimate has it: registrations are independent, all draws normal.
These do not. Their other parts are those of the rig's.
"""

from __future__ import annotations

from dataclasses import replace
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.drift import DrawnError, ErrorGrowth, Keyframe


class AlikeRegistrations(DrawnError):
    """
    Registrations whose errors are alike over some metres, each as large as the rig's.

    A first-order Gauss-Markov process about the axes of the map.
    """

    LASTS_M: ClassVar[float] = 3.0
    FACTOR: ClassVar[float] = 1.0

    def __init__(self, growth: ErrorGrowth, rng: np.random.Generator) -> None:
        """Draw the error of the first registration."""
        super().__init__(growth, rng)
        self._others = rng.spawn(1)[0]
        self._keeps = math.exp(-growth.spec.keyframe_m / self.LASTS_M)
        self._alike = self._others.standard_normal(6)

    def _added(self, step: Keyframe) -> np.ndarray:
        scan = np.array(step.noise[:, :6])
        values, vectors = np.linalg.eigh(scan @ scan.T)
        root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        without = step.noise.copy()
        without[:, :6] = 0.0
        added = super()._added(replace(step, noise=without)) + self.FACTOR * root @ self._alike
        self._alike = self._keeps * self._alike + math.sqrt(
            1.0 - self._keeps ** 2) * self._others.standard_normal(6)
        return added


class AlikeSmallerRegistrations(AlikeRegistrations):
    """The same, but so small that over a long way they add up to as much as the rig's."""

    # The sum of a process that keeps the share k from step to step grows (1 + k) / (1 - k) times
    # as fast in its variance; k = exp(-0.25 m / 3 m).
    FACTOR = math.sqrt(math.tanh(0.5 * 0.25 / AlikeRegistrations.LASTS_M))


class Slips(DrawnError):
    """
    Dead reckoning that is right but for slips, and registrations with outliers.

    The variances, and how long an error of dead reckoning lasts, are the rig's; slips take up a
    tenth of the way, all three axes at once. Registrations are drawn from Student's t with three
    degrees of freedom.
    """

    SHARE: ClassVar[float] = 0.1
    FREEDOM: ClassVar[int] = 3

    def __init__(self, growth: ErrorGrowth, rng: np.random.Generator) -> None:
        """Draw whether the unit slips at the start."""
        super().__init__(growth, rng)
        self._others = rng.spawn(1)[0]
        self._slip = self._drawn()

    def _drawn(self) -> np.ndarray:
        slips = self._others.random() < self.SHARE
        sigma = slips * self.growth.spec.speed_error / math.sqrt(self.SHARE)
        return sigma * self._others.standard_normal(3)

    def _added(self, step: Keyframe) -> np.ndarray:
        self._speed = self._slip
        heavy = math.sqrt((self.FREEDOM - 2) / self._others.chisquare(self.FREEDOM))
        noise = step.noise.copy()
        noise[:, :6] *= heavy
        added = super()._added(replace(step, noise=noise))
        if self._others.random() >= self.growth.speed_keeps:
            self._slip = self._drawn()
        return added
