# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Is a reported pose covariance a covariance, and was it computed or just filled in."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, combinations
from math import isfinite
from operator import mul

import numpy as np

# Fields travel as float64 but are often computed as float32, whose rounding is 6e-8.
_RELATIVE_TOLERANCE = 1e-6
# Far beyond any place on Earth and any turn, and the square of what is let through is finite.
_LARGEST_VARIANCE = 1e30
_RAISED = np.ones((6, 6)) + _RELATIVE_TOLERANCE * np.eye(6)
_PAIRS = tuple(combinations(range(6), 2))
_AXES = ('x', 'y', 'z', 'rotation about X', 'rotation about Y', 'rotation about Z')


@dataclass(frozen=True, slots=True)
class CovarianceFinding:
    """
    What one covariance looks like by itself.

    ``state`` is 'valid', 'missing' or 'invalid'; ``reason`` completes "covariance of NAME" with
    the figure that decided, and is empty for a valid one.
    """

    state: str
    reason: str = ''


_VALID = CovarianceFinding('valid')


def check_covariance(covariance: np.ndarray) -> CovarianceFinding:
    """
    Judge a 6 x 6 covariance in ROS order (m, rad).

    Invalid: an entry that is not finite, a negative or a meaningless variance, not symmetric,
    not positive semi-definite. Missing: the position block or the rotation block is all zero,
    which geometry_msgs/PoseWithCovariance senders use for "not filled in"; a single zero
    variance is accepted, as a planar robot has them. Symmetry and definiteness are judged after
    scaling every axis to unit variance, so that metres and radians, and a huge variance on an
    axis that is not measured, weigh the same.
    """
    rows = covariance.tolist()
    if not all(map(isfinite, chain.from_iterable(rows))):
        return CovarianceFinding('invalid', 'holds values that are not finite numbers')
    variances = [row[axis] for axis, row in enumerate(rows)]
    if min(variances) < 0.0:
        axis = variances.index(min(variances))
        return CovarianceFinding(
            'invalid', f'has a negative variance: {_AXES[axis]} {variances[axis]:.3g}')
    if max(variances) > _LARGEST_VARIANCE:
        axis = variances.index(max(variances))
        return CovarianceFinding(
            'invalid', f'has a variance beyond any meaning: {_AXES[axis]} {variances[axis]:.3g}')
    if not (any(variances[:3]) and any(variances[3:])):
        if not covariance.any():
            return CovarianceFinding('missing', 'is missing: all zero')
        if not covariance[:3, :3].any():
            return CovarianceFinding('missing', 'is missing for the position: all zero')
        if not covariance[3:, 3:].any():
            return CovarianceFinding('missing', 'is missing for the rotation: all zero')
    if np.count_nonzero(covariance) == sum(map(bool, variances)):
        return _VALID
    for i, j in _PAIRS:
        if rows[i][j] == rows[j][i]:
            continue
        largest = (variances[i] * variances[j]) ** 0.5
        if abs(rows[i][j] - rows[j][i]) > _RELATIVE_TOLERANCE * largest:
            return CovarianceFinding(
                'invalid', f'is not symmetric: {rows[i][j]:.3g} and {rows[j][i]:.3g} for '
                f'{_AXES[i]} with {_AXES[j]}')
    if not (_is_definite(covariance) or _is_semi_definite(rows)):
        smallest = float(np.linalg.eigvalsh((covariance + covariance.T) / 2.0)[0])
        return CovarianceFinding(
            'invalid', f'is not positive semi-definite: smallest eigenvalue {smallest:.3g}')
    return _VALID


def _is_definite(covariance: np.ndarray) -> bool:
    """Return whether the library finds a Cholesky decomposition: the usual case, soon told."""
    try:
        np.linalg.cholesky(covariance * _RAISED)
    except np.linalg.LinAlgError:
        return False
    return True


def _is_semi_definite(rows: list[list[float]]) -> bool:
    """
    Try a Cholesky decomposition, every variance raised by the tolerance.

    Written out because the library's refuses a matrix that is only just semi-definite.
    """
    lower: list[list[float]] = []
    for i, row in enumerate(rows):
        line: list[float] = []
        for j, above in enumerate(lower):
            rest = row[j] - sum(map(mul, line, above))
            if above[j]:
                line.append(rest / above[j])
            elif rest:
                return False
            else:
                line.append(0.0)
        pivot = row[i] * (1.0 + _RELATIVE_TOLERANCE) - sum(map(mul, line, line))
        if pivot < 0.0 or (pivot == 0.0 and row[i] > 0.0):
            return False
        lower.append([*line, pivot ** 0.5])
    return True


class PlaceholderWatch:
    """
    Notices a covariance that never changes while the robot moves.

    A covariance computed from data changes in its last bits at least; one that is the same bit
    for bit over a distance and a time was written into the message as a constant.
    """

    def __init__(self, after_m: float, after_s: float) -> None:
        self._after_m = after_m
        self._after_s = after_s
        self._bytes = b''
        self._since_ns = 0
        self._since_m = 0.0

    def changed(self, covariance: np.ndarray, stamp_ns: int, path_length_m: float) -> bool:
        """Take the next covariance; return whether it differs from the one before."""
        as_bytes = covariance.tobytes()
        if as_bytes == self._bytes:
            return False
        self._bytes = as_bytes
        self._since_ns = stamp_ns
        self._since_m = path_length_m
        return True

    def is_placeholder(self, stamp_ns: int, path_length_m: float) -> bool:
        """Return whether the present covariance has stayed for too long a way and time."""
        return (path_length_m - self._since_m >= self._after_m
                # A clock that was set back says nothing of how long it has been.
                and not 0 <= stamp_ns - self._since_ns < self._after_s * 1e9)

    def unchanged_m(self, path_length_m: float) -> float:
        """Return the distance travelled with the present covariance."""
        return path_length_m - self._since_m
