# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The unit's own covariance beside the estimate: what of it counts, and where it promises too much.

What an honest unit reports is what it has lost since its start: all of it puts a point in the
wrong place, until the pose is declared good or a loop is closed. And a direction that nothing
holds, neither the lidar nor a camera, loses as much as dead reckoning does: a covariance that
grows by far less there is too small, whatever a second source of motion can tell.
"""

from __future__ import annotations

import numpy as np

from robot_mapping_qa.pose.consistency import Inflation

# Dead reckoning may be better or worse than assumed by this factor.
_DOUBT = 2.0
# So much must be lost before the growth is compared: the estimate and the unit lose sight of
# their surroundings a few metres apart. With 0.025 m an honest unit was found too optimistic where
# the lidar has eight rings.
_LEAST_M = 0.03


class ReportedError:
    """
    Takes from the reported covariance what was lost before the pose was last known to be good.

    All covariances are (6, 6) in ROS order.
    """

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Forget the reports."""
        self._newest: np.ndarray | None = None
        # The least that was ever reported is the noise of a single pose: it never grows old.
        self._least: np.ndarray | None = None
        self._least_size = 0.0
        self._forgiven: np.ndarray | None = None

    def add(self, reported: np.ndarray) -> None:
        """Take the covariance of the newest pose, one that can be used."""
        self._newest = reported
        size = _size(reported)
        if self._least is None or size < self._least_size:
            self._least, self._least_size = reported, size
        if self._forgiven is not None and size < _size(self._least + self._forgiven):
            # The unit has corrected itself: what it loses from here on is new.
            self._forgiven = reported - self._least

    def forgive(self) -> None:
        """Take all that is reported now as old: after a rebase or a loop closure."""
        if self._newest is not None and self._least is not None:
            self._forgiven = self._newest - self._least

    @property
    def covariance(self) -> np.ndarray | None:
        """What is reported to be lost since the pose was good, None before the first report."""
        if self._newest is None or self._least is None or self._forgiven is None:
            return self._newest
        return self._least + _positive_part(self._newest - self._least - self._forgiven)


class OpenGrowth:
    """Compares the growth of the reported variance with that of the estimate where it is open."""

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Forget all growth: after a rebase or a loop closure."""
        self._expected = self._reported = 0.0
        self.interrupt()

    def interrupt(self) -> None:
        """Do not compare the next covariances with the last: after a jump."""
        self._before: tuple[np.ndarray, np.ndarray] | None = None

    def add(self, estimated: np.ndarray, reported: np.ndarray,
            direction: np.ndarray | None) -> None:
        """
        Take both covariances (6, 6) after a step.

        ``direction`` (3,), in their frame, is the one that was open during it, None if none was.
        """
        if self._before is not None and direction is not None:
            estimated_before, reported_before = self._before
            self._expected += direction @ (estimated - estimated_before)[:3, :3] @ direction
            self._reported += direction @ (reported - reported_before)[:3, :3] @ direction
        self._before = estimated, reported

    @property
    def inflation(self) -> Inflation | None:
        """How many times too small the reported growth is, None before enough was lost."""
        if self._expected < _LEAST_M ** 2:
            return None
        factor = float(self._expected / max(self._reported, 1e-4 * self._expected)) ** 0.5
        return Inflation(factor, factor / _DOUBT, factor * _DOUBT, 1, True)


def _size(covariance: np.ndarray) -> float:
    """Return the trace: in plain numbers, as it is taken for every odometry message."""
    xx, yy, zz, aa, bb, cc = covariance.diagonal().tolist()
    return xx + yy + zz + aa + bb + cc


def _positive_part(matrix: np.ndarray) -> np.ndarray:
    """Return a symmetric matrix with its negative eigenvalues set to zero."""
    values, vectors = np.linalg.eigh(matrix)
    return (vectors * np.maximum(values, 0.0)) @ vectors.T
